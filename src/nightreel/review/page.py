"""``review.html``: one self-contained page with the verdict, every finding with its picture, and a ribbon for each
line.

The ribbons are drawn twice: as SVG of the whole take, which prints and needs no script, and by the page's own script
for any stretch one zooms to. Level history goes into the page with at most 21 600 columns a line (half a second for
a take of three hours), one byte each.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from nightreel.paper import html, look, pictures
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Finding, LineFigures, Review, Severity
from nightreel.review.summary import account_text
from nightreel.units import format_position, format_rate, format_time

MOST_COLUMNS = 21_600
MOST_PICTURED = 120
FLOOR_DBFS = -60.0
PICTURE_COLUMNS = 240
SPECTRUM_FRAMES = 1 << 15


def review_page(review: Review, material: Material, *, theme: str = "auto") -> str:
    """The whole document."""
    hours = format_time(review.frames / review.rate_hz)
    started = f"{review.started_at:%Y-%m-%d %H:%M}"
    subtitle = f"{started}, {hours} long, {len(review.figures)} lines, {format_rate(review.rate_hz)}"
    counts = review.counts()
    state = "bad" if counts[Severity.STOPS] else "warn" if counts[Severity.FIX] else "good"
    body = "".join(
        (
            html.verdict(review.verdict, state=state),
            f'<p class="quiet">{html.text(account_text(review))}</p>',
            "".join(f'<p class="quiet">Note: {html.text(note)}</p>' for note in review.notes),
            '<div class="desk">',
            _findings(review, material),
            _sheet(review, material),
            "</div>",
            _figures(review),
            f'<script type="application/json" id="take">{_data(review, material)}</script>',
        )
    )
    parts = files("nightreel.review")
    return html.page(
        f"Review of {review.take}",
        body,
        subtitle=subtitle,
        footer=f"Nightreel {review.reviewed_with}, {review.folder}",
        theme=theme,
        style=parts.joinpath("page.css").read_text(encoding="utf-8"),
        script=parts.joinpath("page.js").read_text(encoding="utf-8"),
    )


def _findings(review: Review, material: Material) -> str:
    if not review.findings:
        return '<section class="findings"><h2>Findings</h2><p>None.</p></section>'
    items = "".join(
        _finding(number, finding, review, material, pictured=number < MOST_PICTURED)
        for number, finding in enumerate(review.findings)
    )
    counts = review.counts()
    said = ", ".join(s.count_words(counts[s]) for s in Severity if counts[s])
    return (
        f'<section class="findings" aria-labelledby="findings-title"><h2 id="findings-title">Findings</h2>'
        f'<p class="quiet">{said}. Worst first.</p><ol class="plain">{items}</ol></section>'
    )


def _finding(number: int, finding: Finding, review: Review, material: Material, *, pictured: bool) -> str:
    places = "".join(
        f'<button type="button" class="place no-print" data-finding="{number}" data-span="{k}">'
        f"{format_position(span.first_frame, review.rate_hz)}</button>"
        for k, span in enumerate(finding.spans[:6])
    )
    if places:
        more = len(finding.spans) - 6
        rest = f" <span class='quiet'>and {more} more</span>" if more > 0 else ""
        places = f'<p class="places"><span class="quiet">Zoom to</span> {places}{rest}</p>'
    printed = ", ".join(format_position(s.first_frame, review.rate_hz) for s in finding.spans[:6])
    evidence = "; ".join(f"{e.name} {_number(e.value)}{' ' + e.unit if e.unit else ''}" for e in finding.evidence)
    picture = _pictures(finding, material) if pictured else ""
    caution = html.caution(finding.caution) if finding.caution else ""
    css = {"stops": "broken", "fix": "attention", "note": "quiet"}[finding.severity.value]
    return (
        f'<li id="finding-{number}" class="finding {finding.severity.value}">'
        f'<p class="head"><span class="sign {css}" aria-hidden="true">{_SIGNS[finding.severity]}</span> '
        f'<span class="{css}">{finding.severity.words}</span></p>'
        f'<p class="what">{html.text(finding.what)}</p>{places}'
        + (f'<p class="print-only">At {printed}</p>' if printed else "")
        + f'<p class="remedy">{html.text(finding.remedy)}</p>{caution}'
        f"<details><summary>Evidence</summary><p>{html.text(evidence)}; sure to {finding.confidence:.0%}.</p>{picture}"
        "</details></li>"
    )


_SIGNS = {Severity.STOPS: "✕", Severity.FIX: "▲", Severity.NOTE: "○"}


def _pictures(finding: Finding, material: Material) -> str:
    """Waveform and spectrum around the first span, of the finding's first line."""
    line = next((n for n in finding.lines if n in material.lines), None)
    if line is None:
        return ""
    rate = material.rate_hz
    if finding.spans:
        span = finding.spans[0]
        margin = max(rate // 50, min(span.frames // 5, rate))
        first = max(0, span.first_frame - margin)
        frames = min(span.frames + 2 * margin, 8 * rate)
    else:
        first, frames = _loudest(material, line), 4 * rate
    frames = min(frames, max(0, material.facts.frames - first))
    if frames < 16:
        return ""
    samples = material.read((line,), first, frames)[:, 0]
    samples = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)
    columns = min(PICTURE_COLUMNS, len(samples))
    starts = np.arange(columns) * len(samples) // columns
    lows, highs = np.minimum.reduceat(samples, starts), np.maximum.reduceat(samples, starts)
    top = float(max(np.abs(samples).max(), 1e-9))
    shown = f"{format_position(first, rate)}, {frames / rate:.3g} s, edge at {20 * np.log10(top):.0f} dBFS"
    marks = [(s.first_frame - first) / frames for s in finding.spans[:40] if first <= s.first_frame < first + frames]
    name = material.lines[line].label
    wave = pictures.waveform(lows / top, highs / top, label=f"Waveform of {name}: {shown}", marks=marks[:20])
    out = f"<figure>{wave}<figcaption>{html.text(name)}: {shown}</figcaption></figure>"
    hz, level = _spectrum(samples, rate)
    if len(hz):
        drawn = pictures.spectrum(
            hz, level, label=f"Spectrum of {name} there", ceiling_db=float(np.ceil(level.max() / 10) * 10),
            floor_db=float(np.ceil(level.max() / 10) * 10 - 90),
        )  # fmt: skip
        out += f"<figure>{drawn}<figcaption>Its spectrum, 90 dB from top to bottom</figcaption></figure>"
    return f'<div class="pictures">{out}</div>'


