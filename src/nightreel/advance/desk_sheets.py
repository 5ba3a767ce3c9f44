"""The sheets for desk and stage: gestures, patch by line, by port and by stage box, exemptions, changes."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from itertools import groupby

from nightreel.advance.difference import Difference
from nightreel.advance.plan import Plan
from nightreel.advance.sheet import NOTHING, Sheet, port_text, span_text
from nightreel.show.model import AtSoundcheck, Line, Port

_SOCKET = re.compile(r"^(?P<box>.*?)[\s\-_.:/#]*(?P<number>\d+)$")
_MOST_IN_WORDS = 12  # gestures that may stand in words above the patch


def gesture_sheet(plan: Plan) -> Sheet:
    rows = tuple(
        (
            str(k),
            gesture.link,
            f"{gesture.way}s",
            span_text(gesture.first_port, gesture.count),
            span_text(gesture.first_line, gesture.count),
            str(gesture.count),
            "",
        )
        for k, gesture in enumerate(plan.gestures, 1)
    )
    if not plan.allocation.proven:
        note = f"{len(rows)} gestures; no plan needs more than {plan.allocation.cost - plan.allocation.bound} fewer."
    else:
        note = f"{len(rows)} gestures: no plan needs fewer."
    return Sheet(
        key="gestures",
        title="Gestures on the desk, in order",
        heads=("No.", "Link", "Way", "Ports", "Lines", "Count", "Done"),
        rows=rows,
        numeric=(0, 3, 4, 5),
        strong=(3, 4),
        note=note,
    )


def line_sheet(plan: Plan) -> Sheet:
    one = len(plan.links_used) == 1
    ports = tuple(f"{way} {plan.links_used[0]}" if one else way for way in ("Send", "Return"))
    tracks = {number: k for k, number in enumerate(sorted(plan.allocation.sends), 1)}
    check = {line.line: line.use for line in plan.check_lines}
    rows = tuple(
        (
            str(line.number),
            line.name,
            line.socket or NOTHING,
            _gain(line),
            "48 V" if line.phantom else "",
            _pair(line),
            *_ends(plan, line.number),
            str(tracks.get(line.number, NOTHING)),
            check[line.number].value if line.number in check else "left out",
            plan.evidence.path_known(line.number, plan.allocation.sends.get(line.number)),
            "",
        )
        for line in sorted(plan.show.lines, key=lambda x: x.number)
    )
    return Sheet(
        key="lines",
        title="Patch by line",
        note=_gestures_in_words(plan),
        heads=("Line", "Name", "Socket", "Gain dB", "Ph.", "Pair", *ports, "Track", "Soundcheck", "Path", "OK"),
        rows=rows,
        numeric=(0, 3, 5, 6, 7, 8),
        strong=(0, 6, 7),
    )


def port_sheets(plan: Plan) -> tuple[Sheet, ...]:
    """One a link: every port up to the last one that means something."""
    sheets = []
    sends = {port: number for number, port in plan.allocation.sends.items()}
    returns = {port: number for number, port in plan.allocation.returns.items()}
    for link in plan.show.links:
        offer = plan.offers.get(link.name)
        if offer is None:
            continue
        rows: list[tuple[int, str, str, str, str]] = []
        for number in range(1, max(offer.sends, offer.returns) + 1):
            port = Port(link=link.name, number=number)
            send = _port_use(plan, port, sends.get(port), number in link.sends_in_use, number <= offer.sends)
            back = _port_use(plan, port, returns.get(port), number in link.returns_in_use, number <= offer.returns)
            rows.append((number, *send, *back))
        sheets.append(
            Sheet(
                key=f"ports {link.name}",
                title=f"Patch by port: {link.name}",
                heads=("Port", "Send: line", "Name", "Return: line", "Name"),
                rows=_merge_alike(rows),
                numeric=(0, 1, 3),
                strong=(0,),
                note=f"{offer.sends} sends, {offer.returns} returns ({offer.known})",
            )
        )
    return tuple(sheets)


def box_sheets(plan: Plan) -> tuple[Sheet, ...]:
    """One a stage box: sockets in order, for the stage hand with the multicore."""
    boxes: dict[str, list[tuple[int, Line]]] = defaultdict(list)
    for line in plan.show.lines:
        match = _SOCKET.match(line.socket.strip())
        if match:
            boxes[match["box"].strip() or "Stage box"].append((int(match["number"]), line))
    return tuple(
        Sheet(
            key=f"box {box}",
            title=f"Patch by stage box: {box}",
            heads=("Socket", "Line", "Name", "Ph.", "Group", "Notes", "OK"),
            rows=tuple(
                (
                    str(number),
                    str(line.number),
                    line.name,
                    "48 V" if line.phantom else "",
                    line.group,
                    line.notes,
                    "",
                )
                for number, line in sorted(content, key=lambda item: (item[0], item[1].number))
            ),
            numeric=(0, 1),
            strong=(0,),
        )
        for box, content in sorted(boxes.items())
    )


def soundcheck_sheet(plan: Plan) -> Sheet:
    return Sheet(
        key="soundcheck",
        title="Exempt from the virtual soundcheck",
        heads=("Line", "Name", "Does", "Because", "Known"),
        rows=tuple(
            (str(c.line), c.name, c.use.value, c.reason, "entered" if c.entered else "assumed")
            for c in plan.check_lines
            if c.use is not AtSoundcheck.RETURNED
        ),
        numeric=(0,),
        strong=(0, 2),
        note=f"The other {sum(c.use is AtSoundcheck.RETURNED for c in plan.check_lines)} lines are returned.",
    )


def _port_use(plan: Plan, port: Port, line: int | None, in_use: bool, exists: bool) -> tuple[str, str]:
    if line is not None:
        found = plan.show.line(line)
        return str(line), found.name if found else ""
    if not exists:
        return NOTHING, "not there"
    return ("others", "in use") if in_use else ("free", "")


def _merge_alike(rows: Sequence[tuple[int, str, str, str, str]]) -> tuple[tuple[str, ...], ...]:
    """Ports without a line, side by side and alike, become one row."""
    merged: list[tuple[str, ...]] = []
    for (idle, _), group in groupby(rows, key=lambda row: (_is_idle(row), row[1:] if _is_idle(row) else row)):
        members = list(group)
        if idle:
            merged.append((span_text(members[0][0], len(members)), *members[0][1:]))
        else:
            merged.extend((str(row[0]), *row[1:]) for row in members)
    return tuple(merged)


def _is_idle(row: tuple[int, str, str, str, str]) -> bool:
    return not row[1].isdigit() and not row[3].isdigit()


def _gestures_in_words(plan: Plan) -> str:
    """``Sends 65-79 from lines 1-15; ...`` above the table, while that stays short."""
    if len(plan.gestures) > _MOST_IN_WORDS:
        return f"{len(plan.gestures)} gestures: see their own sheet."
    parts = []
    for way in ("send", "return"):
        those = [g for g in plan.gestures if g.way == way]
        word = "from" if way == "send" else "to"
        if those:
            spans = "; ".join(
                f"{g.link} {span_text(g.first_port, g.count)} {word} {span_text(g.first_line, g.count)}" for g in those
            )
            parts.append(f"{way.capitalize()}s: {spans}.")
    return " ".join(parts)


def _ends(plan: Plan, line: int) -> tuple[str, str]:
    """Send and return; where all are on one link, its name stands in the head and the cells hold numbers alone."""
    ends = (plan.allocation.sends.get(line), plan.allocation.returns.get(line))
    if len(plan.links_used) == 1:
        return tuple(NOTHING if port is None else str(port.number) for port in ends)  # type: ignore[return-value]
    return port_text(ends[0]), port_text(ends[1])


def _gain(line: Line) -> str:
    return "" if line.gain_db is None else f"{line.gain_db:g}"


def _pair(line: Line) -> str:
    if line.partner is None:
        return ""
    return f"L/{line.partner}" if line.number < line.partner else f"R/{line.partner}"


def change_sheets(difference: Difference, *, against: str) -> tuple[Sheet, ...]:
    """What differs from an older plan, and what to change on a desk that is patched already."""
    figures = Sheet(
        key="changes figures",
        title=f"What differs from {against}",
        heads=("Figure", "Before", "Now"),
        rows=difference.figures,
        strong=(2,),
    )
    gestures = Sheet(
        key="changes gestures",
        title=f"Gestures that lead there from {against}",
        heads=("No.", "Do", "Done"),
        rows=tuple((str(k), str(gesture), "") for k, gesture in enumerate(difference.gestures, 1)),
        numeric=(0,),
        note=difference.words + ".",
    )
    moves = Sheet(
        key="changes",
        title=f"Lines that differ from {against}",
        heads=("Line", "Name", "Way", "Before", "Now", "OK"),
        rows=tuple(
            (str(m.line), difference.names.get(m.line, ""), m.way, port_text(m.before), port_text(m.after), "")
            for m in difference.moves
        ),
        numeric=(0,),
        strong=(4,),
    )
    return tuple(sheet for sheet in (figures, gestures, moves) if sheet.rows)
