"""Open a WAVE file and read any span of it from mapped memory.

A file may be growing under a recorder, cut short by a crash, or hostile: only what really is on disk can be read, and
nothing is allocated on the strength of a header alone.
"""

from __future__ import annotations

import mmap
import stat
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, TypeVar

import numpy as np

from nightreel.disk.storage import trouble
from nightreel.errors import ArgumentInvalid, AudioFileInvalid
from nightreel.wave.bext import Bext, parse_bext
from nightreel.wave.chunks import Chunk, Skeleton, read_skeleton
from nightreel.wave.cues import Cue, parse_cues
from nightreel.wave.format import WaveFormat, parse_format
from nightreel.wave.ixml import Ixml, parse_ixml
from nightreel.wave.pack import ByteArray, FloatArray, unpack

_Parsed = TypeVar("_Parsed")
MOST_METADATA_BYTES = 16 << 20  # of one chunk; larger ones are noted and passed over
_KNOWN = frozenset({"ds64", "fmt ", "data", "fact", "bext", "iXML", "cue ", "JUNK", "junk", "PAD ", "FLLR", "filr"})


class WaveReader:
    """A file opened for reading; raises AudioFileInvalid or DiskTrouble. Use it as a context manager.

    Damaged metadata never stand in the way of the samples: the part is None, and ``troubles`` says why.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self._map: mmap.mmap | None = None
        try:
            if stat.S_ISFIFO(self.path.stat().st_mode):  # opening one would wait for somebody to write
                raise AudioFileInvalid("this is a pipe, not a file", where=str(self.path))
            self._file: BinaryIO = self.path.open("rb")
        except OSError as error:
            raise trouble(error, self.path) from error
        try:
            self._open()
        except BaseException:
            self._file.close()
            raise

    def _open(self) -> None:
        where = str(self.path)
        file_bytes = self._file.seek(0, 2)
        self.skeleton: Skeleton = read_skeleton(self._read_at, file_bytes, where=where)
        self._troubles = list(self.skeleton.troubles)
        self.format: WaveFormat = parse_format(self._chunk_data("fmt ", most_bytes=64), where=where)
        data = self.skeleton.find("data")
        assert data is not None  # read_skeleton raises without one
        self._data = data

    @property
    def form(self) -> str:
        """'RIFF', 'RF64' or 'BW64'."""
        return self.skeleton.form

    @property
    def data_at(self) -> int:
        """Offset of the first sample in the file."""
        return self._data.offset

    @property
    def frames(self) -> int:
        """Whole frames that the header claims."""
        return self._data.size_bytes // self.format.frame_bytes

    @property
    def frames_present(self) -> int:
        """Whole frames that the file really holds of them; all that can be read."""
        return self._data.held_bytes // self.format.frame_bytes

    @property
    def troubles(self) -> tuple[str, ...]:
        """What was wrong with the file without stopping it from being read, as far as it was looked at."""
        return tuple(self._troubles)

    @cached_property
    def bext(self) -> Bext | None:
        data = self._chunk_data("bext")
        return self._tolerate(lambda: parse_bext(data)) if data else None

    @cached_property
    def ixml(self) -> Ixml | None:
        data = self._chunk_data("iXML")
        return self._tolerate(lambda: parse_ixml(data)) if data else None

    @cached_property
    def cues(self) -> tuple[Cue, ...]:
        """In frame order."""
        return parse_cues(self._chunk_data("cue "), self._adtl())

    @cached_property
    def unknown_chunks(self) -> tuple[tuple[str, bytes], ...]:
        """Id and data of every chunk that Nightreel gives no meaning to, so that it can be carried over."""
        kept = []
        for chunk in self.skeleton.chunks:
            if chunk.name in _KNOWN:
                continue
            data = self._held(chunk, MOST_METADATA_BYTES)
            if data is not None and not (chunk.name == "LIST" and data[:4] == b"adtl"):
                kept.append((chunk.name, data))
        return tuple(kept)

    @cached_property
    def packed(self) -> ByteArray:
        """The samples as stored, mapped: uint8, shape (frames_present * frame_bytes,), read-only.

        The file must not be cut while this is in use: the system would end the process.
        """
        size_bytes = self.frames_present * self.format.frame_bytes
        if size_bytes == 0:
            return np.empty(0, np.uint8)
        try:
            self._map = mmap.mmap(self._file.fileno(), self._data.offset + size_bytes, access=mmap.ACCESS_READ)
        except (OSError, ValueError) as error:
            raise AudioFileInvalid(f"the system cannot map it ({error})", where=str(self.path)) from error
        return np.frombuffer(self._map, np.uint8, count=size_bytes, offset=self._data.offset)

    def read(self, first_frame: int, frames: int) -> FloatArray:
        """float32 (frames, channels), full scale 1.0. Raises ArgumentInvalid outside of what is present."""
        if first_frame < 0 or frames < 0 or first_frame + frames > self.frames_present:
            raise ArgumentInvalid(
                f"frames {first_frame} to {first_frame + frames} were asked for",
                where=str(self.path),
                now=f"It holds {self.frames_present} frames",
            )
        step = self.format.frame_bytes
        span = self.packed[first_frame * step : (first_frame + frames) * step]
        return unpack(span, self.format.encoding, self.format.channels)

    def close(self) -> None:
        """Idempotent. Arrays taken from ``packed`` stay valid; the map goes when the last of them goes."""
        self.__dict__.pop("packed", None)
        self._map = None
        self._file.close()

    def __enter__(self) -> WaveReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _read_at(self, offset: int, size_bytes: int) -> bytes:
        try:
            self._file.seek(offset)
            return self._file.read(size_bytes)
        except OSError as error:
            raise trouble(error, self.path) from error

    def _chunk_data(self, name: str, *, most_bytes: int = MOST_METADATA_BYTES) -> bytes:
        chunk = self.skeleton.find(name)
        return (self._held(chunk, most_bytes) or b"") if chunk is not None else b""

    def _held(self, chunk: Chunk, most_bytes: int) -> bytes | None:
        if chunk.held_bytes > most_bytes:
            self._troubles.append(f"chunk '{chunk.name}' holds {chunk.held_bytes} bytes and was passed over")
            return None
        return self._read_at(chunk.offset, chunk.held_bytes)

    def _adtl(self) -> bytes:
        for chunk in self.skeleton.chunks:
            if chunk.name == "LIST" and self._read_at(chunk.offset, 4) == b"adtl":
                return self._held(chunk, MOST_METADATA_BYTES) or b""
        return b""

    def _tolerate(self, parse: Callable[[], _Parsed]) -> _Parsed | None:
        try:
            return parse()
        except AudioFileInvalid as error:
            self._troubles.append(error.what)
            return None
