"""Write a WAVE file straight into place, so that any reader opens it at every checkpoint.

Layout, in file order (see docs/formats/wave.md)::

    0     RIFF size WAVE
    12    JUNK 28      becomes ds64 when the file passes 4 GiB (EBU Tech 3306: no rewrite)
    48    fmt , fact (float only), bext, iXML, chunks kept from elsewhere
    ...   JUNK         fills up to a multiple of 4096
    4088  data size    the samples begin on a page of their own
    ...   cue , LIST   after the samples, when the file is closed

A checkpoint first makes the samples durable and only then lets the header claim them.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np

from nightreel.disk import Disk, RealDisk
from nightreel.errors import NightreelError
from nightreel.units import Encoding
from nightreel.wave.bext import Bext
from nightreel.wave.chunks import DS64_BYTES, RF64, chunk_bytes
from nightreel.wave.cues import Cue, serialise_cues
from nightreel.wave.format import WaveFormat
from nightreel.wave.ixml import Ixml
from nightreel.wave.pack import FloatArray, pack_counted
from nightreel.wave.sizes import SizeFields

if TYPE_CHECKING:
    from typing_extensions import Buffer

PAGE_BYTES = 4096


class _Head:
    """A header under construction, and the places in it that change later."""

    def __init__(self) -> None:
        self.data = bytearray(b"RIFF\0\0\0\0WAVE")
        self.fact_at: int | None = None
        self.bext_at = 0
        self.bext_bytes = 0

    def add(self, name: str, data: bytes) -> int:
        """Append a chunk; returns where its data begins."""
        at = len(self.data) + 8
        self.data += chunk_bytes(name, data)
        return at

    def finish(self) -> None:
        """Fill up to a page and begin the data chunk, empty so far."""
        self.add("JUNK", bytes(-(len(self.data) + 16) % PAGE_BYTES))
        self.data += struct.pack("<4sI", b"data", 0)
        struct.pack_into("<I", self.data, 4, len(self.data) - 8)


class WaveWriter:
    """One thread writes; another may call :meth:`checkpoint` at the same time."""

    def __init__(self, *, disk: Disk, path: Path, format: WaveFormat, head: _Head, large_form: str) -> None:
        """Use :meth:`create`."""
        self._format = format
        self._head = head
        self._data_at = len(head.data)
        self._sizes = SizeFields(
            data_at=self._data_at,
            frame_bytes=format.frame_bytes,
            fact_at=head.fact_at,
            reserve_bytes=DS64_BYTES,
            large_form=large_form,
        )
        self._large = False
        self._cues: tuple[Cue, ...] = ()
        self._data_bytes = 0
        self._clipped = 0
        self._closed = False
        self._durable_bytes = 0
        self._sync_trouble: NightreelError | None = None
        # Checkpoints claim an even number of bytes, so that no pad byte is needed where the next sample will go.
        self._step_bytes = math.lcm(format.frame_bytes, 2)
        self._file = disk.create(path)
        try:
            self._file.write_at(0, head.data)
            self._file.sync()
            disk.sync_folder(path.parent)
        except BaseException:
            self._file.close()
            raise

    @classmethod
    def create(
        cls,
        path: Path,
        format: WaveFormat,
        *,
        bext: Bext | None = None,
        ixml: Ixml | None = None,
        kept_chunks: Sequence[tuple[str, bytes]] = (),
        large_form: str = RF64,
        disk: Disk | None = None,
    ) -> WaveWriter:
        """A new file with a durable, empty header; raises AlreadyThere or DiskTrouble.

        kept_chunks : id and data of chunks to carry over unchanged from another file
        large_form : 'RF64' or 'BW64', what the file becomes when it passes 4 GiB
        """
        head = _Head()
        head.add("JUNK", bytes(DS64_BYTES))
        head.add("fmt ", format.serialise())
        if format.encoding is Encoding.FLOAT32:
            head.fact_at = head.add("fact", bytes(4))
        if bext is not None:
            data = bext.serialise()
            head.bext_at, head.bext_bytes = head.add("bext", data), len(data)
        if ixml is not None:
            head.add("iXML", ixml.serialise())
        for name, data in kept_chunks:
            head.add(name, data)
        head.finish()
        return cls(disk=disk or RealDisk(), path=path, format=format, head=head, large_form=large_form)

    @property
    def path(self) -> Path:
        return self._file.path

    @property
    def format(self) -> WaveFormat:
        return self._format

    @property
    def frames(self) -> int:
        """Frames handed to the system so far."""
        return self._data_bytes // self._format.frame_bytes

    @property
    def clipped(self) -> int:
        """Samples that :meth:`write` had to clip at full scale."""
        return self._clipped

    def write(self, samples: FloatArray) -> None:
        """(frames, channels) float32, full scale 1.0. Raises DiskTrouble."""
        if samples.ndim != 2 or samples.shape[1] != self._format.channels:
            raise ValueError(f"samples of shape {samples.shape} for a file of {self._format.channels} channels")
        data, clipped = pack_counted(np.asarray(samples, np.float32), self._format.encoding)
        self.write_packed(data.data)
        self._clipped += clipped

    def write_packed(self, data: Buffer) -> None:
        """Whole frames already encoded (C-contiguous bytes). Raises DiskTrouble; what came before stays good."""
        view = memoryview(data)
        if view.nbytes % self._format.frame_bytes:
            raise ValueError(f"{view.nbytes} bytes are not whole frames of {self._format.frame_bytes}")
        if view.nbytes:
            self._file.write_at(self._data_at + self._data_bytes, view)
            self._data_bytes += view.nbytes

    def checkpoint(self) -> int:
        """Make durable what was written, then let the header claim it, durably; returns the frames claimed.

        Where a frame has an odd number of bytes, one last frame may wait for the next checkpoint.
        """
        frames = self.sync_samples()
        self.claim(frames)
        self._sync()
        return frames

    def sync_samples(self) -> int:
        """First half of a checkpoint: returns the frames that are durable now and may be claimed.

        Once a sync has failed, every later one is refused with the same trouble: Linux drops what it could not write
        and then reports success, so that no later sync can vouch for those bytes. Go on with a new file.
        """
        data_bytes = self._data_bytes // self._step_bytes * self._step_bytes
        self._sync()
        self._durable_bytes = data_bytes
        return data_bytes // self._format.frame_bytes

    def claim(self, frames: int) -> None:
        """Second half: write the sizes for ``frames`` into the header (made durable by the next sync)."""
        data_bytes = frames * self._format.frame_bytes
        if self._sync_trouble is not None and data_bytes > self._durable_bytes:
            raise self._sync_trouble
        self._write_sizes(data_bytes, tail_bytes=0)

    def set_cues(self, cues: Sequence[Cue]) -> None:
        """Written after the samples when the file is closed."""
        self._cues = tuple(cues)

    def update_bext(self, bext: Bext) -> None:
        """Put another bext chunk in place of the first one, which must have the same length (coding history)."""
        data = bext.serialise()
        if len(data) != self._head.bext_bytes:
            raise ValueError(f"the bext chunk has {self._head.bext_bytes} bytes, the new one {len(data)}")
        self._file.write_at(self._head.bext_at, data)

    def frames_until(self, limit_bytes: int, *, tail_bytes: int = 65_536) -> int:
        """Frames that may still be written before the closed file would pass ``limit_bytes``; 0 when none.

        tail_bytes : room kept for cues and the pad byte
        """
        room = limit_bytes - tail_bytes - self._data_at - self._data_bytes
        return max(0, room // self._format.frame_bytes)

    def close(self) -> None:
        """Write the rest, durably; idempotent. After DiskTrouble it is closed all the same, good as far as claimed."""
        if self._closed:
            return
        self._closed = True
        try:
            self._finish()
        finally:
            self._file.close()

    def abandon(self) -> None:
        """Close without another word to the disk: after it failed, or to play a crash in tests."""
        self._closed = True
        self._file.close()

    def __enter__(self) -> WaveWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _finish(self) -> None:
        end = self._data_at + self._data_bytes
        pad = b"\0" * (self._data_bytes % 2)
        if pad:
            self._file.write_at(end, pad)
        self._sync()
        self._write_sizes(self._data_bytes, tail_bytes=0)
        tail = serialise_cues(self._cues)
        if tail:
            # Samples are safe and claimed; the outer size lets readers see the tail only once it stands.
            self._file.write_at(end + len(pad), tail)
            self._sync()
            self._write_sizes(self._data_bytes, tail_bytes=len(tail))
        self._sync()

    def _sync(self) -> None:
        if self._sync_trouble is not None:
            raise self._sync_trouble
        try:
            self._file.sync()
        except NightreelError as error:
            self._sync_trouble = error
            raise

    def _write_sizes(self, data_bytes: int, *, tail_bytes: int) -> None:
        self._large = self._large or self._sizes.needs_large(data_bytes, tail_bytes)
        self._sizes.write(self._file, data_bytes=data_bytes, tail_bytes=tail_bytes, large=self._large)
