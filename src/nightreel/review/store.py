"""What was measured on each line, kept on disk, so that an interrupted review goes on where it was and a second one
is quick.

One ``.npz`` a line (no pickle) under ``measured/review/``. Its key names the line's files with their sizes and times
of change and the version of the measuring; a file that does not fit is measured again and written anew.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from nightreel.disk import write_new_bytes
from nightreel.errors import NightreelError
from nightreel.review.joints import Joints
from nightreel.review.material import LineLevels, LineMaterial
from nightreel.review.spectra import Spectra
from nightreel.take.model import Track
from nightreel.timeline import Span

VERSION = 2  # of what is measured: raise it when spectra, joints or levels change their meaning


class FolderStore:
    """Keeps lines in ``folder``; made when the first line is saved. Trouble with it never stops a review."""

    def __init__(self, folder: Path, take_folder: Path) -> None:
        self._folder = folder
        self._take = take_folder
        self.trouble = ""

    def load(self, track: Track) -> LineMaterial | None:
        try:
            with np.load(io.BytesIO(self._path(track).read_bytes()), allow_pickle=False) as archive:
                facts = json.loads(bytes(archive["facts"]))
                if facts["key"] != self._key(track):
                    return None
                return LineMaterial(
                    track=track,
                    frames=facts["frames"],
                    not_finite=facts["not_finite"],
                    levels=_levels(facts["levels"], archive),
                    spectra=Spectra(
                        rate_hz=facts["rate_hz"],
                        window_frames=facts["window_frames"],
                        **{n: archive[f"spectra_{n}"] for n in _ARRAYS_SPECTRA},
                    ),
                    joints=Joints(joints=facts["joints"], **{n: archive[f"joints_{n}"] for n in _ARRAYS_JOINTS}),
                )
        except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
            return None

    def save(self, material: LineMaterial) -> None:
        levels = material.levels
        facts: dict[str, Any] = {
            "key": self._key(material.track),
            "frames": material.frames,
            "not_finite": material.not_finite,
            "rate_hz": material.spectra.rate_hz,
            "window_frames": material.spectra.window_frames,
            "joints": material.joints.joints,
            "levels": {f: _plain(getattr(levels, f)) for f in _LEVEL_FACTS},
        }
        buffer = io.BytesIO()
        np.savez(
            buffer,
            allow_pickle=False,
            facts=np.frombuffer(json.dumps(facts).encode(), np.uint8),
            history_peak_db=levels.history_peak_db,
            history_rms_db=levels.history_rms_db,
            **{f"spectra_{n}": getattr(material.spectra, n) for n in _ARRAYS_SPECTRA},
            **{f"joints_{n}": getattr(material.joints, n) for n in _ARRAYS_JOINTS},
        )
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            path = self._path(material.track)
            path.unlink(missing_ok=True)  # a torn or older one is worth nothing
            write_new_bytes(path, buffer.getvalue())
        except (OSError, NightreelError) as error:  # a full or read-only disk must not cost the review
            self.trouble = str(error)

    def _path(self, track: Track) -> Path:
        return self._folder / f"{track.line:03d}.npz"

    def _key(self, track: Track) -> str:
        parts = [f"version {VERSION}", f"line {track.line}"]
        for file in track.files:
            path = self._take / file.path
            try:
                stat = path.stat()
                parts.append(f"{file.path} {file.channel} {stat.st_size} {stat.st_mtime_ns}")
            except OSError:
                parts.append(f"{file.path} is not there")
        return hashlib.sha256("\n".join(parts).encode()).hexdigest()


_ARRAYS_SPECTRA = tuple(f.name for f in fields(Spectra) if f.name not in ("rate_hz", "window_frames"))
_ARRAYS_JOINTS = tuple(f.name for f in fields(Joints) if f.name != "joints")
_LEVEL_FACTS = tuple(f.name for f in fields(LineLevels) if not f.name.startswith("history_"))


def _plain(value: object) -> object:
    if isinstance(value, tuple):
        return [[s.first_frame, s.frames] for s in value]
    return value


def _levels(facts: dict[str, Any], archive: Any) -> LineLevels:
    values: dict[str, Any] = {
        name: tuple(Span(first_frame=a, frames=b) for a, b in value) if isinstance(value, list) else value
        for name, value in facts.items()
    }
    return LineLevels(history_peak_db=archive["history_peak_db"], history_rms_db=archive["history_rms_db"], **values)
