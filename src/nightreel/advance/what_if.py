"""What if: the show and the wishes with some things changed, and the two plans side by side. Nothing is written."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from dataclasses import replace

from nightreel.advance.choose import units_of
from nightreel.advance.difference import Difference, compare_plans
from nightreel.advance.evidence import Evidence
from nightreel.advance.plan import Plan
from nightreel.advance.planning import make_plan
from nightreel.advance.wishes import Wishes
from nightreel.errors import ArgumentInvalid
from nightreel.show.fields import FieldInvalid, read_ports
from nightreel.show.model import Line, Link, Port, Show
from nightreel.units import RATES_HZ, Encoding, parse_length_s

MOST_LINES = 4096

Change = Callable[[Show, Wishes, str], tuple[Show, Wishes]]


def what_if(
    show: Show, wishes: Wishes, changes: Sequence[str], *, keep: bool = True, evidence: Evidence | None = None
) -> tuple[Plan, Plan, Difference]:
    """The plan as it stands, the plan with the changes, and the difference.

    changes : ``thing=value``, see :data:`THINGS`. Raises ArgumentInvalid that names the change.
    """
    now = make_plan(show, wishes, keep=keep, evidence=evidence)
    changed, asked = now.patched, wishes
    for text in changes:
        changed, asked = _apply(changed, asked, text)
    then = make_plan(changed, asked, keep=keep, evidence=evidence)
    return now, then, compare_plans(now, then)


def _apply(show: Show, wishes: Wishes, text: str) -> tuple[Show, Wishes]:
    name, equals, value = text.partition("=")
    name, value = name.strip().lower(), value.strip()
    if not equals or not value:
        raise ArgumentInvalid(f"'{text}' is no change", now="Write thing=value, such as rate=96000 or lines=+6")
    if name not in THINGS:
        near = difflib.get_close_matches(name, THINGS, n=1)
        raise ArgumentInvalid(
            f"'{name}' cannot be changed",
            now=f"Is '{near[0]}' meant?" if near else f"Choose one of {', '.join(THINGS)}",
        )
    try:
        return THINGS[name](show, wishes, value)
    except ArgumentInvalid as error:
        raise ArgumentInvalid(error.what, where=f"--what-if {text}", now=error.now) from error


def _rate(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    digits = value.lower().removesuffix("hz").strip()
    hz = digits.removesuffix("k").strip()
    try:
        rate_hz = round(float(hz) * (1000 if digits.endswith("k") or float(hz) < 1000 else 1))
    except ValueError:
        rate_hz = 0
    if rate_hz not in RATES_HZ:
        raise ArgumentInvalid(f"'{value}' is no sample rate", now=f"Choose one of {', '.join(map(str, RATES_HZ))}")
    return _with(show, rate_hz=rate_hz), wishes


def _lines(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    count = _whole(value.removeprefix("+"))
    if value.startswith("+"):
        if count > MOST_LINES:
            raise ArgumentInvalid(f"{count} more lines are more than any desk has", now=f"Give at most {MOST_LINES}")
        first = max((line.number for line in show.lines), default=0) + 1
        more = tuple(Line(number=first + k, name=f"More {k + 1}") for k in range(count))
        return _with(show, lines=(*show.lines, *more)), wishes
    if not value.startswith("-"):
        raise ArgumentInvalid(f"'{value}' does not say more or fewer", now="Write lines=+6 or lines=-4")
    # The least important go first, and a pair goes whole.
    gone: set[int] = set()
    for unit in sorted(units_of(show.lines), key=lambda u: (-min(x.priority for x in u.lines), -u.lines[0].number)):
        if len(gone) + unit.size <= -count:
            gone.update(unit.numbers)
    if len(gone) == len(show.lines):
        raise ArgumentInvalid("that would leave no line at all", now=f"The show has {len(show.lines)} lines")
    return _with(show, lines=tuple(line for line in show.lines if line.number not in gone)), wishes


def _length(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    return show, replace(wishes, length_s=parse_length_s(value))


def _depth(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    names = {"16": Encoding.PCM16, "24": Encoding.PCM24, "32": Encoding.FLOAT32}
    try:
        encoding = names.get(value) or Encoding(value)
    except ValueError:
        raise ArgumentInvalid(
            f"'{value}' is no depth", now=f"Choose one of 16, 24, 32, {', '.join(Encoding)}"
        ) from None
    return _with(show, encoding=encoding), wishes


def _without(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    if show.link(value) is None:
        raise ArgumentInvalid(
            f"the show has no link '{value}'", now=f"Links: {', '.join(link.name for link in show.links)}"
        )
    return _with(show, links=tuple(link for link in show.links if link.name != value)), wishes


def _spare(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    return show, replace(wishes, spare=_whole(value))


def _margin(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    try:
        share = float(value.removesuffix("%")) / (100 if value.endswith("%") else 1)
    except ValueError:
        raise ArgumentInvalid(f"'{value}' is no share", now="Write margin=0.3 or margin=30%") from None
    return show, replace(wishes, margin=share)


def _packet(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    time_us = round(parse_packet_us(value))
    return show, replace(wishes, transport=replace(wishes.transport, packet_time_us=time_us))


def _redundant(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    return show, replace(wishes, network=replace(wishes.network, redundant=_yes(value)))


def _varispeed(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    return show, replace(wishes, transport=replace(wishes.transport, varispeed=_yes(value)))


def take_ports(show: Show, value: str) -> Show:
    """The show with other ports in use by others, both ways: ``net:1-70, 90``, or ``net:none``.

    Lines that had one of them lose it and wait for the plan. Raises ArgumentInvalid.
    """
    name, colon, ports = value.rpartition(":")
    link = show.link(name.strip())
    if not colon or link is None:
        known = ", ".join(x.name for x in show.links) or "none"
        raise ArgumentInvalid(f"'{value}' names no link of the show", now=f"Write link:1-64; links: {known}")
    try:
        numbers = frozenset[int]() if ports.strip().lower() == "none" else read_ports(ports)
    except FieldInvalid as error:
        raise ArgumentInvalid(str(error)) from error
    changed = replace(link, sends_in_use=numbers, returns_in_use=numbers)
    return _with(show, links=tuple(changed if x is link else x for x in show.links))


def _others(show: Show, wishes: Wishes, value: str) -> tuple[Show, Wishes]:
    return take_ports(show, value), wishes


THINGS: dict[str, Change] = {
    "rate": _rate,
    "depth": _depth,
    "lines": _lines,
    "length": _length,
    "without": _without,
    "others": _others,
    "spare": _spare,
    "margin": _margin,
    "packet": _packet,
    "redundant": _redundant,
    "varispeed": _varispeed,
}


def parse_packet_us(value: str) -> float:
    """``1ms``, ``125us`` or a bare number of microseconds."""
    text = value.lower().replace(" ", "")
    try:
        if text.endswith("ms"):
            return float(text[:-2]) * 1000
        return float(text.removesuffix("us"))
    except ValueError:
        raise ArgumentInvalid(f"'{value}' is no packet time", now="Write packet=1ms or packet=125us") from None


def _with(show: Show, **changes: object) -> Show:
    """The changed show, without the ports that do not exist any more there."""
    links: tuple[Link, ...] = changes.get("links", show.links)  # type: ignore[assignment]
    rate_hz: int = changes.get("rate_hz", show.rate_hz)  # type: ignore[assignment]
    lines: tuple[Line, ...] = changes.get("lines", show.lines)  # type: ignore[assignment]
    here = {link.name: link for link in links}

    def still(port: Port | None, way: str) -> Port | None:
        link = here.get(port.link) if port is not None else None
        capacity = link.capacity.get(rate_hz) if link is not None else None
        if port is None or link is None or capacity is None:
            return None
        in_use = link.sends_in_use if way == "sends" else link.returns_in_use
        return port if port.number <= getattr(capacity, way) and port.number not in in_use else None

    kept = tuple(
        replace(line, send=still(line.send, "sends"), return_port=still(line.return_port, "returns")) for line in lines
    )
    return replace(show, **{**changes, "lines": kept})  # type: ignore[arg-type]


def _whole(value: str) -> int:
    try:
        return int(value)
    except ValueError:
        raise ArgumentInvalid(f"'{value}' is not a whole number") from None


def _yes(value: str) -> bool:
    if value.lower() not in ("yes", "no", "true", "false", "on", "off"):
        raise ArgumentInvalid(f"'{value}' is neither yes nor no")
    return value.lower() in ("yes", "true", "on")
