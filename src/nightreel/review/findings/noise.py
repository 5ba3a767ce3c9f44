"""Noise: a line that hisses or rushes more than a preamp should, and always at one level.

Noise of a fault does not move: in every rest of the music the level comes back to one and the same value, and its
spectrum is even. Both are asked for, so that a room, an audience or a guitar amplifier's own hum is not called noise.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.hum import find_mains
from nightreel.review.levels import top_db
from nightreel.review.material import Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.review.spectra import CENTRES_HZ
from nightreel.show.model import Role

LEAST_DBFS = -62.0
LEAST_UNDER_TOP_DB = 52.0  # a signal that far over its noise is clean by the standards of a stage (common practice)
PLATEAU_DB = 1.6
_JUDGED = (Role.MIC, Role.WIRELESS, Role.DIRECT, Role.PLAYBACK, Role.EFFECTS_RETURN)


def find(material: Material) -> Iterable[Finding]:
    for line, measured in material.lines.items():
        if measured.role not in _JUDGED:
            continue
        rms = measured.levels.history_rms_db[~material.in_gap(line)]
        rms = np.sort(rms[rms > -150])
        top = top_db(rms)
        if len(rms) < 100 or top < -60:
            continue
        low = rms[: max(10, len(rms) // 12)]
        level = float(np.median(low))
        # the plateau: from the quietest windows on, a stretch of the ranking stays within a decibel and a half
        within = float(np.mean(rms < level + PLATEAU_DB))
        if level < LEAST_DBFS or top - level > LEAST_UNDER_TOP_DB or within < 0.08 or top - level < 8:
            continue
        if float(low[-1] - low[len(low) // 10]) > PLATEAU_DB or find_mains(material, line) is not None:
            continue
        bands = measured.spectra.bands_db[material.spectrum_windows_clear(line)]
        total = 10 * np.log10(np.sum(10 ** (bands / 10), axis=1) + 1e-20)
        calm = bands[total < level + 3.0]
        if len(calm) < 3 or not _even(calm):
            continue
        under = top - level
        yield Finding(
            kind="noise",
            severity=Severity.FIX if under < 40 or level > -50 else Severity.NOTE,
            lines=(line,),
            confidence=0.85,
            evidence=(
                Evidence(name="noise", value=level, unit="dBFS"),
                Evidence(name="under the line's loud passages", value=under, unit="dB"),
            ),
            what=f"{measured.label} hisses: steady noise at {level:.0f} dBFS, {under:.0f} dB under its loud passages.",
            remedy="Look at the gain structure first: preamp up and later stages down. Then battery and phantom "
            "power of the "
            "microphone or direct box, a wireless receiver's squelch, and the same line on another preamp.",
        )


def _even(calm: NDArray[np.float32]) -> bool:
    """Steady in time in every band that matters, and broad: no third of an octave sticks out."""
    use = (CENTRES_HZ > 200) & (CENTRES_HZ < 14_000)
    mean = calm[:, use].mean(axis=0)
    moves = calm[:, use].std(axis=0)
    loud = mean > mean.max() - 20
    slope = np.polynomial.Polynomial.fit(np.arange(use.sum())[loud], mean[loud], 2)
    rough = mean[loud] - slope(np.arange(use.sum())[loud])
    return bool(loud.sum() >= 8 and np.median(moves[loud]) < 1.2 and np.abs(rough).max() < 4.0)


FAMILY = Family(
    name="noise",
    kinds=(Kind("noise", "Steady noise, more than a preamp's own"),),
    method="Level ranking: a plateau at its lower end, steady and even over third octaves",
    source="-62 dBFS and 52 dB: common practice, no published source; the rest from the bench",
    find=find,
)
