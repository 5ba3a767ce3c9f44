"""Two lines held against each other: delay, polarity, gain, and how much of one is in the other.

The delay is the lag of the highest peak, positive or negative, of the cross-correlation summed over windows; for
microphones it is weighted by GCC-PHAT (Knapp and Carter, IEEE Trans. ASSP 24(4), 1976) so that a narrow spectrum does
not blur it. After the lines are aligned, the magnitude-squared coherence (Welch, 8192 frames, Hann, half overlap)
tells how much of one is a linear copy of the other, and the ratio of the spectra whether that copy is plain gain.
Speed of sound: 343.2 m/s x sqrt(T / 293.15 K) (ISO 9613-1, reference 20 degrees C).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.review.material import Material

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

WINDOW_FRAMES = 1 << 16
SEGMENT = 1 << 13


def speed_of_sound_m_s(celsius: float = 20.0) -> float:
    return 343.2 * math.sqrt((celsius + 273.15) / 293.15)


def distance_m(frames: float, rate_hz: int, celsius: float = 20.0) -> float:
    return frames / rate_hz * speed_of_sound_m_s(celsius)


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """How the second line relates to the first.

    lag_frames : the second is later by so much
    correlation : normalised cross-correlation at that lag, -1 to 1, over the whole band
    sharpness : height of the weighted (PHAT) peak over the highest of the opposite sign
    phat : that peak, signed: negative when polarity is reversed
    coherence : share of the second's energy that is a linear copy of the first, 0 to 1
    gain_db : level of the second over the first
    flatness_db : spread of the transfer's magnitude over frequency, weighted by energy; 0 = plain gain
    residual_db : what is left of the second after the scaled, shifted first is taken away, relative to the second
    agreeing : share of the windows whose own peak lies at this lag with this sign
    windows : how many were compared
    """

    lag_frames: int
    correlation: float
    sharpness: float
    phat: float
    coherence: float
    gain_db: float
    flatness_db: float
    residual_db: float
    agreeing: float
    windows: int


def loud_windows(material: Material, lines: Sequence[int], *, count: int = 12) -> list[int]:
    """First frames of windows in which all of ``lines`` are in use, spread over the take; the loudest of each part."""
    length = WINDOW_FRAMES // material.history_frames + 1
    levels = [material.lines[n].levels.history_rms_db for n in lines]
    size = min(len(level) for level in levels)
    if size <= length:
        return []
    both = np.ones(size, np.bool_)
    weakest = np.full(size, 0.0, np.float32)
    for n, level in zip(lines, levels, strict=True):
        both &= material.active(n)[:size]
        weakest = np.minimum(weakest, level[:size])
        both &= ~material.in_gap(n)[:size]
    score = np.where(both, weakest + 100.0, 0.0)
    sums = np.convolve(score, np.ones(length), mode="valid")
    chosen = []
    for part in np.array_split(np.arange(len(sums)), count):
        if len(part) == 0:
            continue
        best = int(part[np.argmax(sums[part])])
        if both[best : best + length].mean() >= 0.3:
            chosen.append(best * material.history_frames)
    limit = material.facts.frames - WINDOW_FRAMES
    return sorted({c for c in chosen if c <= limit})


def compare_lines(
    material: Material, first: int, second: int, *, max_lag_frames: int, count: int = 12
) -> Likeness | None:
    """The likeness of two lines over their common loud windows; None when there are none."""
    starts = loud_windows(material, (first, second), count=count)
    if not starts:
        return None
    pairs = [material.read((first, second), start, WINDOW_FRAMES) for start in starts]
    return compare_blocks(pairs, rate_hz=material.rate_hz, max_lag_frames=max_lag_frames)


def compare_blocks(pairs: Sequence[F32], *, rate_hz: int, max_lag_frames: int) -> Likeness:
    """``pairs``: windows of shape (frames, 2), all of one length."""
    import scipy.fft

    frames = len(pairs[0])
    n = scipy.fft.next_fast_len(frames + max_lag_frames, real=True)
    cross = np.zeros(n // 2 + 1, np.complex128)
    per_window = []
    energy_a = energy_b = 0.0
    for pair in pairs:
        a, b = (pair[:, k].astype(np.float64) - pair[:, k].mean(dtype=np.float64) for k in (0, 1))
        ea, eb = float(a @ a), float(b @ b)
        if ea <= 0 or eb <= 0:
            continue
        spectrum = np.conj(scipy.fft.rfft(a, n)) * scipy.fft.rfft(b, n)
        # every window counts alike, so that one loud hit does not decide
        cross += spectrum / math.sqrt(ea * eb)
        per_window.append(spectrum)
        energy_a, energy_b = energy_a + 1.0, energy_b + 1.0
    if not per_window:
        return Likeness(
            lag_frames=0, correlation=0.0, sharpness=0.0, phat=0.0, coherence=0.0, gain_db=0.0, flatness_db=99.0,
            residual_db=0.0, agreeing=0.0, windows=0,
        )  # fmt: skip
    lags = np.concatenate((np.arange(max_lag_frames + 1), np.arange(-max_lag_frames, 0)))
    weights = _band(n, rate_hz) / (np.abs(cross) + 1e-12 + 0.02 * np.abs(cross).max())
    phat = scipy.fft.irfft(cross * weights, n)[lags]
    best = int(np.argmax(np.abs(phat)))
    lag = int(lags[best])
    sign = np.sign(phat[best])
    opposite = float(np.max(-sign * phat))
    agreeing = np.mean([_agrees(s, lag, sign, n, rate_hz, lags) for s in per_window])
    aligned = [_aligned(p, lag) for p in pairs]
    coherence, flatness, gain, residual, correlation = _welch(aligned)
    return Likeness(
        lag_frames=lag,
        correlation=correlation,
        sharpness=float(abs(phat[best]) / (opposite + 1e-12)),
        phat=float(phat[best]),
        coherence=coherence,
        gain_db=gain,
        flatness_db=flatness,
        residual_db=residual,
        agreeing=float(agreeing),
        windows=len(per_window),
    )


def _band(n: int, rate_hz: int) -> F64:
    """Weights of the PHAT: 60 Hz to 8 kHz."""
    hz = np.arange(n // 2 + 1) * rate_hz / n
    return ((hz > 60) & (hz < 8000)).astype(np.float64)


def _agrees(
    spectrum: NDArray[np.complex128], lag: int, sign: float, n: int, rate_hz: int, lags: NDArray[np.int64]
) -> bool:
    import scipy.fft

    weights = _band(n, rate_hz) / (np.abs(spectrum) + 1e-30 + 0.02 * np.abs(spectrum).max())
    phat = scipy.fft.irfft(spectrum * weights, n)[lags]
    best = int(np.argmax(np.abs(phat)))
    return bool(abs(int(lags[best]) - lag) <= 3 and np.sign(phat[best]) == sign)


def _aligned(pair: F32, lag: int) -> F32:
    frames = len(pair) - abs(lag)
    a = pair[:frames, 0] if lag >= 0 else pair[-lag : -lag + frames, 0]
    b = pair[lag : lag + frames, 1] if lag >= 0 else pair[:frames, 1]
    return np.stack((a, b), axis=1)


def _welch(aligned: Sequence[F32]) -> tuple[float, float, float, float, float]:
    """Coherence, flatness of the transfer (dB), gain (dB), residual (dB) and plain correlation of aligned pairs."""
    import scipy.fft

    window = np.hanning(SEGMENT).astype(np.float32)
    saa = np.zeros(SEGMENT // 2 + 1)
    sbb = np.zeros(SEGMENT // 2 + 1)
    sab = np.zeros(SEGMENT // 2 + 1, np.complex128)
    for pair in aligned:
        for at in range(0, len(pair) - SEGMENT + 1, SEGMENT // 2):
            a = scipy.fft.rfft(pair[at : at + SEGMENT, 0] * window)
            b = scipy.fft.rfft(pair[at : at + SEGMENT, 1] * window)
            saa += np.abs(a) ** 2
            sbb += np.abs(b) ** 2
            sab += np.conj(a) * b
    saa[0] = sbb[0] = sab[0] = 0.0
    ta, tb = float(saa.sum()), float(sbb.sum())
    if ta <= 0 or tb <= 0:
        return 0.0, 99.0, 0.0, 0.0, 0.0
    msc = np.abs(sab) ** 2 / (saa * sbb + 1e-30)
    coherence = float((msc * sbb).sum() / tb)
    transfer_db = 20 * np.log10((np.abs(sab) + 1e-30) / (saa + 1e-30))
    weight = sbb / tb
    centre = float((transfer_db * weight).sum())
    flatness = float(np.sqrt(((transfer_db - centre) ** 2 * weight).sum()))
    both = float(sab.real.sum())
    correlation = both / math.sqrt(ta * tb)
    residual = max(1.0 - correlation**2, 1e-14)
    return coherence, flatness, 10 * math.log10(tb / ta), 10 * math.log10(residual), correlation
