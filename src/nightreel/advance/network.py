"""The network plan: flows, their addresses, the load of each switch port; latency from stage to track and back.

Sources: AES67-2018 (packet times, 1440 bytes, eight channels a stream, DSCP; from memory), IEEE 802.3 and RFC 791, 768,
3550 (framing), RFC 2365 (239/8), RFC 1112 6.4 (multicast to Ethernet), RFC 2597 and 3246 (DSCP 34 and 46).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from ipaddress import IPv4Address, IPv4Network

from nightreel.advance import ethernet
from nightreel.advance.wishes import Network, Wishes
from nightreel.errors import ArgumentInvalid
from nightreel.show.model import Link
from nightreel.units import Encoding

ADMINISTRATIVE = IPv4Network("239.0.0.0/8")
MEDIA_DSCP = 34  # AF41
CLOCK_DSCP = 46  # EF
SECOND_NETWORK_STEP = 1 << 16  # the same flow on the second network has the second octet raised by one
DEVICE_FRAMES = 64  # converter and driver, each way, where nothing is measured (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkFlow:
    """One stream: ``first_port`` to ``last_port`` of the link, on a multicast address (and one more when redundant)."""

    way: str  # 'send' (desk to computer) or 'return'
    first_port: int
    last_port: int
    address: str
    second_address: str
    ethernet_address: str
    port: int
    flow: ethernet.Flow

    @property
    def name(self) -> str:
        return f"{self.way}s {self.first_port}-{self.last_port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PortLoad:
    """What one switch port carries in one direction."""

    where: str
    flows: int
    bits_per_s: float
    share: float  # of 1 Gbit/s


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stretch of the way with its delay in frames."""

    name: str
    frames: int
    known: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkPlan:
    """``link_offset_frames`` is the receivers' setting, ``margin_frames`` what it leaves above the safe least."""

    link: str
    packet_us: int
    samples: int
    flows: tuple[NetworkFlow, ...]
    loads: tuple[PortLoad, ...]
    redundant: bool
    least_offset_frames: int
    link_offset_frames: int
    buffer_frames: int
    to_track: tuple[Stage, ...]
    and_back: tuple[Stage, ...]
    warnings: tuple[str, ...]

    @property
    def margin_frames(self) -> int:
        return self.link_offset_frames - self.least_offset_frames


