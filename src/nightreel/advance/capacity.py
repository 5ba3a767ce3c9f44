"""What each kind of link carries at each rate, with the source: a published figure, a bound, or what was entered.

The engineer's entry is the fact. The published figure fills in where nothing was entered, and where it is a bound of
the transport it also catches an entry that cannot be true.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from nightreel.advance import ethernet
from nightreel.advance.known import Known
from nightreel.show.model import Capacity, Link, LinkKind
from nightreel.units import format_rate

MICROFRAMES_PER_S = 8000
USB2_TRANSACTION_BYTES = 1024
USB2_TRANSACTIONS = 3
VIRTUAL_CARD_CHANNELS = {44_100: 64, 48_000: 64, 88_200: 32, 96_000: 32, 176_400: 16, 192_000: 16}
HARD_BOUNDS = frozenset({LinkKind.MADI})  # the others have faster successors under the same name
NETWORK_SHARE = 0.75  # of a Gigabit port that audio may take; the rest is for clock, control and bursts (ours)


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What a link carries each way at one rate, and how that is known. ``bound`` is the most its kind can carry."""

    sends: int
    returns: int
    known: Known
    source: str
    bound: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Transport:
    """Choices about the transports that no link states by itself.

    varispeed : AES10 with its +-12.5 % (56 and 28 channels) instead of nominal rates only (64 and 32)
    packet_time_us : AES67's nominal packet time
    """

    varispeed: bool = False
    packet_time_us: int = 1000
    mtu_bytes: int = ethernet.MTU_BYTES
    tagged: bool = False


