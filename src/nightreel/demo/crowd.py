"""The hall of the demo show: murmur before, applause between the songs. Mono float32; all seeded."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Mono = NDArray[np.float32]


def applause(frames: int, rate_hz: int, rng: np.random.Generator) -> Mono:
    """Thousands of single claps, more of them at first; peak about 1."""
    from scipy.signal import butter, oaconvolve, sosfilt

    if frames < rate_hz // 4:
        return np.zeros(frames, dtype=np.float32)
    t = np.arange(frames) / frames
    density = np.clip(t / 0.12, 0.0, 1.0) * np.clip((1.0 - t) / 0.6, 0.0, 1.0)
    claps = np.where(rng.uniform(size=frames) < density * 420.0 / rate_hz, rng.normal(0.0, 1.0, frames), 0.0)
    n = int(0.012 * rate_hz)
    clap = rng.standard_normal(n) * np.exp(-np.arange(n) / (0.0025 * rate_hz))
    clap = sosfilt(butter(2, (900.0, 4200.0), "bandpass", fs=rate_hz, output="sos"), clap)
    sound = oaconvolve(claps, clap)[:frames]
    return np.asarray(sound / (np.abs(sound).max() + 1e-9), dtype=np.float32)


def murmur(frames: int, rate_hz: int, rng: np.random.Generator) -> Mono:
    """Many people talking far away: noise in the voice band that ebbs and flows; RMS about 1."""
    from scipy.signal import butter, sosfilt

    noise = sosfilt(butter(2, (180.0, 1800.0), "bandpass", fs=rate_hz, output="sos"), rng.standard_normal(frames))
    knots = max(2, int(frames / rate_hz * 4))
    swell = np.interp(np.arange(frames), np.linspace(0, frames, knots), rng.uniform(0.5, 1.5, knots))
    sound = noise * swell
    return np.asarray(sound / (np.sqrt(np.mean(sound**2)) + 1e-9), dtype=np.float32)


def reverb_tail(rate_hz: int, rng: np.random.Generator, *, seconds: float = 1.6) -> Mono:
    """Impulse response of an effects unit: decaying noise, darker as it goes; energy 1."""
    from scipy.signal import lfilter

    n = int(seconds * rate_hz)
    tail = rng.standard_normal(n) * np.exp(-6.9 * np.arange(n) / n)
    tail = lfilter([0.45], [1.0, -0.55], tail)
    tail[: int(0.018 * rate_hz)] = 0.0  # pre-delay
    return np.asarray(tail / np.sqrt(np.sum(tail**2)), dtype=np.float32)
