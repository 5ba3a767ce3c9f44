"""What a plan has to say beside its tables: what needs a look, with the remedy, and how sure each figure is."""

from __future__ import annotations

from nightreel.advance.capacity import exceeds_bound
from nightreel.advance.gestures import spans_of
from nightreel.advance.known import Figure, Known
from nightreel.advance.plan import Plan
from nightreel.show.model import LinkKind
from nightreel.units import Encoding, format_rate, format_size, format_time

_SIDES = {"l": "r", "r": "l", "left": "right", "right": "left"}


def list_figures(plan: Plan) -> tuple[Figure, ...]:
    """The figures that everything else hangs on, each with how it is known."""
    show, room = plan.show, plan.room
    found = [
        Figure(
            name="rate", text=format_rate(show.rate_hz), known=Known.ENTERED, source="show.toml", value=show.rate_hz
        ),
        Figure(name="length", text=format_time(plan.length_s), known=plan.length_known, source=plan.length_source),
    ]
    for name, offer in plan.offers.items():
        found.append(
            Figure(
                name=f"{name}: sends, returns",
                text=f"{offer.sends}, {offer.returns}",
                known=offer.known,
                source=offer.source,
            )
        )
    for name, value, unit in (
        ("take, exact", room.file_bytes, "bytes"),
        ("with margin", plan.room_with_margin.file_bytes, "bytes"),
        ("writing rate", room.bytes_per_s, "bytes/s"),
    ):
        found.append(
            Figure(
                name=name,
                text=f"{format_size(value)}{'/s' if unit == 'bytes/s' else ''}",
                known=plan.length_known if unit == "bytes" else Known.ENTERED,
                source="computed from rate, depth, lines" + (" and length" if unit == "bytes" else ""),
                value=value,
                unit=unit,
            )
        )
    margin = "margin" in plan.wishes.entered
    found.append(
        Figure(
            name="margin",
            text=f"{plan.wishes.margin:.0%}",
            known=Known.ENTERED if margin else Known.ASSUMED,
            source="[advance]" if margin else "ours: a fifth more than the show",
            value=plan.wishes.margin,
        )
    )
    return tuple(found)


def list_warnings(plan: Plan) -> tuple[str, ...]:
    """What needs a look, the gravest first."""
    show, allocation = plan.show, plan.allocation
    found = []
    if plan.choice.left_out:
        found.append(f"{len(plan.choice.left_out)} lines are left out, by priority: {spans_of(plan.choice.left_out)}")
    if not plan.choice.left_out and plan.spare < plan.wishes.spare:
        found.append(f"{plan.spare} ports stay free, {plan.wishes.spare} are wished for")
    missing = [link.name for link in show.links if link.name not in plan.offers]
    if missing:
        found.append(f"no capacity is stated at {format_rate(show.rate_hz)} for {', '.join(missing)}: it is not used")
    if allocation.without_return:
        found.append(f"no return is free for lines {spans_of(allocation.without_return)}: they stay live at soundcheck")
    if allocation.crossed:
        found.append(f"return and send differ in number for lines {spans_of(allocation.crossed)}: check these by ear")
    found.extend(_pair_warnings(plan))
    below = tuple(line.number for line in show.lines if line.gain_db is not None and line.gain_db < 0.0)
    if below:
        found.append(f"the preamp gain of lines {spans_of(below)} is below 0 dB: a pad, or a slip of the pen?")
    kinds = {link.name: link.kind for link in show.links}
    found.extend(
        f"{name}: {max(offer.sends, offer.returns)} channels are more than the {offer.bound} of "
        f"{'one endpoint of USB 2.0' if kinds[name] is LinkKind.USB else 'one Gigabit port'}: "
        "make sure that device and port are faster"
        for name, offer in plan.offers.items()
        if exceeds_bound(kinds[name], offer)
    )
    for medium in plan.media:
        if medium.fits is False:
            found.append(f"{medium.name}: {medium.words}")
    if not any(m.purpose != "primary" for m in show.media):
        found.append("no second drive: one failing drive would take the recording with it. Add a medium for the mirror")
    if show.encoding is Encoding.PCM16:
        found.append("16 bit gives headroom away: choose pcm24")
    used = {port.link for port in allocation.sends.values()}
    if len(used) > 1:
        found.append(f"{' and '.join(sorted(used))} have to run on one clock: set one as master and check for lock")
    found.extend(f"{network.link}: {words}" for network in plan.networks for words in network.warnings)
    return tuple(found)


def _pair_warnings(plan: Plan) -> list[str]:
    """Pairs that do not lie as pairs should, and lines that look like half of one."""
    lines = {line.number: line for line in plan.show.lines}
    sends = plan.allocation.sends
    kept: list[str] = []
    apart: list[str] = []
    for number in plan.allocation.split_pairs:
        partner = lines[number].partner
        names = f"{number} + {partner}"
        both = [lines[n] for n in (number, partner) if n is not None]
        (kept if all(line.send == sends[line.number] for line in both) else apart).append(names)
    found = []
    if kept:
        found.append(
            f"not on an odd port and the even one above it: pairs {', '.join(kept)}; the present patch is kept, "
            "--repatch makes it anew"
        )
    if apart:
        found.append(f"no odd port with a free even one above it is left for pairs {', '.join(apart)}")
    names_there = {line.name.lower() for line in plan.show.lines}
    for line in plan.show.lines:
        other = _other_side(line.name)
        if line.partner is None and other and (other in names_there or len(line.name.split()[-1]) == 1):
            found.append(f"line {line.number} '{line.name}' looks like one side of a pair but names no partner")
    return found


def _other_side(name: str) -> str | None:
    """``keys r`` for ``Keys L``; None for a name that ends in no side."""
    words = name.lower().split()
    if len(words) < 2 or words[-1] not in _SIDES:
        return None
    return " ".join((*words[:-1], _SIDES[words[-1]]))
