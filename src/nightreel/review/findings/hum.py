"""Hum and buzz: mains frequency and its harmonics, standing still under everything the line carries.

Looked for in the quietest window of each part of the take (:class:`~nightreel.review.spectra.Spectra`). Mains is told
from music by three things at once: its lines lie on exact multiples of 50 or 60 Hz (49.8 to 50.2 and 59.8 to 60.2 Hz;
EN 50160 allows 1 %, linked grids keep within 0.2 %), there are several of them, and their level does not move from one
quiet window to the next, whatever is played. A bass note on 100 Hz moves or stops.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.family import Family, Kind
from nightreel.review.levels import top_db
from nightreel.review.material import Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.show.model import Role
from nightreel.timeline import Span

F64 = NDArray[np.float64]

HARMONICS = 24
STANDS_OUT_DB = 9.0
STEADY_DB = 2.0  # half the spread between the quartiles of its level over the quiet windows
STILL_DB = 0.25  # few harmonics must stand quite still to be believed
LEAST_DBFS = -72.0  # softer hum is under the noise of a room even in a solo (common practice)
LEAST_UNDER_TOP_DB = 58.0
SERIOUS_UNDER_TOP_DB = 40.0
CAUTION = (
    "Never lift or cut a protective earth to cure hum: it can kill. Break the loop in the signal instead, with "
    "balanced "
    "lines or an isolating transformer."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mains:
    """Hum of one line: ``base_hz`` as measured, level of all its lines together, the share above 400 Hz."""

    base_hz: float
    level_dbfs: float
    harmonics: int
    steady_db: float
    buzz_share: float
    first_window: int
    end_window: int
    confidence: float


def find(material: Material) -> Iterable[Finding]:
    for line, measured in material.lines.items():
        if measured.role in (Role.TIMECODE, Role.CLICK):  # their own spectrum stands on such frequencies
            continue
        mains = find_mains(material, line)
        if mains is None:
            continue
        top = top_db(measured.levels.history_rms_db)
        under = top - mains.level_dbfs
        spectra = measured.spectra
        first = mains.first_window * spectra.window_frames
        end = mains.end_window * spectra.window_frames
        whole = mains.first_window <= spectra.windows * 0.1 and mains.end_window >= spectra.windows * 0.85
        name = "buzzes" if mains.buzz_share > 0.3 else "hums"
        series = 50 if mains.base_hz < 55 else 60
        yield Finding(
            kind="hum",
            severity=Severity.FIX if under < SERIOUS_UNDER_TOP_DB or mains.level_dbfs > -50 else Severity.NOTE,
            lines=(line,),
            spans=() if whole else (Span(first_frame=first, frames=end - first),),
            confidence=mains.confidence,
            evidence=(
                Evidence(name="level of the hum", value=mains.level_dbfs, unit="dBFS"),
                Evidence(name="under the line's loud passages", value=under, unit="dB"),
                Evidence(name="mains frequency", value=mains.base_hz, unit="Hz"),
                Evidence(name="harmonics seen", value=mains.harmonics),
            ),
            what=f"{measured.label} {name} with the {series} Hz mains: {mains.level_dbfs:.0f} dBFS, {under:.0f} dB "
            f"under its "
            "loud passages.",
            remedy="Balance the line or put an isolating transformer (DI with transformer) into it; feed "
            "instrument and "
            "stage box from one supply; keep the cable away from power cables, dimmers and transformers; try another "
            "cable (broken shield).",
            caution=CAUTION,
        )


def find_mains(material: Material, line: int) -> Mains | None:
    """The steady mains series in a line's quiet windows, or None."""
    spectra = material.lines[line].spectra
    clear = material.spectrum_windows_clear(line)
    keep = np.flatnonzero(clear[spectra.quiet_window]) if len(spectra.quiet_window) else np.zeros(0, np.int64)
    if len(keep) < 3:
        return None
    quiet = spectra.quiet[keep].astype(np.float64)
    windows = spectra.quiet_window[keep]
    found = [m for m in (_series(quiet, windows, spectra.bin_hz, f, spectra.windows) for f in (50.0, 60.0)) if m]
    if not found:
        return None
    best = max(found, key=lambda m: (m.harmonics, m.level_dbfs))
    top = top_db(material.lines[line].levels.history_rms_db)
    if best.level_dbfs < LEAST_DBFS or best.level_dbfs < top - LEAST_UNDER_TOP_DB:
        return None
    return best


