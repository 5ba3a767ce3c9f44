"""Acoustic feedback: a loop that rings, when, where, at which frequency and for how long.

A ringing loop is told from an instrument by four things at once: it is nearly one pure tone, its frequency does not
move by a thousandth, it grows by the same number of decibels in every tenth of a second, and it stands for most of a
second. A flute has harmonics, a breath and a vibrato; a synthesiser starts at once.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.family import Family, Kind
from nightreel.review.levels import runs
from nightreel.review.material import Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.show.model import Role
from nightreel.timeline import Span
from nightreel.units import format_position

PROMINENT_DB = 12.0
LEAST_PURITY = 0.1  # a stand of half a second that is 70 % tone, cut by a window's edge, leaves more
LEAST_DBFS = -52.0
STEP_S = 0.025
LEAST_S = 0.5
STEADY = 0.0015
GROWS_DB = 12.0
MOST_CANDIDATES = 16
_MICS = (Role.MIC, Role.WIRELESS, Role.AMBIENCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    span: Span
    hz: float
    level_dbfs: float
    growth_db_s: float


def find(material: Material) -> Iterable[Finding]:
    for line, measured in material.lines.items():
        if measured.role not in _MICS:
            continue
        rings = find_rings(material, line)
        if not rings:
            continue
        worst = max(rings, key=lambda r: r.level_dbfs)
        length = sum(r.span.frames for r in rings) / material.rate_hz
        times = "once" if len(rings) == 1 else f"{len(rings)} times"
        yield Finding(
            kind="feedback",
            severity=Severity.FIX if worst.level_dbfs > -30 else Severity.NOTE,
            lines=(line,),
            spans=tuple(r.span for r in rings),
            confidence=0.85,
            evidence=(
                Evidence(name="frequency", value=worst.hz, unit="Hz"),
                Evidence(name="level", value=worst.level_dbfs, unit="dBFS"),
                Evidence(name="growth", value=worst.growth_db_s, unit="dB/s"),
                Evidence(name="length in all", value=length, unit="s"),
            ),
            what=f"{measured.label} feeds back {times}: {worst.hz:.0f} Hz at "
            f"{format_position(worst.span.first_frame, material.rate_hz)}, {length:.1f} s in all.",
            remedy=f"Take {worst.hz:.0f} Hz down by 3 to 6 dB with a narrow filter in the wedge or main that this "
            f"microphone "
            "hears, turn that send down, or move microphone or loudspeaker.",
        )


def find_rings(material: Material, line: int) -> tuple[Ring, ...]:
    """Rings of a line, judged in detail where a spectral window shows a pure tone."""
    spectra = material.lines[line].spectra
    clear = material.spectrum_windows_clear(line)
    pure = (spectra.tone_prominence_db > PROMINENT_DB) & (spectra.tone_purity > LEAST_PURITY)
    tone = clear & pure & (spectra.tone_db > LEAST_DBFS)
    found: list[Ring] = []
    spans = runs(tone)
    order = sorted(spans, key=lambda s: -float(spectra.tone_db[s[0] : s[1]].max()))[:MOST_CANDIDATES]
    for first, end in order:
        strongest = int(first + np.argmax(spectra.tone_db[first:end]))
        ring = _judge(material, line, int(first), int(min(end, first + 8)), float(spectra.tone_hz[strongest]))
        if ring and not any(abs(ring.span.first_frame - r.span.first_frame) < material.rate_hz for r in found):
            found.append(ring)
    return tuple(sorted(found, key=lambda r: r.span.first_frame))


def _judge(material: Material, line: int, first_window: int, end_window: int, hz: float) -> Ring | None:
    rate = material.rate_hz
    window = material.lines[line].spectra.window_frames
    start = max(0, first_window * window - 3 * rate)
    frames = min((end_window - first_window) * window + 4 * rate, material.facts.frames - start)
    samples = material.read((line,), start, frames)[:, 0]
    level, phase_hz, share = _track(samples, hz, rate)
    step = round(STEP_S * rate)
    if len(level) < 20:
        return None
    top = float(level.max())
    if top < LEAST_DBFS:
        return None
    # the stand: most of the line's power is the tone, and it is within 6 dB of its highest
    stands = runs((share > 0.7) & (level > top - 6))
    if len(stands) == 0:
        return None
    a, b = max(stands, key=lambda s: s[1] - s[0])
    if (b - a) * STEP_S < LEAST_S * 0.5:
        return None
    inner = phase_hz[a + 1 : b - 1]
    if len(inner) < 8 or float(np.std(inner)) > STEADY * hz:
        return None
    # the growth: back from the stand, as far as it rises evenly
    c = int(a + np.argmax(level[a:b] > top - 3))
    lowest = c
    while lowest > 0 and level[lowest - 1] < level[lowest] + 0.4 and level[lowest - 1] > -80 and c - lowest < 160:
        lowest -= 1
    rise = float(level[c] - level[lowest])
    length = c - lowest
    if rise < GROWS_DB or length < 6:
        return None
    slope = np.polynomial.Polynomial.fit(np.arange(length + 1), level[lowest : c + 1], 1)
    rough = float(np.sqrt(np.mean((level[lowest : c + 1] - slope(np.arange(length + 1))) ** 2)))
    growth = rise / (length * STEP_S)
    if rough > 2.5 or growth > 220 or (b - lowest) * STEP_S < LEAST_S:
        return None
    span = Span(first_frame=start + int(lowest) * step, frames=int(b - lowest) * step)
    return Ring(span=span, hz=float(np.median(inner)), level_dbfs=top, growth_db_s=growth)


def _track(
    samples: NDArray[np.float32], hz: float, rate_hz: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Level (dBFS RMS), frequency by phase, and share of all power, of the tone near ``hz`` in steps of 25 ms."""
    step = round(STEP_S * rate_hz)
    n = 2 * step
    count = max(0, (len(samples) - n) // step)
    t = np.arange(len(samples)) / rate_hz
    mixed = samples * np.exp(-2j * np.pi * hz * t)
    window = np.hanning(n)
    gain = window.sum()
    tone = np.array([np.dot(mixed[k * step : k * step + n], window) / gain for k in range(count)])
    squares = samples.astype(np.float64) ** 2
    power = np.array([np.dot(squares[k * step : k * step + n], window) / gain for k in range(count)])
    level = 20 * np.log10(np.abs(tone) * 2**0.5 + 1e-10)
    turn = np.angle(tone[1:] * np.conj(tone[:-1])) / (2 * np.pi * step / rate_hz)
    frequency = hz + np.concatenate((turn[:1], turn)) if count > 1 else np.zeros(count)
    share = np.clip(2 * np.abs(tone) ** 2 / (power + 1e-20), 0, 1)
    return level, frequency, share


FAMILY = Family(
    name="feedback",
    kinds=(Kind("feedback", "Acoustic feedback: a pure tone that grows and stands"),),
    method="Prominent tones of the spectral windows; then purity, steadiness of phase and evenness of growth in 25 "
    "ms steps",
    source="exponential growth of an unstable loop (Nyquist); thresholds from the bench",
    find=find,
)
