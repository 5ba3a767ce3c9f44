"""Every way to record the show: rate, depth and set of links, each with what it carries and why it would fail."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations

from nightreel.advance.capacity import Offer, offer_of
from nightreel.advance.choose import Choice, choose_lines
from nightreel.advance.evidence import Evidence
from nightreel.advance.known import Known
from nightreel.advance.storage import TrackFormat, compute_room
from nightreel.advance.wishes import Wishes
from nightreel.show.model import AtSoundcheck, Line, Link, Medium, Show
from nightreel.units import Encoding, format_rate, format_size

ALL_SUBSETS_UP_TO = 6  # links; beyond that singles, each prefix and all: 2^n options help nobody

DEPTHS: Mapping[Encoding, str] = {
    Encoding.PCM16: "16 bit",
    Encoding.PCM24: "24 bit",
    Encoding.PCM32: "32 bit",
    Encoding.FLOAT32: "32 bit float",
}
# Links carry 24 bit at most: wider files hold nothing more, narrower ones less.
_DEPTH_ORDER = {Encoding.PCM24: 0, Encoding.FLOAT32: 1, Encoding.PCM32: 1, Encoding.PCM16: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One way to record, judged.

    carried, left_out : line numbers; spare : free sends beyond those
    returns, returns_wanted : lines that get a return, and that should
    show_bytes : the whole show with the margin; known : the least sure of the capacities
    failures : why it is not enough, one clause each; empty when it does the whole job
    """

    rate_hz: int
    encoding: Encoding
    links: tuple[str, ...]
    devices: tuple[str, ...]
    carried: tuple[int, ...]
    left_out: tuple[int, ...]
    spare: int
    returns: int
    returns_wanted: int
    bytes_per_hour: int
    show_bytes: int
    known: Known
    failures: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return f"{format_rate(self.rate_hz)}, {DEPTHS[self.encoding]} over {' + '.join(self.links)}"


def list_options(
    show: Show, wishes: Wishes, *, length_s: float, evidence: Evidence | None = None
) -> tuple[Option, ...]:
    """Every option, the best first.

    Order: fewest lines left out; fewest returns missing; 16 bit only where nothing else is left; fewest other
    failures; the show's own rate and depth; 24 bit; 48 kHz; fewest links; most spare.
    """
    evidence = evidence or Evidence()
    rates_hz = sorted({*wishes.rates_hz, show.rate_hz})
    offers = {rate_hz: total_offer(show.links, rate_hz, wishes) for rate_hz in rates_hz}
    for name in evidence.devices:  # a device was asked at the show's rate only
        asked = evidence.offer(name, offers[show.rate_hz].get(name))
        if asked is not None:
            offers[show.rate_hz][name] = asked
    choose = cache(lambda sends: choose_lines(show.lines, sends))
    options = [
        _judge(show, wishes, offers[rate_hz], choose, rate_hz, encoding, links, length_s)
        for rate_hz in rates_hz
        for encoding in dict.fromkeys((*wishes.encodings, show.encoding))
        for links in _link_sets(show.links)
    ]
    return tuple(sorted(options, key=lambda option: _rank(show, option)))


def explain(options: Sequence[Option]) -> str:
    """Why the first option is the first, and what the nearest other rate would cost, in one sentence."""
    if not options:
        return "The show has no link yet: nothing can be recorded."
    best = options[0]
    lines = len(best.carried) + len(best.left_out)
    if best.left_out:
        text = f"{best.name} carries {len(best.carried)} of {lines} lines, more than any other option"
    else:
        text = f"{best.name} carries all {lines} lines with {best.spare} to spare"
    if best.failures and not best.left_out:
        text += f", but {best.failures[0]}"
    rates = [*(r for r in (96_000, 48_000) if r != best.rate_hz), *(o.rate_hz for o in options)]
    others = (o for r in rates for o in options if o.rate_hz == r != best.rate_hz and o.encoding == best.encoding)
    other = next(others, None)
    if other is not None and other.failures:
        text += f"; at {format_rate(other.rate_hz)} {other.failures[0]}"
    elif other is not None:
        ratio = other.bytes_per_hour / best.bytes_per_hour if best.bytes_per_hour else 1
        text += f"; {format_rate(other.rate_hz)} would do as well and take {ratio:.2g} times the room"
    return text + "."


def total_offer(links: Sequence[Link], rate_hz: int, wishes: Wishes) -> dict[str, Offer]:
    """What each link offers at a rate; links that offer nothing there are missing."""
    offers = {link.name: offer_of(link, rate_hz, wishes.transport) for link in links}
    return {name: offer for name, offer in offers.items() if offer is not None}