def _loudest(material: Material, line: int) -> int:
    history = material.lines[line].levels.history_rms_db
    at = int(np.argmax(history)) * material.history_frames if len(history) else 0
    return max(0, min(at - material.rate_hz, material.facts.frames - 4 * material.rate_hz))


def _spectrum(samples: NDArray[np.float32], rate_hz: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import scipy.fft

    size = min(SPECTRUM_FRAMES, len(samples))
    if size < 256:
        return np.zeros(0), np.zeros(0)
    window = np.hanning(size)
    at = max(0, (len(samples) - size) // 2)
    power = np.abs(scipy.fft.rfft(samples[at : at + size] * window)) ** 2
    power *= 8 / 3 * 2 / size**2
    level = np.asarray(10 * np.log10(power[1:] + 1e-16), np.float64)
    return np.asarray(np.fft.rfftfreq(size, 1 / rate_hz)[1:], np.float64), level


def _sheet(review: Review, material: Material) -> str:
    """The ribbons, one row a line, under a ruler with the songs."""
    signs: dict[int, list[tuple[int, Finding]]] = {}
    for number, finding in enumerate(review.findings):
        for line in finding.lines[:2]:
            signs.setdefault(line, []).append((number, finding))
    rows = []
    for figures in review.figures:
        measured = material.lines.get(figures.line)
        strip = _ribbon(review, material, figures, measured)
        mine = signs.get(figures.line, [])
        worst = min((f.severity.rank for _, f in mine), default=3)
        mark = ""
        if mine:
            severity = next(s for s in Severity if s.rank == worst)
            css = {"stops": "broken", "fix": "attention", "note": "quiet"}[severity.value]
            plural = "" if len(mine) == 1 else "s"
            mark = (
                f'<a class="sign {css}" href="#finding-{mine[0][0]}" aria-label="{len(mine)} finding{plural}, '
                f'worst {severity.words}">{_SIGNS[severity]} {len(mine)}</a>'
            )
        peak = "silent" if figures.peak_dbfs == float("-inf") else f"{figures.peak_dbfs:.1f}"
        rows.append(
            f'<div class="row" role="row"><span class="number" role="cell">{figures.line}</span>'
            f'<span class="name" role="cell">{html.text(figures.name)}</span>'
            f'<span class="strip" role="cell" data-line="{figures.line}">{strip}</span>'
            f'<span class="peak" role="cell">{"unreadable" if figures.unreadable else peak}</span>'
            f'<span class="signs" role="cell">{mark}</span></div>'
        )
    songs = "".join(
        f'<option value="{s.span.first_frame},{s.span.end_frame}">{html.text(s.name)}</option>' for s in review.songs
    )
    jump = (
        f'<label>Song <select id="song"><option value="">whole take</option>{songs}</select></label>' if songs else ""
    )
    return (
        '<section class="sheet" aria-labelledby="lines-title"><h2 id="lines-title">Lines over time</h2>'
        '<p class="tools no-print"><button type="button" id="whole">Whole take</button>'
        '<button type="button" id="closer" aria-label="Zoom in">+</button>'
        '<button type="button" id="wider" aria-label="Zoom out">&minus;</button>'
        f'<button type="button" id="earlier" aria-label="Earlier">&larr;</button>'
        f'<button type="button" id="later" aria-label="Later">&rarr;</button>{jump}'
        '<output id="view" aria-live="polite"></output></p>'
        f'<div class="key">{pictures.ribbon_key(floor_dbfs=FLOOR_DBFS)}'
        '<p class="small quiet">A triangle is an over, a hairline a mark; where the strip is cut, samples never '
        'arrived. <span class="no-print">With the strips in focus: arrows move, + and - zoom, 0 shows all.</span></p>'
        "</div>"
        '<div class="ribbons" id="ribbons" role="table" tabindex="0" aria-label="Level of each line over the take">'
        '<div class="row ruler" role="row"><span class="number" role="columnheader">Line</span>'
        '<span class="name" role="columnheader">Name</span><span class="strip" role="columnheader" id="ruler">'
        f'{_ruler(review)}</span><span class="peak" role="columnheader">Peak dBFS</span>'
        f'<span class="signs" role="columnheader">Findings</span></div>{"".join(rows)}</div></section>'
    )


def _ruler(review: Review) -> str:
    length = review.frames / review.rate_hz
    return f'<span class="from">{format_time(0)}</span><span class="to">{format_time(length)}</span>'


def _ribbon(review: Review, material: Material, figures: LineFigures, measured: LineMaterial | None) -> str:
    if measured is None:
        return f'<span class="broken">{html.text(figures.unreadable or "not read")}</span>'
    frames = max(review.frames, 1)
    over = [s.first_frame / frames for s in measured.levels.over_spans if s.frames >= 3]
    quiet = figures.peak_dbfs == float("-inf")
    words = "silent" if quiet else f"peak {figures.peak_dbfs:.1f} dBFS, in use {figures.active_share:.0%} of the time"
    return pictures.ribbon(
        measured.levels.history_peak_db,
        label=f"Line {figures.line} {figures.name}: {words}",
        floor_dbfs=FLOOR_DBFS,
        columns=400,
        gaps=[(g.first_frame / frames, g.end_frame / frames) for g in material.gaps_of(figures.line)[:200]],
        overs=_thinned(over),
        marks=[m.frame / frames for m in review.marks],
    )


def _thinned(places: Sequence[float], least: float = 1 / 200) -> list[float]:
    """So that triangles do not pile up."""
    kept: list[float] = []
    for place in places:
        if not kept or place - kept[-1] >= least:
            kept.append(place)
    return kept


def _figures(review: Review) -> str:
    def level(value: float) -> str:
        return "silent" if value == float("-inf") else f"{value:.1f}"

    rows = [
        (
            f.line, f.name, f.role.value, level(f.peak_dbfs), level(f.true_peak_dbtp), level(f.rms_dbfs),
            level(f.floor_dbfs), level(f.integrated_lufs), f"{f.loudness_range_lu:.1f}", f.overs,
            f"{f.active_share:.0%}",
        )
        for f in review.figures
    ]  # fmt: skip
    heads = ("Line", "Name", "Role", "Peak dBFS", "True peak dBTP", "RMS dBFS", "Floor dBFS", "LUFS", "Range LU",
             "At full scale", "In use")  # fmt: skip
    return "<h2>Figures</h2>" + html.table(heads, rows, numeric=(0, 3, 4, 5, 6, 7, 8, 9, 10))


def _data(review: Review, material: Material) -> str:
    """What the script draws from: one byte a column and line, overs, gaps, spans of findings, marks."""
    longest = max((len(m.levels.history_peak_db) for m in material.lines.values()), default=0)
    columns = min(MOST_COLUMNS, longest)
    lines = {
        str(n): {
            "levels": base64.b64encode(_bytes(m.levels.history_peak_db, columns)).decode(),
            "overs": [s.first_frame for s in m.levels.over_spans if s.frames >= 3],
            "gaps": [[g.first_frame, g.end_frame] for g in material.gaps_of(n)],
        }
        for n, m in material.lines.items()
    }
    data = {
        "rate": review.rate_hz,
        "frames": review.frames,
        "columns": columns,
        "floor": FLOOR_DBFS,
        "shades": look.ribbon_shades(),
        "lines": lines,
        "marks": [[m.frame, m.name] for m in review.marks],
        "findings": [
            {"lines": f.lines, "spans": [[s.first_frame, s.end_frame] for s in f.spans[:200]]} for f in review.findings
        ],
    }
    return json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")


def _bytes(history_db: NDArray[np.float32], columns: int) -> bytes:
    """Half decibels from -100 dBFS; 0 is silence."""
    if columns == 0 or len(history_db) == 0:
        return b""
    starts = np.arange(min(columns, len(history_db))) * len(history_db) // min(columns, len(history_db))
    highest = np.maximum.reduceat(history_db, starts)
    return np.clip(np.round((highest + 100.0) * 2.0), 0, 255).astype(np.uint8).tobytes()


def _number(value: float) -> str:
    if value in (float("inf"), float("-inf")):
        return "silence"
    return f"{value:.0f}" if float(value).is_integer() else f"{value:.3g}"
