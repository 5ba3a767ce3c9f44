"""RTP packets as values and bytes, counters that wrap, and the jitter estimate. No socket, no clock.

Source: RFC 3550 (sections 5.1, 6.4.1, appendix A), RFC 3551 for the payload type numbers.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from nightreel.errors import ArgumentInvalid

HEADER_BYTES = 12
VERSION = 2
_FIXED = struct.Struct(">BBHII")


class MalformedPacket(ValueError):
    """Bytes that are no RTP packet. Receivers count and drop them; no user sees this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RtpPacket:
    """One packet. ``extension`` is (profile, data) with data a multiple of 4 bytes; padding is never kept."""

    payload_type: int
    sequence: int
    timestamp: int
    ssrc: int
    payload: bytes
    marker: bool = False
    csrcs: tuple[int, ...] = ()
    extension: tuple[int, bytes] | None = None

    def __post_init__(self) -> None:
        for name, value, bits in (
            ("payload_type", self.payload_type, 7),
            ("sequence", self.sequence, 16),
            ("timestamp", self.timestamp, 32),
            ("ssrc", self.ssrc, 32),
        ):
            if not 0 <= value < 1 << bits:
                raise ArgumentInvalid(f"{name} {value} does not fit {bits} bits")
        if len(self.csrcs) > 15:
            raise ArgumentInvalid(f"{len(self.csrcs)} contributing sources; RTP holds 15 at most")
        if self.extension is not None and len(self.extension[1]) % 4:
            raise ArgumentInvalid("an RTP header extension holds whole 32-bit words")


def parse(packet: bytes) -> RtpPacket:
    """The packet's fields. Raises MalformedPacket for anything that RFC 3550 section 5.1 does not allow."""
    if len(packet) < HEADER_BYTES:
        raise MalformedPacket(f"{len(packet)} bytes; the fixed header alone has {HEADER_BYTES}")
    first, second, sequence, timestamp, ssrc = _FIXED.unpack_from(packet)
    if first >> 6 != VERSION:
        raise MalformedPacket(f"version {first >> 6}, not {VERSION}")
    start = HEADER_BYTES + 4 * (first & 0x0F)
    if len(packet) < start:
        raise MalformedPacket("cut off inside the contributing sources")
    csrcs = struct.unpack_from(f">{first & 0x0F}I", packet, HEADER_BYTES)
    extension = None
    if first & 0x10:
        if len(packet) < start + 4:
            raise MalformedPacket("cut off inside the header extension")
        profile, words = struct.unpack_from(">HH", packet, start)
        end = start + 4 + 4 * words
        if len(packet) < end:
            raise MalformedPacket("cut off inside the header extension")
        extension = (profile, packet[start + 4 : end])
        start = end
    end = len(packet)
    if first & 0x20:
        padding = packet[-1]
        if padding == 0 or start + padding > end:
            raise MalformedPacket(f"{padding} bytes of padding in {end - start} bytes of payload")
        end -= padding
    return RtpPacket(
        payload_type=second & 0x7F,
        sequence=sequence,
        timestamp=timestamp,
        ssrc=ssrc,
        payload=packet[start:end],
        marker=bool(second & 0x80),
        csrcs=csrcs,
        extension=extension,
    )


def serialise(packet: RtpPacket) -> bytes:
    """Bytes as sent; never padded."""
    first = VERSION << 6 | (0x10 if packet.extension is not None else 0) | len(packet.csrcs)
    second = (0x80 if packet.marker else 0) | packet.payload_type
    head = _FIXED.pack(first, second, packet.sequence, packet.timestamp, packet.ssrc)
    head += struct.pack(f">{len(packet.csrcs)}I", *packet.csrcs)
    if packet.extension is not None:
        profile, data = packet.extension
        head += struct.pack(">HH", profile, len(data) // 4) + data
    return head + packet.payload


def extend_counter(value: int, *, bits: int, near: int) -> int:
    """The whole number that is ``value`` modulo 2**bits and lies nearest to ``near``.

    This is how 16-bit sequence numbers and 32-bit timestamps become counters that never wrap. Halfway cases go up.
    """
    size = 1 << bits
    delta = (value - near) % size
    return near + delta - (size if delta > size // 2 else 0)


@dataclass(slots=True)
class JitterEstimator:
    """Interarrival jitter, RFC 3550 section 6.4.1, in units of the RTP timestamp."""

    jitter: float = 0.0
    _transit: float | None = None

    def feed(self, *, arrival: float, timestamp: int) -> float:
        """``arrival`` in timestamp units on the receiver's clock, ``timestamp`` already extended."""
        transit = arrival - timestamp
        if self._transit is not None:
            self.jitter += (abs(transit - self._transit) - self.jitter) / 16.0
        self._transit = transit
        return self.jitter


def timestamp_at(tai_s: int, *, rate_hz: int, offset: int = 0, fraction: float = 0.0) -> int:
    """RTP timestamp of a moment of the reference clock under ``mediaclk:direct=offset`` (RFC 7273 section 5)."""
    return (tai_s * rate_hz + int(fraction * rate_hz) + offset) % (1 << 32)