def free_ports(link: Link, offer: Offer) -> tuple[int, int]:
    """Free sends and returns of a link."""
    sends = offer.sends - sum(1 for n in link.sends_in_use if n <= offer.sends)
    returns = offer.returns - sum(1 for n in link.returns_in_use if n <= offer.returns)
    return sends, returns


def _link_sets(links: Sequence[Link]) -> list[tuple[Link, ...]]:
    if len(links) <= ALL_SUBSETS_UP_TO:
        return [subset for size in range(1, len(links) + 1) for subset in combinations(links, size)]
    singles = [(link,) for link in links]
    return [*singles, *(tuple(links[:k]) for k in range(2, len(links) + 1))]


def _judge(
    show: Show,
    wishes: Wishes,
    offers: Mapping[str, Offer],
    choose: Callable[[int], Choice],
    rate_hz: int,
    encoding: Encoding,
    links: tuple[Link, ...],
    length_s: float,
) -> Option:
    failures = [f"{link.name} states no capacity" for link in links if link.name not in offers]
    free = [free_ports(link, offers[link.name]) for link in links if link.name in offers]
    sends, returns = sum(s for s, _ in free), sum(r for _, r in free)
    choice = choose(max(0, sends))
    numbers = set(choice.carried)
    carried: list[Line] = [line for line in show.lines if line.number in numbers]
    wanted = [line for line in carried if line.soundcheck_use is AtSoundcheck.RETURNED]
    spare = sends - len(carried)
    if choice.left_out:
        failures.append(f"{len(choice.left_out)} lines stay out: {len(show.lines)} lines, {max(0, sends)} free sends")
    elif spare < wishes.spare:
        failures.append(f"{spare} spare ports where {wishes.spare} are wished for")
    if len(wanted) > returns:
        failures.append(f"{len(wanted) - returns} lines find no return for the soundcheck")
    format = TrackFormat(rate_hz=rate_hz, encoding=encoding)
    tracks = max(1, len(carried))
    room = compute_room(format, tracks=tracks, length_s=length_s * (1 + wishes.margin))
    per_hour = tracks * format.bytes_per_s * 3600
    failures.extend(_media_failures(show.media, room.file_bytes, room.bytes_per_s))
    notes = []
    if len(links) > 1:
        notes.append("several links have to run on one clock")
    if encoding is Encoding.PCM16:
        notes.append("16 bit gives headroom away that a live take needs")
    if encoding in (Encoding.FLOAT32, Encoding.PCM32):
        notes.append("links carry 24 bit: the wider file holds nothing more")
    return Option(
        rate_hz=rate_hz,
        encoding=encoding,
        links=tuple(link.name for link in links),
        devices=tuple(link.device or "not chosen yet" for link in links),
        carried=choice.carried,
        left_out=choice.left_out,
        spare=spare,
        returns=min(len(wanted), returns),
        returns_wanted=len(wanted),
        bytes_per_hour=per_hour,
        show_bytes=room.file_bytes,
        known=min(
            (offers[link.name].known for link in links if link.name in offers),
            key=list(Known).index,
            default=Known.ASSUMED,
        ),
        failures=tuple(failures),
        notes=tuple(notes),
    )


def _media_failures(media: Sequence[Medium], show_bytes: int, bytes_per_s: int) -> list[str]:
    found = []
    for medium in media:
        if medium.size_bytes is not None and medium.size_bytes < show_bytes:
            found.append(
                f"{medium.name} holds {format_size(medium.size_bytes)}, the show with its margin needs "
                f"{format_size(show_bytes)}"
            )
        if medium.write_bytes_per_s is not None and medium.write_bytes_per_s < 2 * bytes_per_s:
            found.append(
                f"{medium.name} writes {format_size(medium.write_bytes_per_s)}/s, less than twice the "
                f"{format_size(bytes_per_s)}/s of the take"
            )
    return found


def _rank(show: Show, option: Option) -> tuple[object, ...]:
    return (
        len(option.left_out),
        option.returns_wanted - option.returns,
        option.encoding is Encoding.PCM16 and show.encoding is not Encoding.PCM16,
        len(option.failures),
        option.rate_hz != show.rate_hz,
        option.encoding != show.encoding,
        _DEPTH_ORDER[option.encoding],
        option.rate_hz != 48_000,
        len(option.links),
        -option.spare,
        option.rate_hz,
        option.links,
    )
