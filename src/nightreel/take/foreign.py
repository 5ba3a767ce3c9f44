"""A folder of sound files that Nightreel did not record, read as if it were a take.

One line a channel of each file, in the order of the file names (numbers in names count as numbers). Files are taken
to begin together; shorter ones are followed by silence, and named in ``Take.missing``.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from nightreel.errors import AudioFileInvalid, NightreelError, TakeMissing
from nightreel.show.model import Role
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.take.opened import FileReader, Take, WaveFileReader
from nightreel.timeline import Mark
from nightreel.units import Encoding

SUFFIXES = frozenset({".wav", ".wave", ".bwf", ".rf64", ".w64", ".flac", ".aif", ".aiff", ".aifc", ".caf"})
_BLOCK_FRAMES = 1 << 18
_WAVE_SUFFIXES = frozenset({".wav", ".wave", ".bwf", ".rf64"})
_LEADING_NUMBER = re.compile(r"^\s*(?:track|ch|channel)?[ _-]*(\d{1,3})[ _.\-]+(?=\S)", re.IGNORECASE)
_ENCODINGS = {
    "PCM_16": Encoding.PCM16,
    "PCM_24": Encoding.PCM24,
    "PCM_32": Encoding.PCM32,
    "FLOAT": Encoding.FLOAT32,
    "DOUBLE": Encoding.FLOAT32,
}


class SoundFileReader:
    """Any format libsndfile reads, in blocks; one cursor, so a lock."""

    def __init__(self, path: Path) -> None:
        try:
            self._file = soundfile.SoundFile(path)
        except (soundfile.LibsndfileError, RuntimeError, OSError) as error:
            raise AudioFileInvalid(
                f"libsndfile cannot read it: {error}", where=str(path), now="Leave this file out or convert it"
            ) from error
        self._path = path
        self._lock = threading.Lock()
        self.encoding = _ENCODINGS.get(self._file.subtype, Encoding.PCM24)

    @property
    def rate_hz(self) -> int:
        return int(self._file.samplerate)

    @property
    def channels(self) -> int:
        return int(self._file.channels)

    @property
    def frames(self) -> int:
        return int(self._file.frames)

    def read(self, first_frame: int, frames: int) -> NDArray[np.float32]:
        out = np.zeros((frames, self.channels), dtype=np.float32)
        with self._lock:
            try:
                self._file.seek(first_frame)
                for start in range(0, frames, _BLOCK_FRAMES):
                    count = min(_BLOCK_FRAMES, frames - start)
                    block = self._file.read(count, dtype="float32", always_2d=True)
                    out[start : start + len(block)] = block
            except (soundfile.LibsndfileError, RuntimeError) as error:
                raise AudioFileInvalid(
                    f"reading stopped near frame {first_frame}: {error}", where=str(self._path), now="Check the file"
                ) from error
        return out

    def close(self) -> None:
        self._file.close()


def open_folder(folder: Path) -> Take:
    """A folder of sound files as a take.

    Raises TakeMissing where there is no sound file, AudioFileInvalid for a broken one or for mixed sample rates.
    """
    folder = Path(folder)
    paths = sorted(_sound_files(folder), key=_natural)
    if not paths:
        raise TakeMissing("no sound files here", where=str(folder), now="Name a folder of WAV, FLAC or AIFF files")
    readers = {path.name: _open_file(path) for path in paths}
    try:
        facts = _facts(folder, paths, readers)
        return Take(folder, facts, open_file=lambda path: readers[path.name])
    except BaseException:
        for reader in readers.values():
            reader.close()
        raise


def _sound_files(folder: Path) -> Iterator[Path]:
    if not folder.is_dir():
        raise TakeMissing("no such folder", where=str(folder), now="Name a folder of WAV, FLAC or AIFF files")
    for path in folder.iterdir():
        if path.is_file() and path.suffix.lower() in SUFFIXES and not path.name.startswith("."):
            yield path


def _open_file(path: Path) -> FileReader:
    if path.suffix.lower() not in _WAVE_SUFFIXES:
        return SoundFileReader(path)
    try:
        return WaveFileReader(path)
    except NightreelError:
        try:
            return SoundFileReader(path)  # a kind of WAVE that our reader leaves to libsndfile (compressed, say)
        except AudioFileInvalid:
            pass
        raise


def _facts(folder: Path, paths: list[Path], readers: dict[str, FileReader]) -> TakeFacts:
    rates = {name: reader.rate_hz for name, reader in readers.items()}
    first = paths[0].name
    for name, rate in rates.items():
        if rate != rates[first]:
            raise AudioFileInvalid(
                f"'{name}' has {rate} Hz and '{first}' {rates[first]} Hz",
                where=str(folder),
                now="Put files of one sample rate into a folder",
            )
    frames = max(reader.frames for reader in readers.values())
    tracks: list[Track] = []
    numbers = _numbers(paths, readers)
    for path in paths:
        reader = readers[path.name]
        name = _LEADING_NUMBER.sub("", path.stem).strip() or path.stem
        for channel in range(reader.channels):
            track_name = name if reader.channels == 1 else f"{name} {channel + 1}"
            file = TrackFile(path=path.name, first_frame=0, frames=frames, channel=channel)
            tracks.append(Track(line=next(numbers), name=track_name, role=Role.MIC, channel=len(tracks), files=(file,)))
    reader = readers[first]
    return TakeFacts(
        name=folder.name,
        show="",
        rate_hz=rates[first],
        encoding=_encoding(reader),
        started_at=_started_at(paths[0], reader),
        frames=frames,
        tracks=tuple(tracks),
        state=TakeState.FOREIGN,
        marks=_marks(readers),
        clock="files",
        time_reference_frames=_time_reference(reader),
    )


def _numbers(paths: list[Path], readers: dict[str, FileReader]) -> Iterator[int]:
    """Line numbers from the file names where all have one and all differ; else from 1 in order."""
    found = [int(match[1]) for path in paths if (match := _LEADING_NUMBER.match(path.stem))]
    mono = all(readers[path.name].channels == 1 for path in paths)
    if mono and len(found) == len(paths) == len(set(found)) and min(found) >= 1:
        return iter(found)
    return iter(range(1, 1 + sum(readers[path.name].channels for path in paths)))


def _encoding(reader: FileReader) -> Encoding:
    if isinstance(reader, WaveFileReader):
        return reader.wave.format.encoding
    return reader.encoding if isinstance(reader, SoundFileReader) else Encoding.PCM24


def _started_at(path: Path, reader: FileReader) -> datetime:
    bext = reader.wave.bext if isinstance(reader, WaveFileReader) else None
    if bext is not None:
        try:
            stamp = f"{bext.origination_date} {bext.origination_time}"
            return datetime.strptime(re.sub(r"[^\d ]", "-", stamp), "%Y-%m-%d %H-%M-%S").astimezone()
        except (ValueError, AttributeError):
            pass  # many writers leave these fields empty
    return datetime.fromtimestamp(path.stat().st_mtime).astimezone()


def _time_reference(reader: FileReader) -> int:
    bext = reader.wave.bext if isinstance(reader, WaveFileReader) else None
    return bext.time_reference_frames if bext is not None else 0


def _marks(readers: dict[str, FileReader]) -> tuple[Mark, ...]:
    """The cue points of the first file that has any."""
    for reader in readers.values():
        if isinstance(reader, WaveFileReader) and reader.wave.cues:
            return tuple(sorted(Mark(frame=cue.frame, name=cue.label, source="cue point") for cue in reader.wave.cues))
    return ()


def _natural(path: Path) -> list[tuple[int, str]]:
    """'2 Snare' before '10 Tom'."""
    parts = re.split(r"(\d+)", path.name.casefold())
    return [(int(part), "") if part.isdigit() else (-1, part) for part in parts]
