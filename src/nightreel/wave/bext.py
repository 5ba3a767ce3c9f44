"""The ``bext`` chunk of Broadcast Wave files, version 2 (EBU Tech 3285 v2, section 2.3). Bytes and values only."""

from __future__ import annotations

import struct
import unicodedata
from dataclasses import dataclass
from datetime import datetime

from nightreel.errors import AudioFileInvalid

SMALLEST_BYTES = 602
_UNSET = 0x7FFF  # a loudness field without a value
_FIXED = struct.Struct("<256s32s32s10s8sIIH64s5h180s")
assert _FIXED.size == SMALLEST_BYTES


@dataclass(frozen=True, slots=True, kw_only=True)
class Bext:
    """Who, when and where on the clock.

    time_reference_frames : first sample, counted since midnight
    integrated_lufs, loudness_range_lu, max_true_peak_dbtp, max_momentary_lufs, max_short_term_lufs : None = not
        measured; stored in hundredths
    umid : SMPTE ST 330, up to 64 bytes; b"" = none
    coding_history : lines as EBU R 98 has them; each is ended with CR LF when written
    """

    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""  # yyyy-mm-dd
    origination_time: str = ""  # hh:mm:ss
    time_reference_frames: int = 0
    version: int = 2
    umid: bytes = b""
    integrated_lufs: float | None = None
    loudness_range_lu: float | None = None
    max_true_peak_dbtp: float | None = None
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None
    coding_history: str = ""

    def serialise(self) -> bytes:
        """Chunk data. Text is ASCII there: other characters lose their accents or become '?' (iXML keeps them)."""
        reference = self.time_reference_frames
        if not 0 <= reference < 1 << 64:
            raise ValueError(f"time_reference_frames must fit 64 bits, got {reference}")
        fixed = _FIXED.pack(
            _ascii(self.description, 256),
            _ascii(self.originator, 32),
            _ascii(self.originator_reference, 32),
            _ascii(self.origination_date, 10),
            _ascii(self.origination_time, 8),
            reference & 0xFFFFFFFF,
            reference >> 32,
            self.version,
            self.umid[:64] if self.version >= 1 else b"",
            *(_hundredths(value) if self.version >= 2 else 0 for value in self._loudness()),
            b"",
        )
        lines = [line for line in self.coding_history.replace("\r\n", "\n").split("\n") if line]
        return fixed + "".join(line + "\r\n" for line in lines).encode("ascii", "replace")

    def _loudness(self) -> tuple[float | None, ...]:
        return (
            self.integrated_lufs,
            self.loudness_range_lu,
            self.max_true_peak_dbtp,
            self.max_momentary_lufs,
            self.max_short_term_lufs,
        )


def parse_bext(data: bytes, *, where: str = "") -> Bext:
    """Raises AudioFileInvalid when the chunk is too short; versions above 2 are read as 2."""
    if len(data) < SMALLEST_BYTES:
        raise AudioFileInvalid(f"its bext chunk holds {len(data)} bytes instead of at least 602", where=where)
    fields = _FIXED.unpack_from(data)
    version = fields[7]
    loudness = [None if version < 2 or value == _UNSET else value / 100 for value in fields[9:14]]
    history = data[SMALLEST_BYTES:].split(b"\0")[0].decode("latin-1")
    return Bext(
        description=_text(fields[0]),
        originator=_text(fields[1]),
        originator_reference=_text(fields[2]),
        origination_date=_text(fields[3]),
        origination_time=_text(fields[4]),
        time_reference_frames=fields[5] | fields[6] << 32,
        version=version,
        umid=fields[8].rstrip(b"\0") if version >= 1 else b"",
        integrated_lufs=loudness[0],
        loudness_range_lu=loudness[1],
        max_true_peak_dbtp=loudness[2],
        max_momentary_lufs=loudness[3],
        max_short_term_lufs=loudness[4],
        coding_history="\n".join(line for line in history.replace("\r\n", "\n").split("\n") if line),
    )


def bext_for(
    *,
    started_at: datetime,
    time_reference_frames: int,
    description: str,
    originator: str = "Nightreel",
    history: str = "",
) -> Bext:
    """The usual fields of a recording of ours."""
    return Bext(
        description=description,
        originator=originator,
        origination_date=f"{started_at:%Y-%m-%d}",
        origination_time=f"{started_at:%H:%M:%S}",
        time_reference_frames=time_reference_frames,
        coding_history=history,
    )


def _ascii(text: str, size: int) -> bytes:
    plain = "".join(ch for ch in unicodedata.normalize("NFKD", text) if not unicodedata.combining(ch))
    return plain.encode("ascii", "replace").replace(b"\0", b" ")[:size]


def _text(field: bytes) -> str:
    return field.split(b"\0")[0].decode("latin-1")


def _hundredths(value: float | None) -> int:
    """Out-of-range values (digital silence is -inf) count as not measured."""
    if value is None or not -327.68 <= value <= 327.66:
        return _UNSET
    return round(value * 100)
