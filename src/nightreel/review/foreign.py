"""Folders of sound files that Nightreel did not record, opened as far as they can be: nothing in them stops the review.

Mono and polyphonic WAVE, FLAC and AIFF. Files of another rate than most, files that cannot be opened and files that
break off are named with their reason and read as silence. Roles and stereo pairs are guessed from the names; an
input list (a show) gives the lines their numbers and roles where names match roughly.
"""

from __future__ import annotations

import difflib
import re
import threading
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import FailureError, NightreelError, TakeMissing
from nightreel.review.findings.names import words
from nightreel.review.material import FileFact
from nightreel.show.imports.guesses import are_sides, guess_role
from nightreel.show.model import Line, Show
from nightreel.take.foreign import SUFFIXES, SoundFileReader
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.take.opened import FileReader, Take, WaveFileReader
from nightreel.timeline import Mark
from nightreel.units import Encoding

_OWN = frozenset({".wav", ".wave", ".bwf", ".rf64"})
_NUMBER = re.compile(r"^\s*(?:track|ch|channel)?[ _-]*(\d{1,3})[ _.\-]+(?=\S)", re.IGNORECASE)
_SIDES = frozenset({"l", "r", "left", "right"})
ALIKE = 0.72  # likeness of names from which a file is taken for a line


