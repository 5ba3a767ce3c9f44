"""Lines that carried nothing: dead from the first frame to the last, or silent from some moment on.

A line without signal shows one of two things: digital zeros, or a preamp's noise, which is low and does not move. So a
line is dead when its loudest 100 ms stay under -60 dBFS and either all is zero or the level never moves by 4 dB; a
quiet microphone in a living room moves. Roles that may be silent (talkback, click, playback, effects return) are let
be.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.family import Family, Kind
from nightreel.review.levels import DEAD_DBFS
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.show.model import Role
from nightreel.timeline import Span
from nightreel.units import format_time

MOVES_DB = 4.0  # a preamp's noise over 100 ms moves by a few tenths; sound in a room by far more (measured)
DROP_DB = 12.0  # unplugged: the floor falls by at least so much against the quietest the line ever was in use
LEAST_END_S = 60.0  # silence at the end of a take is normal; shorter than this says nothing
OTHERS_SHARE = 0.4  # of the other lines in use: the band plays


def find(material: Material) -> Iterable[Finding]:
    for line, measured in material.lines.items():
        if measured.role_facts.may_be_silent:
            continue
        if is_dead(material, line):
            yield _dead(material, measured)
        elif measured.role in (Role.MIC, Role.WIRELESS, Role.DIRECT):
            finding = _went_silent(material, line)
            if finding:
                yield finding


def is_dead(material: Material, line: int) -> bool:
    """No signal from the first frame to the last."""
    levels = material.lines[line].levels
    kept = levels.history_rms_db[~material.in_gap(line)]
    if len(kept) < 10:
        return bool(len(kept)) and bool(np.all(kept <= -190.0))
    kept = kept[:-1]  # the last window may be a sliver
    loudest = float(np.quantile(kept, 0.995))
    if loudest < -120.0:
        return True
    moves = loudest - float(np.quantile(kept, 0.05))
    return loudest < DEAD_DBFS and moves < MOVES_DB


def _dead(material: Material, measured: LineMaterial) -> Finding:
    levels = measured.levels
    zero = levels.peak_dbfs == float("-inf")
    heard = "digital silence" if zero else f"nothing but noise at {np.median(levels.history_rms_db):.0f} dBFS"
    partner = material.lines.get(measured.track.partner or -1)
    other = " The other side of the pair plays." if partner and not is_dead(material, partner.track.line) else ""
    remedy = (
        "Digital silence points behind the preamp: look at the patch from socket to send, and at the link."
        if zero
        else "Noise without signal points before the preamp: the microphone or box, its cable, phantom power, a mute "
        "switch."
    )
    return Finding(
        kind="dead-line",
        severity=Severity.STOPS,
        lines=(measured.track.line,),
        confidence=0.98 if zero else 0.9,
        evidence=(Evidence(name="peak", value=levels.peak_dbfs, unit="dBFS"),),
        what=f"{measured.label} is dead: {heard} from start to end.{other}",
        remedy=f"{remedy} For tonight's soundcheck leave this line live.",
    )


def _went_silent(material: Material, line: int) -> Finding | None:
    """In use, then silent to the end, and lower than it ever was while the others played: even their bleed is gone."""
    measured = material.lines[line]
    rms = measured.levels.history_rms_db
    skip = material.in_gap(line)
    active = material.active(line) & ~skip
    if not active.any():
        return None
    last = int(np.flatnonzero(active)[-1]) + 1
    history_s = material.history_frames / material.rate_hz
    left = len(rms) - last
    if left * history_s < LEAST_END_S or left < len(rms) * 0.1:
        return None
    playing = _others_play(material, line, len(rms)) & ~skip
    before, after_them = rms[:last][playing[:last]], rms[last + 5 :][playing[last + 5 :]]
    if len(before) < 50 or len(after_them) * history_s < LEAST_END_S / 3:
        return None
    quietest_used = float(np.quantile(before, 0.1))
    after = float(np.quantile(after_them, 0.9))
    fell = quietest_used - max(after, -140.0)
    if fell < DROP_DB:
        return None
    abrupt = float(rms[max(0, last - 3) : last].max() - rms[min(last + 1, len(rms) - 1)]) > 25.0
    start = last * material.history_frames
    when = format_time(start / material.rate_hz)
    return Finding(
        kind="went-silent",
        severity=Severity.FIX,
        lines=(line,),
        spans=(Span(first_frame=start, frames=material.facts.frames - start),),
        confidence=0.9 if abrupt else 0.7,
        evidence=(
            Evidence(name="quietest while in use", value=quietest_used, unit="dBFS"),
            Evidence(name="level afterwards", value=after, unit="dBFS"),
        ),
        what=f"{measured.label} goes silent at {when} and stays so to the end, while other lines play on.",
        remedy="Ask whether it was still in use. If so: unplugged or muted before the send, a battery, phantom "
        "power or "
        "a stage-box port; what followed is not on disk.",
    )


def _others_play(material: Material, line: int, size: int) -> NDArray[np.bool_]:
    """(size,) true where a good part of the other microphones and direct lines is in use."""
    masks = [
        material.active(n)[:size]
        for n, m in material.lines.items()
        if n != line and m.role in (Role.MIC, Role.WIRELESS, Role.DIRECT) and len(m.levels.history_rms_db) >= size
    ]
    if len(masks) < 2:
        return np.zeros(size, np.bool_)
    return np.asarray(np.mean(masks, axis=0) >= OTHERS_SHARE)


FAMILY = Family(
    name="silence",
    kinds=(
        Kind("dead-line", "A line that should carry signal has none from start to end"),
        Kind("went-silent", "A line falls silent for good while others play on"),
    ),
    method="Level history: loudest windows, their movement, and the level after the last use against the quietest "
    "in use",
    source="-60 dBFS and 4 dB: own measurements on preamp noise models; common practice, no published source",
    find=find,
)
