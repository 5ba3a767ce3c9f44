"""Sudden outs: a wireless receiver that mutes, or a cable that opens for moments.

An out falls by 40 dB within 3 ms and comes back as steeply (:mod:`nightreel.review.joints`), and inside it the line is
quieter than it ever is between its own notes, because even the room is gone. That tells it from a rest in the music.
For a line that hears no room the others tell it: an out in which most of them rest as well is a rest.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from nightreel.review.findings.breaks import crackle
from nightreel.review.findings.family import Family, Kind
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.show.model import Role
from nightreel.timeline import Span

LEAST_OUTS = 2
REST_S = 0.5  # what lasts longer may be a rest of the whole band
REST_FALL_DB = 12.0  # by so much most other lines are quieter in such a rest than just before it
UNDER_OWN_FLOOR_DB = -3.0  # peak inside the out against the line's own quietest 100 ms peaks
_JUDGED = (Role.MIC, Role.WIRELESS, Role.DIRECT)


def find(material: Material) -> Iterable[Finding]:
    every = {n: find_outs(material, n) for n, m in material.lines.items() if m.role in _JUDGED}
    for line, outs in every.items():
        measured = material.lines[line]
        if len(outs) < LEAST_OUTS:
            continue
        total = sum(s.frames for s in outs) / material.rate_hz
        if measured.role is Role.WIRELESS:
            yield _mutes(measured, outs, total)
        else:
            yield crackle(measured, outs, count=len(outs), confidence=0.85)


def find_outs(material: Material, line: int) -> tuple[Span, ...]:
    measured = material.lines[line]
    j = measured.joints
    peaks = measured.levels.history_peak_db
    quiet = float(np.quantile(peaks, 0.02)) if len(peaks) else -200.0
    spans = []
    gaps = material.gaps_of(line)
    for first, end, before, floor in zip(j.out_first, j.out_end, j.out_before, j.out_floor, strict=True):
        floor_db = 20 * np.log10(float(floor) + 1e-10)
        before_db = 20 * np.log10(float(before) + 1e-10)
        if any(g.first_frame - 480 <= end and first <= g.end_frame + 480 for g in gaps):
            continue
        if _is_zero(measured, int(first), int(end)):
            continue  # exact zeros inside: told as a zeroed block
        if before_db < -46 or before_db - floor_db < 44:
            continue
        if measured.role is not Role.DIRECT and floor_db > quiet - UNDER_OWN_FLOOR_DB:
            continue
        if (end - first) > REST_S * material.rate_hz and _all_rest(material, line, int(first), int(end)):
            continue
        spans.append(Span(first_frame=int(first), frames=int(end - first)))
    return tuple(spans)


def _all_rest(material: Material, line: int, first: int, end: int) -> bool:
    """Whether most of the other lines that were in use just before went quiet as well: the band rests, no contact
    opens. An instrument plugged straight in is as silent between two songs as with its cable out."""
    window = material.rate_hz // 10
    before = slice(max(0, first // window - 10), max(1, first // window))
    middle = slice(first // window + 2, max(first // window + 3, end // window - 1))
    fell, there = 0, 0
    for number, other in material.lines.items():
        peaks = other.levels.history_peak_db
        if number == line or len(peaks[middle]) == 0 or len(peaks[before]) == 0:
            continue
        was = float(np.max(peaks[before]))
        if was < -50.0:
            continue
        there += 1
        fell += float(np.median(peaks[middle])) < was - REST_FALL_DB
    return there >= 3 and fell > there / 2


def _is_zero(measured: LineMaterial, first: int, end: int) -> bool:
    return any(
        min(s.end_frame, end) - max(s.first_frame, first) > 0.6 * (end - first) for s in measured.levels.zero_spans
    )


def _mutes(measured: LineMaterial, outs: tuple[Span, ...], total_s: float) -> Finding:
    return Finding(
        kind="wireless-mutes",
        severity=Severity.FIX,
        lines=(measured.track.line,),
        spans=outs[:400],
        confidence=0.9,
        evidence=(Evidence(name="mutes", value=len(outs)), Evidence(name="muted in all", value=total_s, unit="s")),
        what=f"{measured.label}: the wireless receiver muted {len(outs)} times, {total_s:.1f} s in all, while it "
        f"was in use.",
        remedy="Too little field strength or another transmitter: look for a clear frequency, bring the antennas "
        "closer and "
        "into sight of the stage, change the battery, keep hand and body off the transmitter's antenna.",
    )


FAMILY = Family(
    name="outs",
    kinds=(Kind("wireless-mutes", "A wireless receiver that mutes while the line is in use"),),
    method="1 ms envelope: steep falls of 40 dB that end as steeply, quieter than the line's own rests",
    source="own thresholds from the bench; no published source",
    find=find,
)