def _series(quiet: F64, windows: NDArray[np.int64], bin_hz: float, nominal_hz: float, total: int) -> Mains | None:
    # Only the calmest windows of each stretch can tell: what is played covers hum, and hum may begin in mid-show.
    total_db = 10 * np.log10(quiet.sum(axis=1) + 1e-20)
    calm_rows = np.array(
        [total_db[k] <= total_db[max(0, k - 3) : k + 4].min() + 6.0 for k in range(len(total_db))], np.bool_
    )
    quiet, windows, total_db = quiet[calm_rows], windows[calm_rows], total_db[calm_rows]
    if len(quiet) < 3:
        return None
    # The frequency is read from the half that looks most like mains.
    rough = np.array([_prominence(row, nominal_hz * np.array([1, 2, 3, 4, 5]), bin_hz).sum() for row in quiet])
    best = quiet[np.argsort(-rough)[: max(3, len(rough) // 2)]]
    calm = np.exp(np.log(best + 1e-20).mean(axis=0))
    bases = np.arange(nominal_hz - 0.2, nominal_hz + 0.21, 0.05)
    numbers = np.array([h for h in range(1, HARMONICS + 1) if (h * nominal_hz) % 300 != 0])
    scores = [np.clip(_prominence(calm, base * numbers, bin_hz), 0, 30).sum() for base in bases]
    base = float(bases[int(np.argmax(scores))])
    out = _prominence(calm, base * numbers, bin_hz)
    seen = out > STANDS_OUT_DB
    if not seen.any():
        return None
    levels = np.stack([_line_power(row, base * numbers[seen], bin_hz) for row in quiet])  # (windows, harmonics)
    sums = 10 * np.log10(levels.sum(axis=1) + 1e-20)
    standing = np.stack([_prominence(row, base * numbers[seen], bin_hz) for row in quiet]) > STANDS_OUT_DB * 0.6
    there = standing.mean(axis=1) >= 0.5
    if there.sum() < 3:
        return None
    level = float(np.median(sums[there]))
    # A window in which music lies on the same bins reads higher; steadiness is judged on those near the median.
    quartile_low, quartile_high = np.quantile(sums[there], (0.2, 0.6))
    steady = float(quartile_high - quartile_low) / 2
    near = float(np.mean(np.abs(sums[there] - level) < 3.0))
    first, last = int(np.flatnonzero(there)[0]), int(np.flatnonzero(there)[-1])
    share = float(there[first : last + 1].mean())
    count = int(seen.sum())
    odd = seen[np.isin(numbers, (1, 3, 5))].sum()
    strong = float(out[seen].max())
    if steady > STEADY_DB or near < 0.6 or share < 0.6:
        return None
    low = int(np.isin(numbers[seen], (1, 2, 3)).sum())
    if count >= 4 and steady < 1.0:
        confidence = 0.95
    elif count >= 2 and low >= 2 and odd >= 1 and strong > 15 and steady < STILL_DB and there.sum() >= 5:
        confidence = 0.8
    elif count == 1 and numbers[seen][0] <= 2 and strong > 20 and steady < STILL_DB and there.sum() >= 6:
        confidence = 0.6
    else:
        return None
    powers = np.median(levels[there], axis=0)
    high = float(powers[numbers[seen] * nominal_hz > 400].sum() / (powers.sum() + 1e-30))
    return Mains(
        base_hz=base,
        level_dbfs=level,
        harmonics=count,
        steady_db=steady,
        buzz_share=high,
        first_window=0 if first == 0 else int(windows[first]),
        end_window=total if last == len(windows) - 1 else int(windows[last]) + 1,
        confidence=confidence,
    )


def _line_power(power: F64, hz: F64, bin_hz: float) -> F64:
    """Power of the Hann main lobe (five bins) around each frequency."""
    k = np.round(hz / bin_hz).astype(np.int64)
    k = np.minimum(k, len(power) - 3)
    return sum((power[k + d] for d in range(-2, 3)), np.zeros(len(k)))


def _prominence(power: F64, hz: F64, bin_hz: float) -> F64:
    """Peak of three bins at each frequency over the median of its neighbourhood (3 to 16 Hz to either side), in dB."""
    k = np.minimum(np.round(hz / bin_hz).astype(np.int64), len(power) - 2)
    near, far = max(3, round(3.0 / bin_hz)), round(16.0 / bin_hz)
    out = np.zeros(len(k))
    for n, at in enumerate(k):
        around = np.concatenate((power[max(1, at - far) : max(1, at - near)], power[at + near : at + far]))
        peak = power[max(0, at - 1) : at + 2].max()
        # The peak has to be here: the skirt of a note close by is no mains line.
        first = max(0, at - 5)
        if abs(first + int(np.argmax(power[first : at + 6])) - at) > 1:
            continue
        out[n] = 10 * np.log10((peak + 1e-20) / (np.median(around) + 1e-20)) if len(around) > 4 else 0.0
    return out


FAMILY = Family(
    name="hum",
    kinds=(Kind("hum", "Hum or buzz: a steady series on 50 or 60 Hz"),),
    method="Quietest windows: prominence of the mains series, steadiness of its level",
    source="EN 50160 for the frequency; thresholds from the bench; earthing caution: IEC 60364-4-41, AES48",
    find=find,
)
