"""Levels that were wrong at the preamp: overs, flat tops before the converter, too hot, too low; with the dB to mend
it.

Target: the highest peak of the night at -12 dBFS, which leaves room for the night that is louder than the soundcheck
(common practice, no published source; EBU R 68 puts alignment level at -18 dBFS). Advice is in whole decibels.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.places import joined
from nightreel.review.flat_tops import find_flat_tops
from nightreel.review.levels import floor_db, top_db
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.show.model import Role

TARGET_PEAK_DBFS = -12.0
HOT_PEAK_DBFS = -0.1
LOW_PEAK_DBFS = -36.0
LOW_AMBIENCE_DBFS = -55.0
FEW_OVERS = 2
RUN = 3  # samples in a row at full scale make an over (common practice); one or two may be a peak that just fits
LEAST_FLAT_TOPS = 4
_LEVELLED = (Role.MIC, Role.DIRECT, Role.WIRELESS, Role.PLAYBACK, Role.EFFECTS_RETURN, Role.AMBIENCE)


def find(material: Material) -> Iterable[Finding]:
    for measured in material.lines.values():
        over = _overs(material, measured)
        if over:
            yield over
        elif measured.role in _LEVELLED:
            clipped = _flat_tops(material, measured)
            finding = clipped or _hot(measured) or _low(material, measured)
            if finding:
                yield finding


def _turn_down_db(measured: LineMaterial) -> int:
    """How far down: to the target, and 6 dB more where the true height is unknown because it was cut off."""
    peak = max(measured.levels.peak_dbfs, measured.levels.true_peak_dbtp)
    return max(6, int(np.ceil(peak - TARGET_PEAK_DBFS)))


def _overs(material: Material, measured: LineMaterial) -> Finding | None:
    levels = measured.levels
    runs = [s for s in levels.over_spans if s.frames >= RUN]
    if not runs:
        return None
    count = levels.overs if len(runs) == len(levels.over_spans) else len(runs)
    places = joined(runs, material.rate_hz)
    down = _turn_down_db(measured)
    times = "once" if count == 1 else f"{count} times"
    where = "" if len(places) == 1 else f" in {len(places)} places"
    return Finding(
        kind="overs",
        severity=Severity.FIX if count > FEW_OVERS else Severity.NOTE,
        lines=(measured.track.line,),
        spans=places[:400],
        confidence=0.99,
        evidence=(
            Evidence(name="overs", value=count),
            Evidence(name="true peak", value=levels.true_peak_dbtp, unit="dBTP"),
        ),
        what=f"{measured.label} is over: it ran into digital full scale {times}{where}.",
        remedy=f"Turn its preamp down by {down} dB and make it up after the pick-off of the send.",
    )


def _flat_tops(material: Material, measured: LineMaterial) -> Finding | None:
    levels = measured.levels
    spans = find_flat_tops(material, measured.track.line)
    if len(spans) < LEAST_FLAT_TOPS:
        return None
    down = _turn_down_db(measured)
    return Finding(
        kind="clipped-before-converter",
        severity=Severity.FIX,
        lines=(measured.track.line,),
        spans=joined(spans, material.rate_hz)[:400],
        confidence=0.85,
        evidence=(
            Evidence(name="flat tops", value=len(spans)),
            Evidence(name="peak", value=levels.peak_dbfs, unit="dBFS"),
        ),
        what=f"{measured.label} clips before the converter: {len(spans)} flat tops at {levels.peak_dbfs:.1f} dBFS, "
        f"below "
        "full scale.",
        remedy="Something before the converter ran out of room: microphone, wireless transmitter, direct box or "
        "preamp. "
        f"Use its pad, or turn the first gain stage down by {max(down, 6)} dB.",
    )


def _hot(measured: LineMaterial) -> Finding | None:
    peak = measured.levels.true_peak_dbtp
    if peak < HOT_PEAK_DBFS:
        return None
    down = _turn_down_db(measured)
    return Finding(
        kind="too-hot",
        severity=Severity.NOTE,
        lines=(measured.track.line,),
        confidence=0.8,
        evidence=(Evidence(name="true peak", value=peak, unit="dBTP"),),
        what=f"{measured.label} has no room left: its highest peak is {peak:.1f} dBTP.",
        remedy=f"Turn its preamp down by {down} dB, so that peaks stay near {TARGET_PEAK_DBFS:.0f} dBFS.",
    )


def _low(material: Material, measured: LineMaterial) -> Finding | None:
    levels = measured.levels
    limit = LOW_AMBIENCE_DBFS if measured.role is Role.AMBIENCE else LOW_PEAK_DBFS
    if levels.peak_dbfs > limit or levels.peak_dbfs == float("-inf"):
        return None
    history = levels.history_rms_db[~material.in_gap(measured.track.line)]
    if len(history) < 20:
        return None
    # It has to be in use at all: a dead line has its own finding, a silent one is none.
    if top_db(history) - floor_db(history) < 6.0:
        return None
    up = int(np.floor(TARGET_PEAK_DBFS - levels.peak_dbfs))
    return Finding(
        kind="too-low",
        severity=Severity.FIX if levels.peak_dbfs < limit - 12.0 else Severity.NOTE,
        lines=(measured.track.line,),
        confidence=0.85,
        evidence=(
            Evidence(name="peak", value=levels.peak_dbfs, unit="dBFS"),
            Evidence(name="floor", value=floor_db(history), unit="dBFS"),
        ),
        what=f"{measured.label} is recorded too low: its highest peak is {levels.peak_dbfs:.1f} dBFS.",
        remedy=f"Turn its preamp up by {up} dB (peaks then come near {TARGET_PEAK_DBFS:.0f} dBFS); look for a pad "
        f"left in, a "
        "wrong mic/line setting or a weak battery first.",
    )


FAMILY = Family(
    name="level",
    kinds=(
        Kind("overs", "Runs of samples at digital full scale"),
        Kind("clipped-before-converter", "Flat tops below full scale: an analogue stage ran out of room"),
        Kind("too-hot", "No room left above the highest peak"),
        Kind("too-low", "Recorded far below where it should be"),
    ),
    method="Meters: runs at full scale, flat tops, sample and true peak (ITU-R BS.1770, Annex 2)",
    source="target peak -12 dBFS, hot above -0.1 dBTP, low under -36 dBFS: common practice, no published source",
    find=find,
)
