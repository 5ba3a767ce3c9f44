"""The plan in a few words: the verdict, the facts of the first page, the terminal's one screen."""

from __future__ import annotations

import textwrap

from nightreel.advance.options import explain
from nightreel.advance.plan import Plan
from nightreel.show.model import AtSoundcheck
from nightreel.units import format_rate, format_size, format_time

COLUMNS = 100


def verdict_of(plan: Plan) -> str:
    """One sentence: does it all fit, and over what."""
    lines, carried = len(plan.show.lines), len(plan.choice.carried)
    links = " and ".join(dict.fromkeys(port.link for port in plan.allocation.sends.values())) or "no link"
    if plan.choice.left_out:
        return f"{len(plan.choice.left_out)} of {lines} lines do not fit: {carried} are carried over {links}."
    tail = f"{len(plan.gestures)} gestures patch the desk."
    return f"All {lines} lines fit over {links}, {plan.spare} ports to spare; {tail}"


def summary_facts(plan: Plan) -> tuple[tuple[str, str, str], ...]:
    """Name, value and how it is known."""
    show, demand = plan.show, plan.demand
    entered = "entered"
    needs = f"{demand.music} music (with {demand.stereo_pairs} stereo pairs)"
    for count, word in (
        (demand.ambience, "ambience"),
        (demand.timecode, "timecode"),
        (demand.other, "other"),
        (demand.spare, "spare"),
    ):
        needs += f", {count} {word}" if count else ""
    facts = [
        ("Place and date", ", ".join(filter(None, (show.place, str(show.date or "")))) or "not entered", ""),
        ("Format", f"{format_rate(show.rate_hz)}, {show.encoding.value}", entered),
        ("Ports needed", f"{demand.ports}: {needs}", entered),
        ("Length", format_time(plan.length_s), f"{plan.length_known}: {plan.length_source}"),
        (
            "Storage",
            f"{format_size(plan.room.file_bytes)}, with {plan.wishes.margin:.0%} margin "
            f"{format_size(plan.room_with_margin.file_bytes)}; {plan.room.gb_per_hour:.1f} GB an hour",
            f"computed; length {plan.length_known}",
        ),
    ]
    for name, offer in plan.offers.items():
        facts.append(
            (f"Link {name}", f"{offer.sends} sends, {offer.returns} returns", f"{offer.known}: {offer.source}")
        )
    for network in plan.networks:
        load = max((p for p in network.loads if p.flows), key=lambda p: p.bits_per_s, default=None)
        if load is not None:
            ms = network.link_offset_frames * 1000 / show.rate_hz
            twice = ", all of it on a second network too" if network.redundant else ""
            facts.append(
                (
                    f"Network {network.link}",
                    f"{len(network.flows)} flows, {load.bits_per_s / 1e6:.1f} Mbit/s {load.where}{twice}; link offset "
                    f"{network.link_offset_frames} frames ({ms:.2f} ms)",
                    "computed; delay and jitter assumed",
                )
            )
    returned = sum(c.use is AtSoundcheck.RETURNED for c in plan.check_lines)
    facts.append(("Soundcheck", f"{returned} lines returned, {len(plan.check_lines) - returned} exempt", ""))
    if (end := load_out(plan)) is not None:
        facts.append(("Load-out", end, "assumes copies at the stated rates"))
    return tuple(facts)


def load_out(plan: Plan) -> str | None:
    """When the last copy is read back, where the start of the show is known."""
    copies = [m.copy.total_s for m in plan.media if m.purpose not in ("primary", "mirror")]
    seconds = max(copies, default=max((m.copy.total_s for m in plan.media), default=0.0))
    if not seconds:
        return None
    words = f"copied and read back {format_time(seconds)} after the last note"
    if plan.wishes.starts_at_min is not None:
        minutes = plan.wishes.starts_at_min + round((plan.length_s + seconds) / 60)
        words += f", at about {minutes // 60 % 24:02d}:{minutes % 60:02d}"
    return words


def screen(plan: Plan, *, folder: str = "") -> str:
    """The verdict on one screen, at most 100 columns."""
    out = [verdict_of(plan), ""]
    width = max(len(name) for name, _, _ in summary_facts(plan))
    for name, value, known in summary_facts(plan):
        out.extend(wrapped(f"{value}  [{known}]" if known else value, f"  {name:<{width}}  "))
    out += ["", *wrapped(explain(plan.options), "")]
    out += ["", "Gestures, in order:"]
    shown = plan.gestures[:14]
    out += [f"  {k:>3}. {gesture}" for k, gesture in enumerate(shown, 1)]
    if len(plan.gestures) > len(shown):
        out.append(f"       and {len(plan.gestures) - len(shown)} more, on the sheet")
    if not plan.allocation.proven:
        out.append(f"       (no plan needs more than {plan.allocation.cost - plan.allocation.bound} fewer)")
    if plan.allocation.moves and any(m.before for m in plan.allocation.moves):
        moved = len(plan.allocation.moved_lines)
        out.append(f"Against the present patch: {len(plan.allocation.change_gestures)} gestures, {moved} lines moved.")
    if plan.warnings:
        out += ["", "Look at:"]
        for words in plan.warnings:
            out.extend(wrapped(words, "  - "))
    if plan.suggestions:
        out += ["", "What would make room:"]
        for suggestion in plan.suggestions:
            out.extend(wrapped(str(suggestion), "  - "))
    if folder:
        out += ["", f"Sheets: {folder}"]
    return "\n".join(out)


def wrapped(text: str, lead: str) -> list[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent=lead, subsequent_indent=" " * len(lead)) or [lead]
