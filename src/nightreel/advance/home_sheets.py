"""The sheets to decide by at home: network, options, drives and their limits, time left, how sure the figures are."""

from __future__ import annotations

from collections.abc import Sequence

from nightreel.advance.network import Stage
from nightreel.advance.plan import Plan
from nightreel.advance.sheet import NOTHING, Sheet, span_text
from nightreel.advance.storage import FILE_SYSTEMS, compute_growth
from nightreel.units import format_size, format_time


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
                f"{flow.way}s {span_text(flow.first_port, flow.last_port - flow.first_port + 1)}",
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


def _total(stages: Sequence[Stage]) -> Stage:
    return Stage(name="in all", frames=sum(stage.frames for stage in stages), known="")


def _long_time(seconds: float) -> str:
    return (
        format_time(seconds)
        if seconds < 100 * 3600
        else f"{seconds / (24 * 3600):,.0f} days"
        if seconds < 1e7
        else "years"
    )
