"""The plan as sheets: titled tables of plain text, the same for PDF, HTML and CSV."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from nightreel.advance.difference import Difference
from nightreel.advance.network import Stage
from nightreel.advance.plan import Plan
from nightreel.advance.storage import FILE_SYSTEMS, compute_growth
from nightreel.show.model import AtSoundcheck, Line, Port
from nightreel.units import format_size, format_time

_SOCKET = re.compile(r"^(?P<box>.*?)[\s\-_.:/#]*(?P<number>\d+)$")
NOTHING = "–"
_MOST_IN_WORDS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One table. ``numeric`` columns are right-aligned, ``strong`` ones set in bold."""

    key: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()
    strong: tuple[int, ...] = ()
    note: str = ""


def all_sheets(plan: Plan) -> tuple[Sheet, ...]:
    """In the order in which they are printed; empty ones are left out."""
    sheets = (
        gesture_sheet(plan),
        line_sheet(plan),
        *port_sheets(plan),
        *box_sheets(plan),
        soundcheck_sheet(plan),
        *network_sheets(plan),
        option_sheet(plan),
        media_sheet(plan),
        limit_sheet(plan),
        time_left_sheet(plan),
        figure_sheet(plan),
    )
    return tuple(sheet for sheet in sheets if sheet.rows)


