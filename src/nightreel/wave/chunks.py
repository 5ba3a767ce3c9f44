"""The skeleton of RIFF, RF64 and BW64 files: where each chunk lies. No sample is touched here.

Sources: RIFF 1991 (chunks, pad byte); EBU Tech 3306 and ITU-R BS.2088 (RF64, BW64, ds64). Every size read from a
file is a claim: it is checked against the length of the file before anything is allocated.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

from nightreel.errors import AudioFileInvalid

UNKNOWN_SIZE = 0xFFFFFFFF
RIFF, RF64, BW64 = "RIFF", "RF64", "BW64"
DS64_BYTES = 28  # without table: riffSize, dataSize, sampleCount (u64 each), tableLength (u32)
MOST_CHUNKS = 1024
MOST_TABLE_ENTRIES = 1024

ReadAt = Callable[[int, int], bytes]
"""``read_at(offset, size_bytes)``; fewer bytes only at the end of the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """``size_bytes`` is what the file claims; ``held_bytes`` what it really holds of it."""

    name: str
    offset: int  # of its data
    size_bytes: int
    held_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Skeleton:
    """The chunks of one file in order, ``data`` among them; ``riff_bytes`` is the outer size as claimed."""

    form: str
    file_bytes: int
    riff_bytes: int
    chunks: tuple[Chunk, ...]
    troubles: tuple[str, ...] = ()

    def find(self, name: str) -> Chunk | None:
        return next((chunk for chunk in self.chunks if chunk.name == name), None)


def chunk_bytes(name: str, data: bytes) -> bytes:
    """A whole chunk: id, size, data, pad byte where the size is odd. ``name`` is four printable ASCII characters."""
    if len(name) != 4 or not name.isascii() or not _plausible(name.encode()):
        raise ValueError(f"'{name}' is no name of a chunk")
    return name.encode() + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def ds64_data(*, riff_bytes: int, data_bytes: int, frames: int) -> bytes:
    """Data of a ds64 chunk without table (28 bytes)."""
    return struct.pack("<QQQI", riff_bytes, data_bytes, frames, 0)


def read_skeleton(read_at: ReadAt, file_bytes: int, *, where: str = "") -> Skeleton:
    """Walk a file's chunks. Raises AudioFileInvalid when it is no WAVE file or has no samples' chunk.

    Damage after the data chunk is noted in ``troubles``, not raised: the samples can be read all the same.
    """
    head = read_at(0, 12)
    form = head[:4].decode("latin-1")
    if len(head) < 12 or form not in (RIFF, RF64, BW64) or head[8:12] != b"WAVE":
        if form == "RIFX":
            raise AudioFileInvalid("big-endian WAVE files are not read", where=where, now="Convert it to RIFF")
        raise AudioFileInvalid("this is no WAVE file: it does not begin with RIFF, RF64 or BW64 and WAVE", where=where)
    (riff_bytes,) = struct.unpack_from("<I", head, 4)
    large: dict[str, int] = {}
    chunks: list[Chunk] = []
    troubles: list[str] = []
    offset = 12
    end = file_bytes
    while offset + 8 <= end:
        name_bytes, size_bytes = struct.unpack("<4sI", read_at(offset, 8))
        name = name_bytes.decode("latin-1")
        if not _plausible(name_bytes):
            troubles.append(f"no chunk begins at byte {offset}, where one should")
            break
        if len(chunks) >= MOST_CHUNKS:
            troubles.append(f"it claims more than {MOST_CHUNKS} chunks; the rest was passed over")
            break
        offset += 8
        if form != RIFF and not chunks:
            if name != "ds64":
                raise AudioFileInvalid(f"an {form} file must begin with a ds64 chunk, not '{name}'", where=where)
            large = _read_ds64(read_at, offset, size_bytes, where)
            if riff_bytes == UNKNOWN_SIZE:
                riff_bytes = large["RIFF"]
        elif size_bytes == UNKNOWN_SIZE and name in large:
            size_bytes = large[name]
        held_bytes = max(0, min(size_bytes, file_bytes - offset))
        chunks.append(Chunk(name=name, offset=offset, size_bytes=size_bytes, held_bytes=held_bytes))
        offset += size_bytes + size_bytes % 2
        if name == "data" and (form != RIFF or 12 < riff_bytes < UNKNOWN_SIZE):
            end = min(end, riff_bytes + 8)  # what lies beyond is not claimed yet: samples of a growing file
    found = {chunk.name for chunk in chunks}
    for name, words in (("fmt ", "no format chunk"), ("data", "no data chunk")):
        if name not in found:
            raise AudioFileInvalid(f"it holds {words}", where=where, now="; ".join(troubles))
    return Skeleton(
        form=form, file_bytes=file_bytes, riff_bytes=riff_bytes, chunks=tuple(chunks), troubles=tuple(troubles)
    )


def _read_ds64(read_at: ReadAt, offset: int, size_bytes: int, where: str) -> dict[str, int]:
    """Sizes by chunk name, with 'RIFF' for the outer one (EBU Tech 3306 Annex A)."""
    fixed = read_at(offset, DS64_BYTES)
    if size_bytes < DS64_BYTES or len(fixed) < DS64_BYTES:
        raise AudioFileInvalid("its ds64 chunk is cut short", where=where)
    riff_bytes, data_bytes, _, entries = struct.unpack("<QQQI", fixed)
    if entries > MOST_TABLE_ENTRIES or DS64_BYTES + 12 * entries > size_bytes:
        raise AudioFileInvalid(f"its ds64 chunk claims a table of {entries} entries", where=where)
    sizes = {"RIFF": riff_bytes, "data": data_bytes}
    table = read_at(offset + DS64_BYTES, 12 * entries)
    for at in range(0, len(table) - 11, 12):
        name, size = struct.unpack_from("<4sQ", table, at)
        sizes.setdefault(name.decode("latin-1"), size)
    return sizes


def _plausible(name: bytes) -> bool:
    return all(0x20 <= byte < 0x7F for byte in name)
