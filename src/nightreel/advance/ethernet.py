"""What an audio flow costs on the wire: every byte from preamble to gap.

Sources: IEEE 802.3 (preamble and start delimiter 7 + 1, header 14, FCS 4, gap 12, smallest frame 64), IEEE 802.1Q
(tag 4), RFC 791 (IPv4 20), RFC 768 (UDP 8), RFC 3550 (RTP 12), AES67-2018 (packet times, payload of at most 1440 bytes;
the clause numbers are from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from nightreel.errors import ArgumentInvalid

PREAMBLE_BYTES = 8
ETHERNET_HEADER_BYTES = 14
TAG_BYTES = 4
FCS_BYTES = 4
GAP_BYTES = 12
SMALLEST_FRAME_BYTES = 64
IP_UDP_RTP_BYTES = 20 + 8 + 12
MTU_BYTES = 1500
AES67_PAYLOAD_BYTES = 1440
GIGABIT = 1_000_000_000

# Samples a packet at 44.1 and 48 kHz by nominal packet time in microseconds (AES67); twice as many at 88.2 and 96 kHz.
AES67_SAMPLES: dict[int, int] = {125: 6, 250: 12, 333: 16, 1000: 48, 4000: 192}
AES67_RATES_HZ = (44_100, 48_000, 96_000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flow:
    """One RTP stream of linear PCM: ``samples`` frames of ``channels`` in each packet."""

    channels: int
    rate_hz: int
    sample_bytes: int
    samples: int
    tagged: bool = False

    @property
    def payload_bytes(self) -> int:
        return self.channels * self.sample_bytes * self.samples

    @property
    def ip_bytes(self) -> int:
        return self.payload_bytes + IP_UDP_RTP_BYTES

    @property
    def wire_bytes(self) -> int:
        """One packet from preamble to gap."""
        header = ETHERNET_HEADER_BYTES + (TAG_BYTES if self.tagged else 0)
        frame = max(header + self.ip_bytes + FCS_BYTES, SMALLEST_FRAME_BYTES)
        return PREAMBLE_BYTES + frame + GAP_BYTES

    @property
    def packets_per_s(self) -> Fraction:
        return Fraction(self.rate_hz, self.samples)

    @property
    def wire_bits_per_s(self) -> Fraction:
        return self.wire_bytes * 8 * self.packets_per_s

    @property
    def packet_s(self) -> Fraction:
        return Fraction(self.samples, self.rate_hz)


def samples_per_packet(rate_hz: int, packet_time_us: int) -> int:
    """Frames in a packet of AES67's nominal packet time; raises ArgumentInvalid for times it does not name."""
    if packet_time_us not in AES67_SAMPLES:
        allowed = ", ".join(str(t) for t in AES67_SAMPLES)
        raise ArgumentInvalid(
            f"a packet time of {packet_time_us} microseconds is not one of AES67's", now=f"Choose one of {allowed}"
        )
    return AES67_SAMPLES[packet_time_us] * (2 if rate_hz > 48_000 else 1)


def channels_per_flow(rate_hz: int, sample_bytes: int, packet_time_us: int, *, mtu_bytes: int = MTU_BYTES) -> int:
    """Most channels whose packet stays within AES67's 1440 bytes and the network's MTU; 0 when not even one does."""
    most = min(AES67_PAYLOAD_BYTES, mtu_bytes - IP_UDP_RTP_BYTES)
    return max(0, most // (sample_bytes * samples_per_packet(rate_hz, packet_time_us)))


def flow_sizes(channels: int, most_per_flow: int) -> tuple[int, ...]:
    """Channels split into the fewest flows, full ones first: 20 at 8 a flow gives 8, 8, 4."""
    if most_per_flow < 1:
        raise ArgumentInvalid("not one channel fits into a packet", now="Choose a shorter packet time")
    full, rest = divmod(channels, most_per_flow)
    return (most_per_flow,) * full + ((rest,) if rest else ())
