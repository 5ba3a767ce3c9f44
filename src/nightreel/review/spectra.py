"""What the review keeps of a line's spectrum: third-octave levels over time, the quietest moments in fine detail,
and the most prominent narrow tone of each window.

One FFT a window (about 1.4 s, Hann, without overlap) serves all three, so that a three-hour line costs seconds and
keeps under 3 MB. Third-octave centres are the exact base-ten ones, 1000 x 10^(n/10) Hz (IEC 61260-1, base-ten system);
band edges are at the bin nearest to 10^(1/20) above and below.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

CENTRES_HZ: F64 = 1000.0 * 10.0 ** (np.arange(-16, 14) / 10.0)  # 25 Hz to 20 kHz
BANDS = len(CENTRES_HZ)
FINE_TO_HZ = 2000.0
KEPT_QUIET = 64
_TINY = 1e-20


def window_frames_for(rate_hz: int) -> int:
    """About 1.4 s: 65 536 frames at 44.1 and 48 kHz, twice that at the double rates, and so on."""
    return int(65_536 * 2 ** max(0, round(np.log2(rate_hz / 48_000))))


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectra:
    """Per window of ``window_frames`` frames (the last, shorter one is left out).

    bands_db : (windows, BANDS) mean square of each third octave, dB re full scale 1.0
    mean : (windows,) mean of the samples
    tone_hz, tone_db : the most prominent narrow peak above 150 Hz and its level (RMS)
    tone_purity : its share of all power above 40 Hz, 0 to 1
    tone_prominence_db : its level over the mean of the two thirds of an octave around it
    quiet : (segments, bins) mean-square spectrum up to 2 kHz of each segment's quietest window that is not silent
    quiet_window : (segments,) which window that was
    """

    rate_hz: int
    window_frames: int
    bands_db: F32
    mean: F32
    tone_hz: F32
    tone_db: F32
    tone_purity: F32
    tone_prominence_db: F32
    quiet: F32
    quiet_window: NDArray[np.int64]

    @property
    def windows(self) -> int:
        return int(self.bands_db.shape[0])

    @property
    def bin_hz(self) -> float:
        return self.rate_hz / self.window_frames


@dataclass(slots=True)
class SpectraBuilder:
    """Feed consecutive mono blocks of any size; :meth:`result` at the end. State: the samples of one open window."""

    rate_hz: int
    _pending: F32 = field(init=False)
    _filled: int = field(init=False, default=0)
    _rows: list[tuple[F32, ...]] = field(init=False, default_factory=list)
    _quiet: list[tuple[float, int, F32]] = field(init=False, default_factory=list)
    _segment_windows: int = field(init=False, default=4)
    _windows: int = field(init=False, default=0)
    _window: F32 = field(init=False)
    _edges: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        frames = window_frames_for(self.rate_hz)
        self._pending = np.zeros(frames, np.float32)
        self._window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(frames) / frames)).astype(np.float32)
        bin_hz = self.rate_hz / frames
        edges_hz = np.append(CENTRES_HZ * 10 ** (-1 / 20), CENTRES_HZ[-1] * 10 ** (1 / 20))
        self._edges = np.minimum(np.round(edges_hz / bin_hz).astype(np.int64), frames // 2)

    def feed(self, block: F32) -> None:
        """Mono float32, finite."""
        frames = len(self._pending)
        at = 0
        while at < len(block):
            take = min(frames - self._filled, len(block) - at)
            self._pending[self._filled : self._filled + take] = block[at : at + take]
            self._filled += take
            at += take
            if self._filled == frames:
                self._close_window()
                self._filled = 0

    def _close_window(self) -> None:
        import scipy.fft

        frames = len(self._pending)
        mean = float(np.mean(self._pending, dtype=np.float64))
        index = self._windows
        self._windows += 1
        if not self._pending.any():
            silent = np.float32(-200.0)
            bands = np.full(BANDS, -200.0, np.float32)
            self._rows.append((bands, np.array([mean, 0.0, silent, 0.0, 0.0], np.float32)))
            return
        spectrum = scipy.fft.rfft(self._pending * self._window)
        # One-sided mean square: 2/N^2, divided by the Hann window's own mean square of 3/8.
        power = (spectrum.real**2 + spectrum.imag**2) * np.float32(2.0 / (frames * frames * 0.375))
        power[0] = 0.0
        bands = np.add.reduceat(power, self._edges[:-1])[:BANDS]
        bands[-1] = power[self._edges[-2] : self._edges[-1] + 1].sum()
        bands_db = (10 * np.log10(bands + _TINY)).astype(np.float32)
        tone = self._tone(power)
        self._rows.append((bands_db, np.array([mean, *tone], np.float32)))
        self._keep_quiet(index, power)

    def _tone(self, power: F32) -> tuple[float, float, float, float]:
        bin_hz = self.rate_hz / len(self._pending)
        low = int(150 / bin_hz)
        high = min(int(12_000 / bin_hz), len(power) - 3)
        k = low + int(np.argmax(power[low:high] * np.arange(low, high, dtype=np.float32)))
        level = float(power[k - 2 : k + 3].sum())
        # Hann main lobe: the ratio of the two neighbours places the peak between bins.
        a, b, c = (float(np.sqrt(power[k + d])) for d in (-1, 0, 1))
        shift = (c - a) / (a + b + c) * 1.5 if a + b + c > 0 else 0.0
        first, last = int(k / 10**0.1), min(int(k * 10**0.1) + 1, len(power))
        around = (float(power[first:last].sum()) - level) / max(last - first - 5, 1) * 5
        total = float(power[int(40 / bin_hz) :].sum())
        return (
            (k + shift) * bin_hz,
            10 * np.log10(level + _TINY),
            level / (total + _TINY),
            10 * np.log10((level + _TINY) / (max(around, 0.0) + _TINY)),
        )

    def _keep_quiet(self, index: int, power: F32) -> None:
        bins = int(FINE_TO_HZ * len(self._pending) / self.rate_hz) + 1
        total = float(power.sum())
        segment = index // self._segment_windows
        entry = (total, index, power[:bins].copy())
        if self._quiet and self._quiet[-1][1] // self._segment_windows == segment:
            if total < self._quiet[-1][0]:
                self._quiet[-1] = entry
            return
        self._quiet.append(entry)
        if len(self._quiet) > KEPT_QUIET:  # double the segment, keep the quieter of each two: memory stays bounded
            self._segment_windows *= 2
            merged: list[tuple[float, int, F32]] = []
            for item in self._quiet:
                if merged and merged[-1][1] // self._segment_windows == item[1] // self._segment_windows:
                    merged[-1] = min(merged[-1], item, key=lambda x: x[0])
                else:
                    merged.append(item)
            self._quiet = merged

    def result(self) -> Spectra:
        if self._rows:
            bands = np.stack([row[0] for row in self._rows])
            rest = np.stack([row[1] for row in self._rows])
        else:
            bands, rest = np.zeros((0, BANDS), np.float32), np.zeros((0, 5), np.float32)
        bins = int(FINE_TO_HZ * len(self._pending) / self.rate_hz) + 1
        quiet = np.stack([q[2] for q in self._quiet]) if self._quiet else np.zeros((0, bins), np.float32)
        return Spectra(
            rate_hz=self.rate_hz,
            window_frames=len(self._pending),
            bands_db=bands,
            mean=rest[:, 0].copy(),
            tone_hz=rest[:, 1].copy(),
            tone_db=rest[:, 2].copy(),
            tone_purity=rest[:, 3].copy(),
            tone_prominence_db=rest[:, 4].copy(),
            quiet=quiet,
            quiet_window=np.array([q[1] for q in self._quiet], np.int64),
        )
