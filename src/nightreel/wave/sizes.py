"""The few bytes of a header that change while a file grows, written so that it can be opened after each of them.

Each write stays within one 512-byte sector, which drives write whole. When the file passes 4 GiB, the first 48 bytes
turn RIFF and JUNK into RF64 and ds64 in one write; only then the 32-bit data size gives way to the 64-bit one.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from nightreel.disk.storage import OpenFile
from nightreel.wave.chunks import DS64_BYTES, UNKNOWN_SIZE, ds64_data


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeFields:
    """Where the sizes of one file stand.

    data_at : offset of the first sample; the data size stands 4 bytes before it
    fact_at : offset of the frame count in the fact chunk, None without one
    reserve_bytes : data of the chunk at byte 12 that is ds64 or may become it, 0 when there is none
    """

    data_at: int
    frame_bytes: int
    fact_at: int | None
    reserve_bytes: int
    large_form: str

    def riff_bytes(self, data_bytes: int, tail_bytes: int) -> int:
        """The outer size: everything after its own field."""
        return self.data_at + data_bytes + data_bytes % 2 + tail_bytes - 8

    def needs_large(self, data_bytes: int, tail_bytes: int) -> bool:
        return self.riff_bytes(data_bytes, tail_bytes) >= UNKNOWN_SIZE

    def write(self, file: OpenFile, *, data_bytes: int, tail_bytes: int, large: bool) -> None:
        """Let the header claim ``data_bytes`` of samples and ``tail_bytes`` of chunks after them.

        ``large`` asks for the 64-bit form, which a file never leaves again once it has it.
        """
        riff_bytes = self.riff_bytes(data_bytes, tail_bytes)
        frames = data_bytes // self.frame_bytes
        if large:
            assert self.reserve_bytes >= DS64_BYTES
            outer = struct.pack("<4sI4s", self.large_form.encode(), UNKNOWN_SIZE, b"WAVE")
            ds64 = ds64_data(riff_bytes=riff_bytes, data_bytes=data_bytes, frames=frames)
            file.write_at(0, outer + struct.pack("<4sI", b"ds64", self.reserve_bytes) + ds64)
            file.write_at(self.data_at - 4, struct.pack("<I", UNKNOWN_SIZE))
        else:
            file.write_at(4, struct.pack("<I", riff_bytes))
            file.write_at(self.data_at - 4, struct.pack("<I", data_bytes))
        if self.fact_at is not None:
            file.write_at(self.fact_at, struct.pack("<I", min(frames, UNKNOWN_SIZE)))
