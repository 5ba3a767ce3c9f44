"""The meters again, slow and obvious, over a whole signal at once: what the fused kernel is held against."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from nightreel.signal.interpolator import interpolator
from nightreel.signal.kweight import k_weighting


def true_peak(x: np.ndarray, rate_hz: int) -> np.ndarray:
    """Largest magnitude of the samples and of every phase of the interpolator, silence before and after."""
    taps = interpolator(rate_hz).taps
    most = np.abs(x).max(axis=0, initial=0.0).astype(np.float64)
    for phase in taps.astype(np.float64):
        for c in range(x.shape[1]):
            most[c] = max(most[c], np.abs(np.convolve(x[:, c].astype(np.float64), phase[::-1])).max())
    return most


def k_weighted(x: np.ndarray, rate_hz: int) -> np.ndarray:
    y = x.astype(np.float64)
    for b0, b1, b2, a1, a2 in k_weighting(rate_hz):
        y = lfilter([b0, b1, b2], [1.0, a1, a2], y, axis=0)
    return y


def window_powers(x: np.ndarray, rate_hz: int, window_s: float, step_s: float) -> np.ndarray:
    """K-weighted mean squares of all whole windows, channel by channel."""
    y = k_weighted(x, rate_hz) ** 2
    size, step = round(window_s * rate_hz), round(step_s * rate_hz)
    return np.array([y[i : i + size].mean(axis=0) for i in range(0, len(y) - size + 1, step)]).reshape(-1, x.shape[1])


def runs(flags: np.ndarray, shortest: int) -> list[tuple[int, int]]:
    """(start, length) of the runs of True of at least `shortest`."""
    found, start = [], None
    for i, flag in enumerate([*flags.tolist(), False]):
        if flag and start is None:
            start = i
        elif not flag and start is not None:
            if i - start >= shortest:
                found.append((start, i - start))
            start = None
    return found
