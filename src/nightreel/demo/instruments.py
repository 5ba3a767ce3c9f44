"""Instruments of the demo band, one note at a time or one part at a time. Mono float32, peak about 1; all seeded.

Struck and plucked things are single notes to be laid into a part; bowed, blown and sung ones are whole parts, since
one tone glides into the next. Recipes of ours; the plucked string is the one of Karplus and Strong (1983).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nightreel.demo.score import Note

Mono = NDArray[np.float32]
Rng = np.random.Generator


def frequency_hz(pitch: float, tuning_hz: float) -> float:
    return float(tuning_hz * 2.0 ** ((pitch - 69.0) / 12.0))


def _decay(frames: int, rate_hz: int, tau_s: float) -> NDArray[np.float64]:
    return np.exp(-np.arange(frames) / (tau_s * rate_hz))


def _soft_start(x: NDArray[np.float64], rate_hz: int, seconds: float = 0.0005) -> NDArray[np.float64]:
    n = min(len(x), max(1, int(seconds * rate_hz)))
    x[:n] *= np.linspace(0.0, 1.0, n, endpoint=False)
    tail = min(len(x), int(0.02 * rate_hz))
    x[-tail:] *= np.linspace(1.0, 0.0, tail)
    return x


def _band(x: NDArray[np.float64], rate_hz: int, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    from scipy.signal import butter, sosfilt

    high = min(high_hz, rate_hz * 0.45)
    return np.asarray(sosfilt(butter(2, (low_hz, high), "bandpass", fs=rate_hz, output="sos"), x))


def kick(rate_hz: int, rng: Rng) -> Mono:
    n = int(0.45 * rate_hz)
    t = np.arange(n) / rate_hz
    sweep = 52.0 + 110.0 * np.exp(-t / 0.018)
    body = np.sin(2 * np.pi * np.cumsum(sweep) / rate_hz) * _decay(n, rate_hz, 0.11)
    beater = _band(rng.standard_normal(n), rate_hz, 1800, 5500) * _decay(n, rate_hz, 0.004)
    return _soft_start(body + 0.5 * beater, rate_hz).astype(np.float32)


def snare(rate_hz: int, rng: Rng) -> Mono:
    n = int(0.35 * rate_hz)
    t = np.arange(n) / rate_hz
    head = (np.sin(2 * np.pi * 188 * t) + 0.6 * np.sin(2 * np.pi * 331 * t)) * _decay(n, rate_hz, 0.045)
    wires = _band(rng.standard_normal(n), rate_hz, 1500, 9500) * _decay(n, rate_hz, 0.075)
    return _soft_start(0.7 * head + 0.8 * wires, rate_hz).astype(np.float32)


def tom(pitch_hz: float) -> Callable[[int, Rng], Mono]:
    def play(rate_hz: int, rng: Rng) -> Mono:
        n = int(0.8 * rate_hz)
        t = np.arange(n) / rate_hz
        sweep = pitch_hz * (1.0 + 0.35 * np.exp(-t / 0.03))
        body = np.sin(2 * np.pi * np.cumsum(sweep) / rate_hz) * _decay(n, rate_hz, 0.19)
        stick = _band(rng.standard_normal(n), rate_hz, 900, 5000) * _decay(n, rate_hz, 0.006)
        return _soft_start(body + 0.35 * stick, rate_hz).astype(np.float32)

    return play


def cymbal(length_s: float, tau_s: float, low_hz: float) -> Callable[[int, Rng], Mono]:
    def play(rate_hz: int, rng: Rng) -> Mono:
        n = int(length_s * rate_hz)
        wash = _band(rng.standard_normal(n), rate_hz, low_hz, 16_000)
        modes = low_hz * (1.0 + np.cumsum(rng.uniform(0.05, 0.25, 14)))
        t = np.arange(n) / rate_hz
        for mode in modes:
            wash += 0.12 * np.sin(2 * np.pi * mode * t + rng.uniform(0, 6.28)) * _decay(n, rate_hz, tau_s * 0.7)
        return _soft_start(wash * _decay(n, rate_hz, tau_s) * 0.5, rate_hz).astype(np.float32)

    return play


STRUCK: dict[str, Callable[[int, Rng], Mono]] = {
    "kick": kick,
    "snare": snare,
    "tom 1": tom(128.0),
    "tom 2": tom(86.0),
    "hat": cymbal(0.18, 0.035, 5200.0),
    "crash": cymbal(2.2, 0.55, 2100.0),
    "ride": cymbal(1.2, 0.30, 3200.0),
}


def pluck(hz: float, length_s: float, rate_hz: int, rng: Rng, *, bright: float) -> Mono:
    """A plucked string: noise in a delay line that loses its highs (Karplus and Strong 1983, with a fractional tap)."""
    from scipy.signal import lfilter

    period = rate_hz / hz - 0.5
    whole = int(period)
    fraction = period - whole
    n = int(min(length_s + 0.12, 2.6) * rate_hz)
    burst = np.zeros(n)
    burst[:whole] = rng.uniform(-1.0, 1.0, whole)
    burst[:whole] = lfilter([bright], [1.0, bright - 1.0], burst[:whole])
    burst[:whole] -= burst[:whole].mean()
    loss = 0.5 ** (1.0 / (hz * 0.55))  # 6 dB of fundamental in 0.55 s
    taps = loss * 0.5 * np.array([1.0 - fraction, 1.0, fraction])  # at whole, whole + 1 and whole + 2 frames back
    tone = np.concatenate([np.zeros(whole + 2), burst])
    for at in range(2 * whole + 2, len(tone), whole):
        end = min(at + whole, len(tone))
        for back, weight in enumerate(taps, whole):
            tone[at:end] += weight * tone[at - back : end - back]
    tone = tone[whole + 2 :]
    damp = int(0.1 * rate_hz)
    tone[-damp:] *= np.linspace(1.0, 0.0, damp) ** 2
    return _soft_start(tone / (np.abs(tone).max() + 1e-9), rate_hz).astype(np.float32)


def bass_note(hz: float, length_s: float, rate_hz: int, rng: Rng) -> Mono:
    n = int((length_s + 0.06) * rate_hz)
    t = np.arange(n) / rate_hz
    tone = np.zeros(n)
    for harmonic, weight in enumerate((1.0, 0.55, 0.32, 0.18, 0.09, 0.05), 1):
        tone += weight * np.sin(2 * np.pi * hz * harmonic * t + rng.uniform(0, 6.28)) * np.exp(-t * 0.5 * harmonic)
    finger = _band(rng.standard_normal(n), rate_hz, 500, 2500) * _decay(n, rate_hz, 0.008)
    return _soft_start(0.6 * tone + 0.25 * finger, rate_hz, 0.004).astype(np.float32)


def keys_note(hz: float, length_s: float, rate_hz: int, rng: Rng) -> Mono:
    n = int((length_s + 0.15) * rate_hz)
    t = np.arange(n) / rate_hz
    bell = 0.9 * np.sin(2 * np.pi * hz * 14 * t) * np.exp(-t / 0.05)
    tone = np.sin(2 * np.pi * hz * t + (0.8 * np.exp(-t / 0.6)) * np.sin(2 * np.pi * hz * t) + 0.1 * bell)
    return _soft_start(tone * np.exp(-t / 1.6), rate_hz, 0.003).astype(np.float32)


def shaker(rate_hz: int, rng: Rng) -> Mono:
    n = int(0.09 * rate_hz)
    return _soft_start(_band(rng.standard_normal(n), rate_hz, 4500, 12_000) * np.hanning(n), rate_hz).astype(np.float32)


def pad_note(hz: float, length_s: float, rate_hz: int, rng: Rng) -> Mono:
    n = int(length_s * rate_hz)
    t = np.arange(n) / rate_hz
    tone = sum(np.sin(2 * np.pi * hz * d * t + rng.uniform(0, 6.28)) for d in (0.997, 1.0, 1.003))
    return (np.asarray(tone) * 0.3 * np.hanning(n)).astype(np.float32)


def click_beep(hz: float, rate_hz: int) -> Mono:
    n = int(0.03 * rate_hz)
    return (np.sin(2 * np.pi * hz * np.arange(n) / rate_hz) * np.hanning(n)).astype(np.float32)


def sustained(notes: Sequence[Note], frames: int, rate_hz: int, rng: Rng, *, tuning_hz: float, kind: str) -> Mono:
    """A bowed, blown or sung part of one voice: pitch glides, vibrato grows, formants or a body colour the tone."""
    from scipy.signal import lfilter

    pitch = np.zeros(frames, dtype=np.float32)
    level = np.zeros(frames, dtype=np.float32)
    vowel = np.zeros(frames, dtype=np.float32)
    last = 0.0
    for note in sorted(notes, key=lambda note: note.start_s):
        a = int(note.start_s * rate_hz)
        b = min(frames, a + int(note.length_s * rate_hz))
        if b - a < 16:
            continue
        n = b - a
        glide = np.minimum(1.0, np.arange(n) / (0.045 * rate_hz))
        start = last if last and abs(last - note.pitch) < 9 else note.pitch - 0.6
        pitch[a:b] = start + (note.pitch - start) * glide
        last = note.pitch
        rise, fall = min(n // 3, int(0.04 * rate_hz)), min(n // 3, int(0.07 * rate_hz))
        shape = np.full(n, note.velocity)
        shape[:rise] *= np.sin(np.linspace(0, np.pi / 2, rise))
        shape[-fall:] *= np.cos(np.linspace(0, np.pi / 2, fall))
        level[a:b] = np.maximum(level[a:b], shape)
        vowel[a:b] = rng.uniform()
    if not level.any():
        return np.zeros(frames, dtype=np.float32)
    t = np.arange(frames, dtype=np.float32) / rate_hz
    wobble = (0.18 if kind == "voice" else 0.10) * np.sin(2 * np.pi * (5.1 + rng.uniform(0, 0.9)) * t)
    hz = tuning_hz * 2.0 ** ((pitch + wobble - 69.0) / 12.0)
    hz[pitch == 0.0] = 0.0
    phase = np.cumsum(hz, dtype=np.float64) / rate_hz
    x = phase - np.floor(phase)
    if kind == "voice":
        wave = 6.75 * x * x * (1.0 - x) - 0.5625  # a smooth glottal pulse, mean 0
        breath = 0.03 * rng.standard_normal(frames).astype(np.float32)
        excited = (np.diff(wave, prepend=wave[0]) * 12.0 + breath) * level
        dark = _resonate(excited, rate_hz, ((520, 80, 1.0), (1050, 110, 0.5), (2500, 170, 0.22), (3400, 250, 0.12)))
        light = _resonate(excited, rate_hz, ((380, 70, 1.0), (1900, 130, 0.45), (2650, 170, 0.28), (3500, 250, 0.12)))
        tone = dark * (1.0 - vowel) + light * vowel
    else:
        noise = 0.02 * rng.standard_normal(frames).astype(np.float32)
        excited = (2.0 * x - 1.0 + noise) * level
        body = ((290, 60, 0.8), (480, 90, 1.0), (1100, 300, 0.5), (2600, 700, 0.35))
        if kind == "cello":
            body = ((105, 40, 0.8), (220, 60, 1.0), (620, 200, 0.5), (1700, 600, 0.3))
        tone = _resonate(excited, rate_hz, body) + 0.15 * lfilter([0.25], [1.0, -0.75], excited)
    return np.asarray(tone / (np.abs(tone).max() + 1e-9), dtype=np.float32)


def _resonate(x: Mono, rate_hz: int, peaks: Sequence[tuple[float, float, float]]) -> NDArray[np.float64]:
    """Two-pole resonances in parallel: (centre Hz, bandwidth Hz, weight), each about 1 at its centre."""
    from scipy.signal import lfilter

    out = np.zeros(len(x))
    for centre, width, weight in peaks:
        r = np.exp(-np.pi * width / rate_hz)
        angle = 2 * np.pi * centre / rate_hz
        gain = (1 - r) * np.sqrt(1 - 2 * r * np.cos(2 * angle) + r * r)
        out += weight * lfilter([gain], [1.0, -2 * r * np.cos(angle), r * r], x)
    return out


def reed_note(hz: float, length_s: float, rate_hz: int, rng: Rng) -> Mono:
    """Accordion and harmonium: two reeds a little apart, rich in harmonics, steady."""
    n = int((length_s + 0.05) * rate_hz)
    t = np.arange(n) / rate_hz
    tone = np.zeros(n)
    for detune in (0.9985, 1.0015):
        for harmonic in range(1, 9):
            if hz * harmonic < rate_hz * 0.4:
                tone += np.sin(2 * np.pi * hz * detune * harmonic * t + rng.uniform(0, 6.28)) / harmonic
    return _soft_start(0.25 * tone, rate_hz, 0.03).astype(np.float32)
