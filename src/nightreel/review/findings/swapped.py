"""Lines that carry another line's signal: found by what names and roles promise, and by sound that answers to no name.

Three things are asked, all of them coarse on purpose: does timecode stand on a line that is no timecode line; does a
click line not click while another does; and does a line that must be low (kick, bass) sound high, and one that must
be high (hi-hat, overhead, flute) sound low. The last is only told for a pair that fits when the two are exchanged.
Names that are not known lead to no statement; a comparison with another night (:mod:`nightreel.review.nights`) sees
more.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np

from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.names import words
from nightreel.review.findings.silent import is_dead
from nightreel.review.findings.timecode import holds_code
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.review.spectra import CENTRES_HZ
from nightreel.show.model import Role

# Names that promise a place in the spectrum: (words, lowest and highest spectral middle in Hz). The middle is the
# frequency that halves the energy of the loud windows. Wide on purpose; common practice, no published source.
_PROMISES: tuple[tuple[frozenset[str], float, float], ...] = (
    (frozenset({"kick", "bassdrum", "bd", "grosse", "bombo"}), 20.0, 900.0),
    (frozenset({"bass", "basse", "kontrabass", "tuba", "sub"}), 20.0, 900.0),
    (
        frozenset({"hihat", "hat", "hh", "hats", "ride", "cymbal", "cymbals", "becken", "shaker", "triangle"}),
        1000.0,
        2e4,
    ),
    (frozenset({"overhead", "overheads", "oh"}), 150.0, 2e4),
    (frozenset({"flute", "piccolo", "querflöte", "glockenspiel"}), 300.0, 2e4),
    (frozenset({"keys", "piano", "organ", "klavier", "guitar", "gtr"}), 90.0, 5000.0),
    (frozenset({"vocal", "vocals", "vox", "voice", "gesang", "lead"}), 100.0, 5000.0),
)
MUCH = 1.6  # times outside its promise


def find(material: Material) -> Iterable[Finding]:
    told: set[int] = set()
    for finding in (*_timecode(material), *_click(material)):
        told |= set(finding.lines)
        yield finding
    yield from _by_spectrum(material, told)


def _timecode(material: Material) -> Iterable[Finding]:
    lines = material.lines
    missing = [n for n, m in lines.items() if m.role is Role.TIMECODE and not holds_code(material, n)]
    if not missing:
        return
    for line, measured in lines.items():
        if measured.role is Role.TIMECODE or is_dead(material, line) or not _steady(measured):
            continue
        if holds_code(material, line):
            yield _exchanged(lines[missing[0]], measured, 0.97, "timecode is on the other", ())


def _steady(measured: LineMaterial) -> bool:
    """Code has one level: worth a look only where the level hardly moves."""
    history = measured.levels.history_rms_db
    return len(history) > 10 and float(np.quantile(history, 0.9) - np.quantile(history, 0.4)) < 2.0


def _click(material: Material) -> Iterable[Finding]:
    lines = material.lines
    silent = [n for n, m in lines.items() if m.role is Role.CLICK and not is_dead(material, n) and not _clicks(m)]
    clicking = [n for n, m in lines.items() if m.role is not Role.CLICK and m.role is not Role.TIMECODE and _clicks(m)]
    if silent and len(clicking) == 1:
        yield _exchanged(lines[silent[0]], lines[clicking[0]], 0.8, "the click is on the other", ())


def _clicks(measured: LineMaterial) -> bool:
    """Digital silence between short bursts of one height."""
    levels = measured.levels
    peaks = levels.history_peak_db
    loud = peaks[peaks > levels.peak_dbfs - 12]
    zero_share = levels.zero_frames / max(1, measured.frames)
    return zero_share > 0.3 and len(levels.zero_spans) > 20 and len(loud) > 10 and float(np.std(loud)) < 2.0


def _by_spectrum(material: Material, told: set[int]) -> Iterable[Finding]:
    middles = {n: _middle_hz(material, n) for n in material.lines}
    promises = {n: _promise(m) for n, m in material.lines.items()}
    off = [n for n in material.lines if n not in told and _outside(middles[n], promises[n]) > MUCH]
    used: set[int] = set()
    for k, a in enumerate(off):
        for b in off[k + 1 :]:
            if {a, b} & used or material.lines[a].track.partner == b:
                continue
            fits = _outside(middles[a], promises[b]) <= 1.0 and _outside(middles[b], promises[a]) <= 1.0
            if fits:
                used |= {a, b}
                how = (
                    f"{material.lines[a].track.name} sounds at {middles[a]:.0f} Hz, {material.lines[b].track.name} at "
                )
                yield _exchanged(
                    material.lines[a],
                    material.lines[b],
                    0.8,
                    how + f"{middles[b]:.0f} Hz",
                    (
                        Evidence(name=f"spectral middle of line {a}", value=middles[a], unit="Hz"),
                        Evidence(name=f"spectral middle of line {b}", value=middles[b], unit="Hz"),
                    ),
                )
                break


def _promise(measured: LineMaterial) -> tuple[float, float] | None:
    if measured.role not in (Role.MIC, Role.DIRECT, Role.WIRELESS):
        return None
    name = words(measured.track.name)
    joined = {*name, *("".join(pair) for pair in pairwise(name))}
    found = [(low, high) for known, low, high in _PROMISES if known & joined]
    return found[0] if len(found) == 1 else None


def _middle_hz(material: Material, line: int) -> float:
    """The frequency that halves the energy of the loudest third of the windows; 0 for a line without signal."""
    spectra = material.lines[line].spectra
    bands = spectra.bands_db[material.spectrum_windows_clear(line)]
    if len(bands) < 3 or is_dead(material, line):
        return 0.0
    power = 10 ** (bands.astype(np.float64) / 10)
    total = power.sum(axis=1)
    loud = power[total >= np.quantile(total, 0.67)]
    mean = (loud / (loud.sum(axis=1, keepdims=True) + 1e-20)).mean(axis=0)
    share = np.cumsum(mean)
    return float(np.exp(np.interp(share[-1] / 2, share, np.log(CENTRES_HZ))))


def _outside(middle_hz: float, promise: tuple[float, float] | None) -> float:
    """How many times outside its promise; 1 where it is inside, 0 where nothing is promised."""
    if promise is None or middle_hz <= 0:
        return 0.0 if promise is None else 1.0
    low, high = promise
    return max(1.0, low / middle_hz, middle_hz / high)


def _exchanged(
    a: LineMaterial, b: LineMaterial, confidence: float, why: str, evidence: tuple[Evidence, ...]
) -> Finding:
    return Finding(
        kind="swapped",
        severity=Severity.STOPS,
        lines=(a.track.line, b.track.line),
        confidence=confidence,
        evidence=evidence,
        what=f"{a.label} and {b.label} seem to be swapped against the input list: {why}.",
        remedy="Listen to both. If so: exchange them in the patch (or in the input list), and swap the two names "
        "of this "
        "take before handing it over; at soundcheck each would return on the other's channel.",
    )


FAMILY = Family(
    name="swapped",
    kinds=(Kind("swapped", "Two lines carry each other's signal"),),
    method="Timecode and click looked for on other lines; spectral middle against what the name promises",
    source="common practice, no published source",
    find=find,
)
