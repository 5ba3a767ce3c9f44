"""The receipt: what was handed over, where, and that it was read back. As text, as JSON and as a page."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from nightreel import __version__
from nightreel.disk import write_new_text
from nightreel.handover.bag import BagCheck
from nightreel.handover.model import FileKind, Outcome, Plan
from nightreel.paper import html
from nightreel.take.model import TakeFacts
from nightreel.units import format_db, format_position, format_rate, format_size, format_time

TITLE = "Handover receipt"


def plan_text(facts: TakeFacts, plan: Plan) -> str:
    """The plan on one screen, at most 100 columns."""
    lines = [
        f"Handover of {facts.name} ({facts.show})",
        f"  {len(plan.parts)} part{_s(plan.parts)} of {len(plan.lines)} line{_s(plan.lines)}, {_form(plan)}",
        f"  {len(plan.files)} files, about {format_size(plan.size_bytes)}, in a package named '{plan.name}'",
    ]
    for part in plan.parts[:20]:
        begin = format_position(part.span.first_frame, facts.rate_hz)
        length = format_time(part.span.frames / facts.rate_hz)
        lines.append(f"  {part.number:>3}  {part.title[:60]:60}  {begin:>13}  {length:>8}")
    if len(plan.parts) > 20:
        lines.append(f"       and {len(plan.parts) - 20} more")
    tracks = [file.path for file in plan.files if file.kind is FileKind.TRACK]
    lines.append(f"  The first file will be '{_cut(tracks[0], 70)}'")
    lines += _warnings(plan)
    lines += _few([f"  Note: {note}" for note in plan.notes])
    return "\n".join(lines) + "\n"


def plan_json(facts: TakeFacts, plan: Plan) -> str:
    body = {
        "format": 1,
        "show": facts.show,
        "take": facts.name,
        "package": plan.name,
        "cut": plan.request.cut,
        "rate_hz": plan.rate_hz,
        "encoding": plan.encoding,
        "flac": plan.request.flac,
        "size_bytes": plan.size_bytes,
        "missing": list(plan.missing),
        "notes": list(plan.notes),
        "left_out": [{"first_frame": span.first_frame, "frames": span.frames} for span in plan.left_out],
        "files": [
            {
                "path": file.path,
                "kind": file.kind,
                "line": file.line,
                "part": file.part.title,
                "first_frame": file.part.span.first_frame,
                "frames_of_take": file.part.span.frames,
                "frames": file.frames,
                "size_bytes": file.size_bytes,
            }
            for file in plan.files
        ],
    }
    return json.dumps(body, ensure_ascii=False, indent=1) + "\n"


def receipt_text(facts: TakeFacts, outcome: Outcome) -> str:
    """The receipt on one screen."""
    plan = outcome.plan
    lines = [
        f"Handed over: {facts.name} ({facts.show})",
        f"  {len(outcome.made)} files, {format_size(sum(f.digests.size_bytes for f in outcome.made))}, {_form(plan)}",
    ]
    lines += [f"  At {d.folder}: every byte read back and right" for d in outcome.deliveries]
    if outcome.resumed_files:
        lines.append(f"  {outcome.resumed_files} files had been finished by an earlier, interrupted run")
    if outcome.mix is not None:
        mix = outcome.mix
        lines.append(
            f"  Listening mix at {format_db(mix.integrated_lufs, 'LUFS')}, true peak "
            f"{format_db(mix.true_peak_dbtp, 'dBTP')}, nothing limited"
        )
    clipped = sum(file.clipped for file in outcome.made)
    if clipped:
        lines.append(f"  {clipped} samples were clipped at full scale by conversion: see the receipt for the files")
    lines += _warnings(plan)
    lines += _few([f"  Note: {note}" for note in plan.notes])
    lines.append("  Check it at any time with any BagIt tool (RFC 8493; SHA-256 and SHA-512)")
    return "\n".join(lines) + "\n"


def receipt_json(facts: TakeFacts, outcome: Outcome) -> str:
    plan = outcome.plan
    mix = outcome.mix
    body = {
        "format": 1,
        "nightreel": __version__,
        "show": facts.show,
        "take": facts.name,
        "started_at": facts.started_at.isoformat(),
        "package": plan.name,
        "cut": plan.request.cut,
        "rate_hz": plan.rate_hz,
        "encoding": plan.encoding,
        "flac": plan.request.flac,
        "lines": list(plan.lines),
        "deliveries": [
            {"folder": str(d.folder), "files": d.files, "size_bytes": d.size_bytes} for d in outcome.deliveries
        ],
        "mix": None
        if mix is None
        else {
            "integrated_lufs": _finite(mix.integrated_lufs),
            "true_peak_dbtp": _finite(mix.true_peak_dbtp),
            "gain_db": _finite(mix.gain_db),
            "line_gains_db": {str(line): round(gain, 2) for line, gain in mix.line_gains_db.items()},
        },
        "left_out": [{"first_frame": span.first_frame, "frames": span.frames} for span in plan.left_out],
        "gaps": [{"first_frame": g.first_frame, "frames": g.frames, "cause": g.cause.value} for g in facts.gaps],
        "missing": list(plan.missing),
        "notes": list(plan.notes),
        "resumed_files": outcome.resumed_files,
        "files": [
            {
                "path": file.planned.path,
                "kind": file.planned.kind,
                "line": file.planned.line,
                "part": file.planned.part.title,
                "frames": file.planned.frames,
                "size_bytes": file.digests.size_bytes,
                "sha256": file.digests.sha256,
                "sha512": file.digests.sha512,
                "clipped": file.clipped,
            }
            for file in outcome.made
        ],
    }
    return json.dumps(body, ensure_ascii=False, indent=1) + "\n"


def check_json(folder: Path, found: BagCheck) -> str:
    body = {
        "format": 1,
        "package": str(folder),
        "complete": not found.problems,
        "files": found.files,
        "size_bytes": found.size_bytes,
        "problems": list(found.problems),
    }
    return json.dumps(body, ensure_ascii=False, indent=1) + "\n"


def receipt_page(facts: TakeFacts, outcome: Outcome) -> str:
    """A self-contained HTML page."""
    plan = outcome.plan
    places = len(outcome.deliveries)
    body = [
        html.verdict(
            f"{len(outcome.made)} files at {places} place{'s' if places > 1 else ''}, every byte read back and right. "
            + (f"But {len(plan.missing)} files of the take are not whole." if plan.missing else "Complete."),
            state="warn" if plan.missing else "good",
        ),
        html.facts(
            {
                "Show": facts.show,
                "Take": facts.name,
                "Recorded": f"{facts.started_at:%Y-%m-%d %H:%M:%S %z}",
                "Lines": len(plan.lines),
                "Form": _form(plan),
                "Size": format_size(sum(file.digests.size_bytes for file in outcome.made)),
                **{f"Place {n}": d.folder for n, d in enumerate(outcome.deliveries, 1)},
            }
        ),
    ]
    if outcome.mix is not None:
        body.append("<h2>Listening mix</h2>")
        body.append(
            html.facts(
                {
                    "Loudness": format_db(outcome.mix.integrated_lufs, "LUFS"),
                    "True peak": format_db(outcome.mix.true_peak_dbtp, "dBTP"),
                    "Lines in it": ", ".join(str(line) for line in outcome.mix.line_gains_db) or "none",
                }
            )
        )
    if plan.missing:
        body.append("<h2>Missing in the take, silent here</h2>" + _list(plan.missing))
    if plan.notes:
        body.append("<h2>Good to know</h2>" + _list(plan.notes))
    body.append("<h2>Parts</h2>")
    body.append(
        html.table(
            ["No.", "Title", "Begins at", "Length", "Frames of the take"],
            [
                [
                    part.number,
                    part.title,
                    format_position(part.span.first_frame, facts.rate_hz),
                    format_time(part.span.frames / facts.rate_hz),
                    part.span.frames,
                ]
                for part in plan.parts
            ],
            numeric=(0, 2, 3, 4),
        )
    )
    body.append("<h2>Files</h2>")
    body.append(
        html.table(
            ["File", "Frames", "Bytes", "Clipped", "SHA-256"],
            [
                [
                    file.planned.path,
                    file.planned.frames or "",
                    file.digests.size_bytes,
                    file.clipped or "",
                    file.digests.sha256,
                ]
                for file in outcome.made
            ],
            numeric=(1, 2, 3),
        )
    )
    body.append(
        "<p>The package follows BagIt 1.0 (RFC 8493): any BagIt tool can check it at any time against the SHA-256 and "
        "SHA-512 digests in its manifests.</p>"
    )
    return html.page(TITLE, "\n".join(body), subtitle=f"{facts.show}, {facts.name}", footer=f"Nightreel {__version__}")


def write_receipts(facts: TakeFacts, outcome: Outcome, folders: Sequence[Path]) -> tuple[Path, ...]:
    """The three receipts into each folder, under a name that is free; returns their paths."""
    texts = {
        ".html": receipt_page(facts, outcome),
        ".json": receipt_json(facts, outcome),
        ".txt": receipt_text(facts, outcome),
    }
    written = []
    for folder in folders:
        stem, number = f"{outcome.plan.name}-receipt", 1
        while any((folder / f"{stem}{suffix}").exists() for suffix in texts):
            number += 1
            stem = f"{outcome.plan.name}-receipt-{number}"
        for suffix, text in texts.items():
            write_new_text(folder / f"{stem}{suffix}", text)
            written.append(folder / f"{stem}{suffix}")
    return tuple(written)


def _warnings(plan: Plan) -> list[str]:
    if not plan.missing:
        return []
    return ["  Missing in the take, silent here:", *_few([f"    {_cut(text, 94)}" for text in plan.missing])]


def _few(lines: Sequence[str], most: int = 8) -> list[str]:
    """As many as a screen takes; all of them stand in the page and in the JSON."""
    more = len(lines) - most
    return [*lines[:most], *([f"    and {more} more, see the receipt"] if more > 0 else [])]


def _list(sentences: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{html.text(sentence)}</li>" for sentence in sentences) + "</ul>"


def _form(plan: Plan) -> str:
    kind = "FLAC" if plan.request.flac else "WAVE"
    depth = {"pcm16": "16 bit", "pcm24": "24 bit", "pcm32": "32 bit", "float32": "32-bit float"}[plan.encoding.value]
    return f"{kind}, {format_rate(plan.rate_hz)}, {depth}"


def _s(items: Sequence[object]) -> str:
    return "" if len(items) == 1 else "s"


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _finite(value: float) -> float | None:
    return round(value, 3) if -1e6 < value < 1e6 else None