def plan_network(
    link: Link, *, sends: Sequence[int], returns: Sequence[int], rate_hz: int, encoding: Encoding, wishes: Wishes
) -> NetworkPlan:
    """Flows for the used ports of an AES67 link; ports of others inside a flow ride along.

    Raises ArgumentInvalid for an address outside 239/8 or a packet time in which not one channel fits.
    """
    network, transport = wishes.network, wishes.transport
    sample_bytes = 2 if encoding is Encoding.PCM16 else 3
    samples = ethernet.samples_per_packet(rate_hz, transport.packet_time_us)
    most = ethernet.channels_per_flow(rate_hz, sample_bytes, transport.packet_time_us, mtu_bytes=transport.mtu_bytes)
    size = min(network.channels_per_flow, most)
    if size < 1:
        raise ArgumentInvalid(
            f"not one channel fits into a packet of {transport.packet_time_us} microseconds at {rate_hz} Hz",
            now="Choose a shorter packet time",
        )
    flows: list[NetworkFlow] = []
    for way, ports in (("send", sends), ("return", returns)):
        for first, last in _groups(ports, size):
            flow = ethernet.Flow(
                channels=last - first + 1,
                rate_hz=rate_hz,
                sample_bytes=sample_bytes,
                samples=samples,
                tagged=transport.tagged,
            )
            address = _address(network, len(flows))
            flows.append(
                NetworkFlow(
                    way=way,
                    first_port=first,
                    last_port=last,
                    address=str(address),
                    second_address=str(address + SECOND_NETWORK_STEP) if network.redundant else "",
                    ethernet_address=ethernet_group(address),
                    port=network.port,
                    flow=flow,
                )
            )
    packet = Fraction(samples, rate_hz)
    least = -(-(packet + Fraction(network.delay_us + network.jitter_us, 1_000_000)) * rate_hz // 1)
    chosen = round(network.link_offset_us * rate_hz / 1e6) if network.link_offset_us else _usual_offset(packet, rate_hz)
    loads = _loads(flows, redundant=network.redundant)
    to_track = (
        Stage(name="preamp and converter on stage", frames=DEVICE_FRAMES, known="assumed"),
        Stage(name="link offset: packet, network and buffer", frames=chosen, known=_how(wishes, "link_offset_us")),
    )
    and_back = (
        Stage(
            name="computer: one packet made ready",
            frames=samples,
            known="entered" if "packet_time_us" in wishes.entered else "assumed",
        ),
        Stage(name="link offset: packet, network and buffer", frames=chosen, known=_how(wishes, "link_offset_us")),
        Stage(name="desk input to channel", frames=DEVICE_FRAMES, known="assumed"),
    )
    return NetworkPlan(
        link=link.name,
        packet_us=transport.packet_time_us,
        samples=samples,
        flows=tuple(flows),
        loads=loads,
        redundant=network.redundant,
        least_offset_frames=int(least),
        link_offset_frames=chosen,
        buffer_frames=-(-min(20 * samples, rate_hz * 20 // 1000) // 1),
        to_track=to_track,
        and_back=and_back,
        warnings=tuple(_warnings(flows, loads, int(least), chosen, rate_hz)),
    )


def ethernet_group(address: IPv4Address) -> str:
    """01:00:5E and the low 23 bits (RFC 1112, 6.4): 32 groups share each Ethernet address."""
    low = int(address) & 0x7FFFFF
    return "01:00:5E:" + ":".join(f"{(low >> shift) & 0xFF:02X}" for shift in (16, 8, 0))


def _groups(ports: Sequence[int], size: int) -> list[tuple[int, int]]:
    """Flows begin at port 1, 1 + size, ...: a flow's place never depends on which of its ports are in use."""
    blocks = sorted({(port - 1) // size for port in ports})
    highest = max(ports, default=0)
    return [(block * size + 1, min((block + 1) * size, max(highest, block * size + 1))) for block in blocks]


def _address(network: Network, index: int) -> IPv4Address:
    try:
        first = IPv4Address(network.group)
        address = first + index
    except ValueError as error:
        raise ArgumentInvalid(f"'{network.group}' is no IPv4 address", now="Give one inside 239.0.0.0/8") from error
    second = address + (SECOND_NETWORK_STEP if network.redundant else 0)
    for each in (address, second):
        if each not in ADMINISTRATIVE:
            raise ArgumentInvalid(
                f"{each} is not a multicast address of 239.0.0.0/8 (RFC 2365)",
                now="Give a first one that leaves room inside 239.0.0.0/8",
            )
    return address


def _usual_offset(packet: Fraction, rate_hz: int) -> int:
    """Three packets, AES67's least for a receiver's buffer; with short packets never under a millisecond."""
    return int(-(-max(3 * packet, Fraction(1, 1000)) * rate_hz // 1))


def _loads(flows: Sequence[NetworkFlow], *, redundant: bool) -> tuple[PortLoad, ...]:
    found = []
    for where, way in (
        ("desk to switch", "send"),
        ("switch to computer", "send"),
        ("computer to switch", "return"),
        ("switch to desk", "return"),
    ):
        those = [f.flow for f in flows if f.way == way]
        bits = float(sum(flow.wire_bits_per_s for flow in those))
        found.append(PortLoad(where=where, flows=len(those), bits_per_s=bits, share=bits / ethernet.GIGABIT))
    if redundant:
        found.extend(
            PortLoad(
                where=f"{load.where}, second network", flows=load.flows, bits_per_s=load.bits_per_s, share=load.share
            )
            for load in tuple(found)
        )
    return tuple(found)


def _warnings(
    flows: Sequence[NetworkFlow], loads: Sequence[PortLoad], least: int, chosen: int, rate_hz: int
) -> list[str]:
    found = []
    if chosen < least:
        found.append(
            f"link offset {chosen} frames is below the {least} that packet, delay and jitter need: "
            "packets will come late"
        )
    for load in loads:
        if load.share > 0.7:
            found.append(f"{load.where}: {load.share:.0%} of the Gigabit, more than the 70 % one should plan to")
    if len({flow.ethernet_address for flow in flows}) < len(flows):
        found.append("two flows share one Ethernet group address: switches cannot tell them apart")
    if rate_hz not in ethernet.AES67_RATES_HZ:
        found.append(f"{rate_hz} Hz is not a rate of AES67")
    if len(flows) > 1:
        found.append("switch: IGMP snooping with a querier on, energy-efficient Ethernet off, DSCP trusted")
    return found


def _how(wishes: Wishes, name: str) -> str:
    return "entered" if f"network.{name}" in wishes.entered else "assumed"