def usb2_channels(rate_hz: int, slot_bytes: int, *, asynchronous: bool = True, transactions: int = 3) -> int:
    """Most channels one way through one isochronous endpoint of USB 2.0 high speed.

    A microframe moves at most ``transactions`` x 1024 bytes (USB 2.0, 5.6.3 and table 5-5). A device on a clock of its
    own (asynchronous) needs room for one frame more than the nominal count.
    """
    frames = -(-rate_hz // MICROFRAMES_PER_S)  # the fullest microframe
    if asynchronous and rate_hz % MICROFRAMES_PER_S == 0:
        frames += 1
    return USB2_TRANSACTION_BYTES * transactions // (frames * slot_bytes)


def madi_channels(rate_hz: int, *, varispeed: bool = False) -> int:
    """AES10: 64 (56 with varispeed) up to 48 kHz, half of that up to 96 kHz, a quarter up to 192 kHz."""
    at_48k = 56 if varispeed else 64
    return at_48k // (1 if rate_hz <= 48_000 else 2 if rate_hz <= 96_000 else 4)


def aes67_channels(rate_hz: int, transport: Transport, *, sample_bytes: int = 3) -> int:
    """Channels one way that a Gigabit port takes within ``NETWORK_SHARE``, in flows of at most 8 channels.

    Eight is what every AES67 receiver must take in one stream (AES67-2018, from memory).
    """
    most = ethernet.channels_per_flow(rate_hz, sample_bytes, transport.packet_time_us, mtu_bytes=transport.mtu_bytes)
    size = min(8, most)
    if rate_hz not in ethernet.AES67_RATES_HZ or size < 1:
        return 0
    flow = ethernet.Flow(
        channels=size,
        rate_hz=rate_hz,
        sample_bytes=sample_bytes,
        samples=ethernet.samples_per_packet(rate_hz, transport.packet_time_us),
        tagged=transport.tagged,
    )
    return size * int(NETWORK_SHARE * ethernet.GIGABIT / flow.wire_bits_per_s)


def offer_of(link: Link, rate_hz: int, transport: Transport) -> Offer | None:
    """What ``link`` carries at a rate; None where neither an entry nor a published figure says."""
    published = published_offer(link.kind, rate_hz, transport)
    entered = link.capacity.get(rate_hz)
    if entered is not None:
        source = "the show's document"
        if published and published.bound is not None:
            source += f"; at most {published.bound} by {published.source}"
        return Offer(
            sends=entered.sends,
            returns=entered.returns,
            known=Known.ENTERED,
            source=source,
            bound=published.bound if published else None,
        )
    faster = [capacity for rate, capacity in sorted(link.capacity.items()) if rate > rate_hz]
    if faster:  # what a device carries at one rate it carries at a lower one
        return Offer(
            sends=faster[0].sends, returns=faster[0].returns, known=Known.ASSUMED, source="as entered for a higher rate"
        )
    slower = [capacity for rate, capacity in sorted(link.capacity.items()) if rate < rate_hz]
    if link.kind is LinkKind.ANALOGUE and slower:
        source = "analogue lines do not depend on the rate"
        return Offer(sends=slower[-1].sends, returns=slower[-1].returns, known=Known.ASSUMED, source=source)
    if published is None or published.sends == published.returns == 0:
        return None
    # A device with fewer channels than its transport never has more at a higher rate.
    return Offer(
        sends=min(published.sends, slower[-1].sends) if slower else published.sends,
        returns=min(published.returns, slower[-1].returns) if slower else published.returns,
        known=Known.ASSUMED,
        source=published.source,
        bound=published.bound,
    )


def published_offer(kind: LinkKind, rate_hz: int, transport: Transport) -> Offer | None:
    """The figure of the kind alone; None for kinds whose capacity only the device knows."""
    if kind is LinkKind.MADI:
        channels = madi_channels(rate_hz, varispeed=transport.varispeed)
        how = "with varispeed" if transport.varispeed else "at nominal rate"
        return _both(channels, f"AES10 ({how})", bound=channels)
    if kind is LinkKind.AES3:
        return _both(2, "AES3: two channels a line", bound=None)
    if kind is LinkKind.USB:
        # Devices carry far fewer than the bus could: 18 each way is common on desks.
        bound = usb2_channels(rate_hz, 3)
        practice = 18 if rate_hz <= 48_000 else 0
        source = "USB 2.0, 5.6.3 (bound); 18 each way at 48 kHz is common practice, no published source"
        return Offer(sends=practice, returns=practice, known=Known.ASSUMED, source=source, bound=bound)
    if kind is LinkKind.AES67:
        channels = aes67_channels(rate_hz, transport)
        return _both(channels, f"AES67 and IEEE 802.3 ({NETWORK_SHARE:.0%} of a Gigabit port)", bound=channels)
    if kind is LinkKind.VIRTUAL_CARD:
        return _both(
            VIRTUAL_CARD_CHANNELS.get(rate_hz, 0),
            "64 at 48 kHz, 32 at 96 kHz: common practice, no published source",
            bound=None,
        )
    return None


def exceeds_bound(kind: LinkKind, offer: Offer) -> bool:
    """More than the usual form of the transport carries: possible (USB 3, 10 Gigabit), but worth a look."""
    return kind not in HARD_BOUNDS and offer.bound is not None and max(offer.sends, offer.returns) > offer.bound


def find_contradictions(links: Sequence[Link], transport: Transport) -> tuple[str, ...]:
    """Entries that cannot be true, one sentence each with the remedy."""
    problems = []
    for link in links:
        for rate_hz, capacity in sorted(link.capacity.items()):
            published = published_offer(link.kind, rate_hz, transport)
            more = max(capacity.sends, capacity.returns)
            if min(capacity.sends, capacity.returns) < 0:
                problems.append(f"link '{link.name}': a negative number of channels at {format_rate(rate_hz)}")
            elif link.kind in HARD_BOUNDS and published and published.bound is not None and more > published.bound:
                problems.append(
                    f"link '{link.name}': {more} channels at {format_rate(rate_hz)} are more than the "
                    f"{published.bound} that {published.source} allows: enter what the device really has"
                )
        most = Capacity(
            sends=max((c.sends for c in link.capacity.values()), default=0),
            returns=max((c.returns for c in link.capacity.values()), default=0),
        )
        for way, in_use, channels in (
            ("send", link.sends_in_use, most.sends),
            ("return", link.returns_in_use, most.returns),
        ):
            outside = sorted(n for n in in_use if not 1 <= n <= channels)
            if link.capacity and outside:
                problems.append(
                    f"link '{link.name}': {way} {outside[0]} is marked as in use, but the link's {way}s are "
                    f"1 to {channels}: correct the list of ports in use or the capacity"
                )
    return tuple(problems)


def _both(channels: int, source: str, *, bound: int | None) -> Offer:
    return Offer(sends=channels, returns=channels, known=Known.ASSUMED, source=source, bound=bound)
