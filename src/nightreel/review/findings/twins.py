"""Two lines with the same signal that are no stereo pair: one send patched twice, or one source split by mistake.

All pairs are looked at by their level histories first (which costs next to nothing); a pair whose levels run alike is
then held against each other sample by sample. A copy is a copy when, after delay and gain are taken out, more than
99 % of the energy agrees and the transfer between the two is plain gain; two microphones on one source never come near.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from nightreel.review.compare import compare_lines
from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.names import same_source_pairs
from nightreel.review.findings.silent import is_dead
from nightreel.review.material import Material
from nightreel.review.model import Evidence, Finding, Severity

ALIKE_DB = 1.0  # median deviation of the level difference over the windows in use
MAX_LAG_S = 0.25
COHERENCE = 0.99
GLANCE = 0.97  # two windows decide whether a dozen are worth reading
FLATNESS_DB = 1.5
MAX_CANDIDATES = 150


def find(material: Material) -> Iterable[Finding]:
    told: set[int] = set()
    one_source = {
        tuple(sorted((x.line, y.line))) for x, y in same_source_pairs(m.track for m in material.lines.values())
    }
    for a, b in _candidates(material):
        if b in told:
            continue
        lag = round(MAX_LAG_S * material.rate_hz)
        glance = compare_lines(material, a, b, max_lag_frames=lag, count=2)
        if glance is None or glance.coherence < GLANCE:
            continue
        like = compare_lines(material, a, b, max_lag_frames=lag)
        if like is None or like.coherence < COHERENCE or like.flatness_db > FLATNESS_DB:
            continue
        if (a, b) in one_source and (like.residual_db > -40 or like.flatness_db > 0.3):
            continue
        told.add(b)
        delay_ms = like.lag_frames / material.rate_hz * 1000
        same = like.residual_db < -60 and abs(like.gain_db) < 0.05 and like.lag_frames == 0
        how = "the same signal" if same else f"the same signal, {_difference(like.gain_db, delay_ms)}"
        first, second = material.lines[a], material.lines[b]
        yield Finding(
            kind="same-signal",
            severity=Severity.FIX,
            lines=(b, a),
            confidence=0.97 if abs(like.correlation) > 0.999 else 0.85,
            evidence=(
                Evidence(name="coherence", value=like.coherence),
                Evidence(name="delay", value=delay_ms, unit="ms"),
                Evidence(name="difference in level", value=like.gain_db, unit="dB"),
            ),
            what=f"{second.label} carries {how} as {first.label}.",
            remedy="One of the two sends is patched from the wrong channel: what that line should have carried is "
            "not on "
            "disk. Look at the patch of both; the level and the name tell which one is right.",
        )


def _difference(gain_db: float, delay_ms: float) -> str:
    parts = []
    if abs(gain_db) >= 0.05:
        parts.append(f"{abs(gain_db):.1f} dB {'louder' if gain_db > 0 else 'softer'}")
    if abs(delay_ms) >= 0.02:
        parts.append(f"{abs(delay_ms):.2f} ms {'later' if delay_ms > 0 else 'earlier'}")
    return " and ".join(parts) or "with its own noise"


def _candidates(material: Material) -> list[tuple[int, int]]:
    """Pairs whose level histories run alike where either is in use, most alike first."""
    lines = [n for n in material.lines if not is_dead(material, n) and material.active(n).sum() >= 10]
    pairs: list[tuple[float, int, int]] = []
    for k, a in enumerate(lines):
        for b in lines[k + 1 :]:
            if material.lines[a].track.partner == b:
                continue
            x, y = (material.lines[n].levels.history_rms_db for n in (a, b))
            size = min(len(x), len(y))
            # 300 ms steps: a delay of a quarter of a second shifts levels by less than one of them
            both = (material.active(a)[:size] | material.active(b)[:size]) & ~material.in_gap(a)[:size]
            if both.sum() < 10:
                continue
            difference = _smooth(x[:size])[both] - _smooth(y[:size])[both]
            spread = float(np.median(np.abs(difference - np.median(difference))))
            if spread < ALIKE_DB:
                pairs.append((spread, a, b))
    return [(a, b) for _, a, b in sorted(pairs)[:MAX_CANDIDATES]]


def _smooth(level_db: NDArray[np.float32]) -> NDArray[np.float64]:
    power = 10 ** (level_db / 10)
    return 10 * np.log10(np.convolve(power, np.ones(5) / 5, mode="same") + 1e-20)


FAMILY = Family(
    name="same signal",
    kinds=(Kind("same-signal", "Two lines that are no pair carry the same signal"),),
    method="Level histories of all pairs, then coherence and transfer after delay and gain are taken out",
    source="own thresholds from the bench; no published source",
    find=find,
)
