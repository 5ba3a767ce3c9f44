"""Click or timecode heard on other lines: from headphones into a microphone, or across a cable.

The question is not whether two lines play in time, which a band on a click does, but whether one holds the other's very
wave. So the coherence of both is taken over many windows (Welch): chance gives 1/windows, a copy stays near 1 where it
stands over the line's own sound. Its level follows from the transfer at those frequencies.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.silent import is_dead
from nightreel.review.material import Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.show.model import Role

SEGMENT = 1 << 13
SEGMENTS = 96
MAX_LAG_S = 0.05
COHERENT = 0.3
LEAST_DBFS = -66.0
_LISTENED = (Role.MIC, Role.WIRELESS, Role.DIRECT, Role.AMBIENCE, Role.EFFECTS_RETURN)


def find(material: Material) -> Iterable[Finding]:
    for source, measured in material.lines.items():
        if measured.role not in (Role.CLICK, Role.TIMECODE) or is_dead(material, source):
            continue
        starts = _starts(material, source)
        if len(starts) < 16:
            continue
        blocks = [material.read((source,), s, SEGMENT)[:, 0] for s in starts]
        for line, other in material.lines.items():
            if other.role not in _LISTENED or is_dead(material, line):
                continue
            level, share = _heard(material, blocks, starts, line)
            if level < LEAST_DBFS or share <= 0:
                continue
            kind = "click-bleed" if measured.role is Role.CLICK else "timecode-bleed"
            name = "the click" if measured.role is Role.CLICK else "timecode"
            remedy = (
                "Lower the click in that player's headphones or in-ears, use closed ones, and gate or mute the "
                "line where "
                "only the click is left."
                if kind == "click-bleed" and other.role in (Role.MIC, Role.WIRELESS)
                else "Keep the line's cable and send away from it, lower its level to about -18 dBFS, and look for "
                "a bus "
                "or matrix that mixes it in."
            )
            yield Finding(
                kind=kind,
                severity=Severity.FIX if level > -48 else Severity.NOTE,
                lines=(line, source),
                confidence=0.85,
                evidence=(
                    Evidence(name="level of the bleed", value=level, unit="dBFS peak"),
                    Evidence(name="share of its spectrum that agrees", value=share * 100, unit="%"),
                ),
                what=f"{other.label} hears {name}: about {level:.0f} dBFS peak.",
                remedy=remedy,
            )


def _starts(material: Material, source: int) -> list[int]:
    """Segments in which the source sounds, spread over the take."""
    levels = material.lines[source].levels.history_rms_db
    loud = np.flatnonzero((levels > np.quantile(levels, 0.99) - 25) & ~material.in_gap(source))
    if len(loud) == 0:
        return []
    chosen = np.unique(loud[np.linspace(0, len(loud) - 1, min(SEGMENTS, len(loud))).astype(int)])
    last = material.facts.frames - SEGMENT
    return [int(c) * material.history_frames for c in chosen if int(c) * material.history_frames <= last]


def _heard(material: Material, blocks: list[NDArray[np.float32]], starts: list[int], line: int) -> tuple[float, float]:
    """(peak level of the source on the line in dBFS, share of the source's spectrum that is coherent)."""
    import scipy.fft

    n = SEGMENT
    window = np.hanning(n).astype(np.float32)
    others = [material.read((line,), s, n)[:, 0] for s in starts]
    spectra_a = [scipy.fft.rfft(b * window) for b in blocks]
    # Each counts by its own level, so that quiet moments of the line, where bleed shows, decide.
    weights = [1.0 / (float(np.sqrt(np.mean(o**2))) + 1e-6) for o in others]
    cross = np.zeros(n // 2 + 1, np.complex128)
    saa = np.zeros(n // 2 + 1)
    sbb = np.zeros(n // 2 + 1)
    for a, o, w in zip(spectra_a, others, weights, strict=True):
        b = scipy.fft.rfft(o * window)
        cross += np.conj(a) * b * w**2
        saa += np.abs(a) ** 2 * w**2
        sbb += np.abs(b) ** 2 * w**2
    use = saa > saa.max() * 1e-3
    msc = np.abs(cross) ** 2 / (saa * sbb + 1e-30)
    chance = 1.0 / len(starts)
    strong = use & (msc > max(COHERENT, 6 * chance))
    share = float(saa[strong].sum() / saa[use].sum())
    if share < 0.35 or strong.sum() < 3:
        return -200.0, 0.0
    transfer = np.abs(cross[strong]) / saa[strong]
    gain = float(np.average(transfer, weights=saa[strong]))
    peak = max(float(np.abs(b).max()) for b in blocks)
    return 20 * float(np.log10(gain * peak + 1e-10)), share


FAMILY = Family(
    name="bleed",
    kinds=(
        Kind("click-bleed", "The click is heard on another line"),
        Kind("timecode-bleed", "Timecode is heard on another line"),
    ),
    method="Magnitude-squared coherence over up to 96 segments; level by the transfer where it is coherent",
    source="Welch's method; thresholds from the bench",
    find=find,
)