class CarefulReader:
    """A reader that notes where its file cannot be read, gives silence there, and goes on behind it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._inner = _open(path)
        self._lock = threading.Lock()
        self.rate_hz = self._inner.rate_hz
        self.channels = self._inner.channels
        self.frames = self._inner.frames
        self.broken_from: int | None = None
        self.why = ""

    @property
    def inner(self) -> FileReader:
        return self._inner

    def read(self, first_frame: int, frames: int) -> NDArray[np.float32]:
        try:
            return self._inner.read(first_frame, frames)
        except (NightreelError, OSError, ValueError) as error:
            with self._lock:
                if self.broken_from is None or first_frame < self.broken_from:
                    self.broken_from = first_frame
                    self.why = error.what if isinstance(error, NightreelError) else str(error)
                self._inner = _open(self._path)  # a decoder that met a bad frame does not recover by itself
            return np.zeros((frames, self.channels), np.float32)

    def close(self) -> None:
        self._inner.close()


@dataclass(slots=True)
class ForeignFolder:
    """An opened folder: the take, what each file is, and how names were understood."""

    take: Take
    files: tuple[FileFact, ...]
    notes: tuple[str, ...]
    readers: dict[str, CarefulReader] = field(default_factory=dict)

    def broken(self) -> tuple[FileFact, ...]:
        """Files that could not be read to their end, known after the review has read them."""
        out = []
        for fact in self.files:
            reader = self.readers.get(fact.path)
            if reader is not None and reader.broken_from is not None:
                place = reader.broken_from / max(1, reader.rate_hz)
                why = f"a part from about {place:.1f} s on reads as silence ({reader.why.rstrip('.')})"
                out.append(replace(fact, frames_present=max(1, reader.broken_from), trouble=why))
        return tuple(out)


def open_foreign(folder: Path, show: Show | None = None) -> ForeignFolder:
    """Raises TakeMissing where there is no sound file at all, FailureError where none can be opened."""
    if not folder.is_dir():
        raise TakeMissing("no such folder", where=str(folder), now="Name a folder of WAV, FLAC or AIFF files")
    paths = sorted(
        (p for p in folder.iterdir() if p.is_file() and p.suffix.lower() in SUFFIXES and not p.name.startswith(".")),
        key=_natural,
    )
    if not paths:
        raise TakeMissing("no sound files here", where=str(folder), now="Name a folder of WAV, FLAC or AIFF files")
    readers: dict[str, CarefulReader] = {}
    troubles: dict[str, str] = {}
    for path in paths:
        try:
            readers[path.name] = CarefulReader(path)
        except (NightreelError, OSError) as error:
            troubles[path.name] = error.what if isinstance(error, NightreelError) else (error.strerror or str(error))
    if not readers:
        first = next(iter(troubles))
        raise FailureError(
            f"none of the {len(paths)} files can be read; '{first}': {troubles[first]}",
            where=str(folder),
            now="Look whether these are sound files, and copied to their end",
        )
    rate = Counter(r.rate_hz for r in readers.values()).most_common(1)[0][0]
    frames = max(r.frames for r in readers.values() if r.rate_hz == rate)
    tracks, files, notes = _tracks(paths, readers, troubles, rate, frames, show)
    facts = TakeFacts(
        name=folder.name or str(folder),
        show=show.name if show else "",
        rate_hz=rate,
        encoding=Encoding.PCM24,
        started_at=datetime.fromtimestamp(paths[0].stat().st_mtime).astimezone(),
        frames=frames,
        tracks=tracks,
        state=TakeState.FOREIGN,
        marks=_marks(readers),
        clock="files",
    )

    def again(path: Path) -> FileReader:
        if path.name in troubles:
            raise FailureError(troubles[path.name])
        return readers[path.name]

    return ForeignFolder(take=Take(folder, facts, open_file=again), files=files, notes=notes, readers=readers)


def _open(path: Path) -> FileReader:
    if path.stat().st_size == 0:
        raise FailureError("the file is empty")
    reader: FileReader
    if path.suffix.lower() in _OWN:
        try:
            reader = WaveFileReader(path)
        except NightreelError as error:
            try:
                reader = SoundFileReader(path)
            except NightreelError:
                raise error from None
    else:
        reader = SoundFileReader(path)
    if not 1_000 <= reader.rate_hz <= 1_000_000 or reader.channels < 1:
        rate, channels = reader.rate_hz, reader.channels
        reader.close()
        raise FailureError(f"its header states {rate} Hz and {channels} channels")
    return reader


def _tracks(
    paths: list[Path],
    readers: dict[str, CarefulReader],
    troubles: dict[str, str],
    rate: int,
    frames: int,
    show: Show | None,
) -> tuple[tuple[Track, ...], tuple[FileFact, ...], tuple[str, ...]]:
    names: list[tuple[Path, int, str]] = []
    for path in paths:
        reader = readers.get(path.name)
        plain = _NUMBER.sub("", path.stem).strip() or path.stem
        channels = reader.channels if reader else 1
        sides = (
            ("",) if channels == 1 else (" L", " R") if channels == 2 else tuple(f" {c + 1}" for c in range(channels))
        )
        names += [(path, c, plain + side) for c, side in enumerate(sides)]
    matched, notes = _match([name for _, _, name in names], show)
    numbers = _numbers([path for path, _, _ in names], matched)
    tracks, files = [], []
    for k, (path, channel, name) in enumerate(names):
        line = matched.get(k)
        part = TrackFile(path=path.name, first_frame=0, frames=frames, channel=channel)
        tracks.append(
            Track(
                line=numbers[k],
                name=line.name if line else name,
                role=line.role if line else guess_role(name, "")[0],
                channel=k,
                files=(part,),
                gain_db=line.gain_db if line else None,
                partner=line.partner if line else None,
                group=line.group if line else "",
            )
        )
        reader = readers.get(path.name)
        files.append(
            FileFact(
                line=numbers[k],
                path=path.name,
                frames_stated=reader.frames if reader else 0,
                frames_present=reader.frames if reader else 0,
                rate_hz=reader.rate_hz if reader else 0,
                encoding="",
                channels=reader.channels if reader else 0,
                trouble=troubles.get(path.name, ""),
            )
        )
    present = {t.line for t in tracks}
    tracks = [replace(t, partner=None) if t.partner not in present else t for t in tracks]
    return tuple(_paired(tracks)), tuple(files), tuple(notes)


def _match(names: list[str], show: Show | None) -> tuple[dict[int, Line], list[str]]:
    """Which file is which line of the input list: best likeness first, each line once."""
    if show is None:
        return {}, []
    told = _telling(names)
    lines = [(words(line.name), line) for line in show.lines]
    pairs = sorted(
        ((_likeness(name, known), k, line) for k, name in enumerate(told) for known, line in lines),
        key=lambda p: (-p[0], p[1], p[2].number),
    )
    found: dict[int, Line] = {}
    used: set[int] = set()
    for alike, k, line in pairs:
        if alike < ALIKE:
            break
        if k not in found and line.number not in used:
            found[k] = line
            used.add(line.number)
    notes = []
    rest = [names[k] for k in range(len(names)) if k not in found]
    if rest:
        notes.append(f"No line of the input list fits: {', '.join(rest[:8])}{' and more' if len(rest) > 8 else ''}.")
    missing = [f"{line.number} {line.name}" for line in show.recorded_lines if line.number not in used]
    if missing:
        more = " and more" if len(missing) > 8 else ""
        notes.append(f"No file was found for: {', '.join(missing[:8])}{more}.")
    return found, notes


def _likeness(a: tuple[str, ...], b: tuple[str, ...]) -> float:
    """0 to 1, by letters; spaces and case do not count."""
    if not a or not b:
        return 0.0
    sides = ({w[:1] for w in told if w in _SIDES} for told in (a, b))
    one, other = sides
    if one and other and one != other:
        return 0.0  # the other side of a pair is another line, however alike the names
    first, second = ("".join(w for w in told if not w.isdigit()) for told in (a, b))
    alike = difflib.SequenceMatcher(None, first, second).ratio()
    # 'Tom 1' is not 'Tom 2'; a number in front ('03 lead vocal') is the file's, not the line's
    numbers = [told[-1] if told[-1].isdigit() else "" for told in (a, b)]
    return alike - (0.15 if numbers[0] != numbers[1] else 0.0)


def _telling(names: list[str]) -> list[tuple[str, ...]]:
    """The words of each name, without what all names share (a prefix such as AUDIO)."""
    split = [words(name) for name in names]
    common = set.intersection(*(set(w) for w in split)) if len(split) > 1 else set()
    return [tuple(w for w in one if w not in common) or one for one in split]


def _numbers(paths: list[Path], matched: dict[int, Line]) -> list[int]:
    """The input list's numbers where it is known, the file names' where all differ, otherwise from 1 in order."""
    if matched:
        used = {line.number for line in matched.values()}
        free = iter(n for n in range(max(used) + 1, max(used) + 1 + len(paths)))
        return [matched[k].number if k in matched else next(free) for k in range(len(paths))]
    found = [int(m[1]) for p in paths if (m := _NUMBER.match(p.stem))]
    if len(found) == len(paths) == len(set(found)) and min(found) >= 1:
        return found
    return list(range(1, len(paths) + 1))


def _paired(tracks: list[Track]) -> list[Track]:
    """Neighbours whose names are two sides of one thing become partners."""
    out = list(tracks)
    for k in range(len(out) - 1):
        a, b = out[k], out[k + 1]
        if a.partner is None and b.partner is None and are_sides(a.name, b.name):
            out[k], out[k + 1] = replace(a, partner=b.line), replace(b, partner=a.line)
    return out


def _marks(readers: dict[str, CarefulReader]) -> tuple[Mark, ...]:
    """The cue points of the first file that has any."""
    for reader in readers.values():
        inner = reader.inner
        if isinstance(inner, WaveFileReader) and inner.wave.cues:
            return tuple(sorted(Mark(frame=c.frame, name=c.label, source="cue point") for c in inner.wave.cues))
    return ()


def _natural(path: Path) -> list[tuple[int, str]]:
    parts = re.split(r"(\d+)", path.name.casefold())
    return [(int(part), "") if part.isdigit() else (-1, part) for part in parts]
