"""The ``fmt `` chunk: what the samples of a file are.

Sources: RIFF 1991 (16-byte PCM form), Microsoft WAVEFORMATEXTENSIBLE (40 bytes, GUID), see docs/formats/wave.md.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from nightreel.errors import ArgumentInvalid, AudioFileInvalid
from nightreel.units import Encoding

TAG_PCM = 0x0001
TAG_FLOAT = 0x0003
TAG_EXTENSIBLE = 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000AA00389B71")
MOST_CHANNELS = 1024  # far above any link; keeps a hostile header from asking for huge frames
MOST_RATE_HZ = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveFormat:
    """``channel_mask`` 0 assigns no loudspeakers, which is right for a multitrack file."""

    rate_hz: int
    channels: int
    encoding: Encoding
    channel_mask: int = 0

    def __post_init__(self) -> None:
        if not 1 <= self.channels <= MOST_CHANNELS:
            raise ArgumentInvalid(f"{self.channels} channels in one file", now=f"1 to {MOST_CHANNELS} are possible")
        if not 1 <= self.rate_hz <= MOST_RATE_HZ:
            raise ArgumentInvalid(f"a sample rate of {self.rate_hz} Hz", now=f"1 to {MOST_RATE_HZ} Hz are possible")

    @property
    def frame_bytes(self) -> int:
        return self.channels * self.encoding.sample_bytes

    @property
    def bits(self) -> int:
        return self.encoding.sample_bytes * 8

    def serialise(self) -> bytes:
        """Chunk data: 16 bytes for one or two channels, EXTENSIBLE for more.

        Microsoft's guidance asks for EXTENSIBLE from 17 bits on as well; mono and stereo 24-bit files nevertheless
        use the short form here, which every reader knows (common practice, no published source).
        """
        tag = TAG_FLOAT if self.encoding is Encoding.FLOAT32 else TAG_PCM
        extensible = self.channels > 2 or self.channel_mask != 0
        plain = struct.pack(
            "<HHIIHH",
            TAG_EXTENSIBLE if extensible else tag,
            self.channels,
            self.rate_hz,
            min(self.rate_hz * self.frame_bytes, 0xFFFFFFFF),
            self.frame_bytes,
            self.bits,
        )
        if extensible:
            return plain + struct.pack("<HHIH", 22, self.bits, self.channel_mask, tag) + _GUID_TAIL
        return plain if tag == TAG_PCM else plain + b"\0\0"  # other tags carry cbSize, here 0


def parse_format(data: bytes, *, where: str = "") -> WaveFormat:
    """Raises AudioFileInvalid for every kind of sample that Nightreel does not read, naming it."""
    if len(data) < 16:
        raise AudioFileInvalid(f"its format chunk holds {len(data)} bytes instead of at least 16", where=where)
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", data)
    mask = 0
    if tag == TAG_EXTENSIBLE:
        if len(data) < 40:
            raise AudioFileInvalid("its extensible format chunk is cut short", where=where)
        mask, tag = struct.unpack_from("<IH", data, 20)
        if data[26:40] != _GUID_TAIL:
            raise _unreadable("an unknown sub-format", where)
    names = {(TAG_PCM, 16): Encoding.PCM16, (TAG_PCM, 24): Encoding.PCM24, (TAG_PCM, 32): Encoding.PCM32}
    encoding = names.get((tag, bits)) or (Encoding.FLOAT32 if (tag, bits) == (TAG_FLOAT, 32) else None)
    if encoding is None and tag == TAG_PCM and channels and frame_bytes % channels == 0:
        # Fewer valid bits in a larger container (20 in 24, 24 in 32) are left-justified: the container decides.
        encoding = {2: Encoding.PCM16, 3: Encoding.PCM24, 4: Encoding.PCM32}.get(frame_bytes // channels)
        encoding = encoding if 8 < bits < 32 else None
    if encoding is None:
        kind = {TAG_PCM: "integer", TAG_FLOAT: "float"}.get(tag, f"format {tag:#06x},")
        raise _unreadable(f"{kind} {bits} bit", where)
    if not 1 <= channels <= MOST_CHANNELS or not 1 <= rate_hz <= MOST_RATE_HZ:
        raise AudioFileInvalid(f"it claims {channels} channels at {rate_hz} Hz", where=where)
    if tag == TAG_PCM and frame_bytes == channels * 4 and encoding is Encoding.PCM24:
        encoding = Encoding.PCM32  # 24 valid bits in 32
    if frame_bytes != channels * encoding.sample_bytes:
        raise AudioFileInvalid(
            f"its format contradicts itself: {channels} channels of {bits} bit in frames of {frame_bytes} bytes",
            where=where,
        )
    return WaveFormat(rate_hz=rate_hz, channels=channels, encoding=encoding, channel_mask=mask)


def _unreadable(kind: str, where: str) -> AudioFileInvalid:
    return AudioFileInvalid(
        f"its samples are of a kind that Nightreel does not read ({kind})",
        where=where,
        now="Convert it to 16, 24 or 32-bit PCM or 32-bit float",
    )