def gesture_sheet(plan: Plan) -> Sheet:
    rows = tuple(
        (
            str(k),
            gesture.link,
            f"{gesture.way}s",
            _span(gesture.first_port, gesture.count),
            _span(gesture.first_line, gesture.count),
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


def network_sheets(plan: Plan) -> tuple[Sheet, ...]:
    sheets = []
    for network in plan.networks:
        ms = 1000 / plan.show.rate_hz
        heads: tuple[str, ...] = ("Flow", "Ports", "Group", "Port", "Ch.", "Mbit/s", "Packets/s", "DSCP")
        if network.redundant:
            heads = (*heads[:3], "Second network", *heads[3:])
        rows: list[tuple[str, ...]] = []
        for k, flow in enumerate(network.flows, 1):
            row = [
                str(k),
                f"{flow.way}s {_span(flow.first_port, flow.last_port - flow.first_port + 1)}",
                flow.address,
                str(flow.port),
                str(flow.flow.channels),
                f"{float(flow.flow.wire_bits_per_s) / 1e6:.3f}",
                f"{float(flow.flow.packets_per_s):g}",
                "34 (AF41)",
            ]
            rows.append(tuple([*row[:3], flow.second_address, *row[3:]] if network.redundant else row))
        sheets.append(
            Sheet(
                key=f"flows {network.link}",
                title=f"Network flows: {network.link}",
                heads=heads,
                rows=tuple(rows),
                numeric=tuple(range(len(heads) - 5, len(heads) - 1)),
                strong=(1, 2),
                note=f"{network.samples} samples a packet ({network.samples * ms:.3f} ms). Clock: DSCP 46 (EF).",
            )
        )
        loads = [
            (load.where, str(load.flows), f"{load.bits_per_s / 1e6:.3f}", f"{load.share:.1%}")
            for load in network.loads
            if load.flows
        ]
        sheets.append(
            Sheet(
                key=f"loads {network.link}",
                title=f"Load of the switch ports: {network.link}",
                heads=("Port", "Flows", "Mbit/s", "Of 1 Gbit/s"),
                rows=tuple(loads),
                numeric=(1, 2, 3),
            )
        )
        sheets.append(
            Sheet(
                key=f"latency {network.link}",
                title=f"From stage to track and back: {network.link}",
                heads=("Way", "Stretch", "Frames", "ms", "Known"),
                rows=tuple(
                    (way, stage.name, str(stage.frames), f"{stage.frames * ms:.3f}", stage.known)
                    for way, stages in (("to track", network.to_track), ("and back", network.and_back))
                    for stage in (*stages, _total(stages))
                ),
                numeric=(2, 3),
                note=(
                    f"Link offset {network.link_offset_frames} frames: the least is {network.least_offset_frames}, "
                    f"{network.margin_frames} in reserve. Receiver buffer: {network.buffer_frames} frames or more."
                ),
            )
        )
    return tuple(sheets)


def option_sheet(plan: Plan, *, most: int = 8) -> Sheet:
    """The best ones, and of every rate that is not among them the best with what speaks against it."""
    shown = list(plan.options[:most])
    for option in plan.options[most:]:
        if all(option.rate_hz != other.rate_hz for other in shown):
            shown.append(option)
    return Sheet(
        key="options",
        title="Options, the best first",
        heads=("Option", "Lines", "Spare", "Returns", "GB/h", "With margin", "Known", "What speaks against it"),
        rows=tuple(
            (
                option.name,
                f"{len(option.carried)} of {len(option.carried) + len(option.left_out)}",
                str(option.spare),
                f"{option.returns} of {option.returns_wanted}",
                f"{option.bytes_per_hour / 1e9:.1f}",
                format_size(option.show_bytes),
                option.known.value,
                "; ".join(option.failures or option.notes) or "nothing",
            )
            for option in shown
        ),
        numeric=(1, 2, 3, 4, 5),
        note=f"{len(plan.options)} options were judged: every rate, depth and set of links.",
    )


def media_sheet(plan: Plan) -> Sheet:
    return Sheet(
        key="media",
        title="Drives",
        heads=("Drive", "For", "File system", "Size", "Holds", "Writes/s", "Copy", "Read back", "Verdict"),
        rows=tuple(
            (
                m.name,
                m.purpose,
                m.file_system or NOTHING,
                format_size(m.size_bytes) if m.size_bytes else NOTHING,
                format_time(m.seconds) if m.seconds is not None else NOTHING,
                f"{format_size(m.rate_bytes_per_s)} ({m.known})" if m.rate_bytes_per_s else "not measured",
                format_time(m.copy.copy_s),
                format_time(m.copy.verify_s),
                m.words,
            )
            for m in plan.media
        ),
        numeric=(3, 4, 6, 7),
        strong=(0,),
        note=f"The take writes {format_size(plan.room.bytes_per_s)}/s; the show is {plan.room.file_bytes:,} bytes.",
    )


def limit_sheet(plan: Plan) -> Sheet:
    """When a track of this plan meets the limit of each file system, and how many files a track then has."""
    format = plan.track_format
    (riff,) = compute_growth(format, length_s=plan.length_s, file_system=None)
    rows = [("RIFF", format_time(riff.seconds), "1", "passed in place: the file goes on as RF64 (EBU Tech 3306)")]
    for system in FILE_SYSTEMS:
        found = next(
            (g for g in compute_growth(format, length_s=plan.length_s, file_system=system) if g.name == system.name),
            None,
        )
        words = "; ".join(filter(None, (system.source, system.advice)))
        if found is None:
            rows.append((system.name, "when the drive is full", "1", words))
        else:
            rows.append((system.name, _long_time(found.seconds), str(found.segments), words))
    return Sheet(
        key="limits",
        title="When a track meets a limit",
        heads=("Limit", "After", "Files a track", "From"),
        rows=tuple(rows),
        numeric=(1, 2),
        strong=(0,),
        note=f"One track at {format.rate_hz / 1000:g} kHz, {format.encoding.value}: {format.bytes_per_s:,} bytes/s.",
    )


def time_left_sheet(plan: Plan) -> Sheet:
    """Recording time by room left on the drive, for the number to write on the gaffer tape."""
    if not plan.room.tracks:
        return Sheet(key="time left", title="Recording time left", heads=(), rows=())
    rates = sorted({48_000, 96_000, plan.show.rate_hz})
    rows = []
    for gigabytes in (16, 32, 64, 128, 256, 512, 1000, 2000, 4000):
        row = [f"{gigabytes} GB"]
        for rate in rates:
            bytes_per_s = plan.room.tracks * rate * plan.show.encoding.sample_bytes
            row.append(format_time(gigabytes * 10**9 // bytes_per_s))
        rows.append(tuple(row))
    return Sheet(
        key="time left",
        title=f"Recording time left, {plan.room.tracks} tracks",
        heads=("Free", *(f"{rate / 1000:g} kHz" for rate in rates)),
        rows=tuple(rows),
        numeric=tuple(range(len(rates) + 1)),
        strong=(0,),
    )


def figure_sheet(plan: Plan) -> Sheet:
    return Sheet(
        key="figures",
        title="How sure the figures are",
        heads=("Figure", "Value", "Known", "From"),
        rows=tuple((f.name, f.text, f.known.value, f.source) for f in plan.figures),
        strong=(2,),
    )


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
            (str(m.line), difference.names.get(m.line, ""), m.way, _port(m.before), _port(m.after), "")
            for m in difference.moves
        ),
        numeric=(0,),
        strong=(4,),
    )
    return tuple(sheet for sheet in (figures, gestures, moves) if sheet.rows)


def _total(stages: Sequence[Stage]) -> Stage:
    return Stage(name="in all", frames=sum(stage.frames for stage in stages), known="")


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
            merged.append((_span(members[0][0], len(members)), *members[0][1:]))
        else:
            merged.extend((str(row[0]), *row[1:]) for row in members)
    return tuple(merged)


def _is_idle(row: tuple[int, str, str, str, str]) -> bool:
    return not row[1].isdigit() and not row[3].isdigit()


def _span(first: int, count: int) -> str:
    return str(first) if count == 1 else f"{first}–{first + count - 1}"


def _port(port: Port | None) -> str:
    return NOTHING if port is None else f"{port.link} {port.number}"


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
                f"{g.link} {_span(g.first_port, g.count)} {word} {_span(g.first_line, g.count)}" for g in those
            )
            parts.append(f"{way.capitalize()}s: {spans}.")
    return " ".join(parts)


def _ends(plan: Plan, line: int) -> tuple[str, str]:
    """Send and return; where all are on one link, its name stands in the head and the cells hold numbers alone."""
    ends = (plan.allocation.sends.get(line), plan.allocation.returns.get(line))
    if len(plan.links_used) == 1:
        return tuple(NOTHING if port is None else str(port.number) for port in ends)  # type: ignore[return-value]
    return _port(ends[0]), _port(ends[1])


def _long_time(seconds: float) -> str:
    return (
        format_time(seconds)
        if seconds < 100 * 3600
        else f"{seconds / (24 * 3600):,.0f} days"
        if seconds < 1e7
        else "years"
    )


def _gain(line: Line) -> str:
    return "" if line.gain_db is None else f"{line.gain_db:g}"


def _pair(line: Line) -> str:
    if line.partner is None:
        return ""
    return f"L/{line.partner}" if line.number < line.partner else f"R/{line.partner}"
