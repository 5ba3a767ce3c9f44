"""What the review keeps of a line's spectrum: third-octave levels over time, the quietest moments in fine detail,
and the most prominent narrow tone of each window.

One FFT a window (about 1.4 s, Hann, without overlap) serves all three, so that a three-hour line costs seconds and
keeps under 3 MB. Third-octave centres are the exact base-ten ones, 1000 x 10^(n/10) Hz (IEC 61260-1, base-ten system);
band edges are at the bin nearest to 10^(1/20) above and below.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

CENTRES_HZ: F64 = 1000.0 * 10.0 ** (np.arange(-16, 14) / 10.0)  # 25 Hz to 20 kHz
BANDS = len(CENTRES_HZ)
FINE_TO_HZ = 2000.0
KEPT_QUIET = 64
_TINY = 1e-20
_TOGETHER = 4  # lines whose FFTs share vector registers


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


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _fold(spectrum, scale, edges, low, high, floor_bin, power, bands):  # type: ignore[no-untyped-def]
    """Power of each bin, of each band, and of all; the bin of the highest power x frequency between low and high."""
    for k in range(spectrum.size):
        z = spectrum[k]
        power[k] = (z.real * z.real + z.imag * z.imag) * scale
    power[0] = np.float32(0.0)
    for band in range(bands.size):
        total = np.float32(0.0)
        for k in range(edges[band], edges[band + 1]):
            total += power[k]
        bands[band] = total
    whole = np.float32(0.0)
    for k in range(floor_bin):
        whole += power[k]
    audible = np.float32(0.0)
    for k in range(floor_bin, power.size):
        audible += power[k]
    most = np.float32(-1.0)
    for k in range(low, high):
        most = max(most, power[k] * np.float32(k))
    best = low
    for k in range(low, high):
        if power[k] * np.float32(k) == most:
            best = k
            break
    return whole + audible, audible, best


@dataclass(slots=True)
class _Quiet:
    """The quietest window of each segment of one line; segments grow so that at most KEPT_QUIET are kept."""

    segment_windows: int = 4
    kept: list[tuple[float, int, F32]] = field(default_factory=list)

    def offer(self, index: int, total: float, power: F32, bins: int) -> None:
        segment = index // self.segment_windows
        if self.kept and self.kept[-1][1] // self.segment_windows == segment:
            if total < self.kept[-1][0]:
                self.kept[-1] = (total, index, power[:bins].copy())
            return
        self.kept.append((total, index, power[:bins].copy()))
        if len(self.kept) > KEPT_QUIET:
            self.segment_windows *= 2
            merged: list[tuple[float, int, F32]] = []
            for item in self.kept:
                if merged and merged[-1][1] // self.segment_windows == item[1] // self.segment_windows:
                    merged[-1] = min(merged[-1], item, key=lambda x: x[0])
                else:
                    merged.append(item)
            self.kept = merged


@dataclass(slots=True)
class SpectraBuilder:
    """Feed consecutive blocks of some lines side by side; :meth:`results` at the end. State: one open window a line."""

    rate_hz: int
    lines: int = 1
    _pending: F32 = field(init=False)
    _filled: int = field(init=False, default=0)
    _rows: list[F32] = field(init=False, default_factory=list)
    _quiet: list[_Quiet] = field(init=False)
    _windows: int = field(init=False, default=0)
    _window: F32 = field(init=False)
    _edges: NDArray[np.int64] = field(init=False)
    _power: F32 = field(init=False)

    def __post_init__(self) -> None:
        frames = window_frames_for(self.rate_hz)
        self._pending = np.zeros((self.lines, frames), np.float32)
        self._window = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(frames) / frames)).astype(np.float32)
        self._quiet = [_Quiet() for _ in range(self.lines)]
        self._power = np.zeros(frames // 2 + 1, np.float32)
        bin_hz = self.rate_hz / frames
        edges_hz = np.append(CENTRES_HZ * 10 ** (-1 / 20), CENTRES_HZ[-1] * 10 ** (1 / 20))
        self._edges = np.minimum(np.round(edges_hz / bin_hz).astype(np.int64), frames // 2 + 1)

    def feed(self, block: F32) -> None:
        """(lines, frames) float32, finite."""
        frames = self._pending.shape[1]
        at = 0
        while at < block.shape[1]:
            take = min(frames - self._filled, block.shape[1] - at)
            self._pending[:, self._filled : self._filled + take] = block[:, at : at + take]
            self._filled += take
            at += take
            if self._filled == frames:
                self._close_window()
                self._filled = 0

    def _close_window(self) -> None:
        import scipy.fft

        frames = self._pending.shape[1]
        bin_hz = self.rate_hz / frames
        low, high = int(150 / bin_hz), min(int(12_000 / bin_hz), frames // 2 - 2)
        # One-sided mean square: 2/N^2, divided by the Hann window's own mean square of 3/8.
        scale = np.float32(2.0 / (frames * frames * 0.375))
        means = self._pending.mean(axis=1)
        rows = np.zeros((self.lines, BANDS + 5), np.float32)
        rows[:, :BANDS] = rows[:, BANDS + 2] = -200.0
        rows[:, BANDS] = means
        bands = np.zeros(BANDS, np.float32)
        bins = int(FINE_TO_HZ / bin_hz) + 1
        for first in range(0, self.lines, _TOGETHER):  # a few at a time: they stay in the cache
            part = self._pending[first : first + _TOGETHER]
            spectra = scipy.fft.rfft(part * self._window, axis=1)
            for k in range(len(part)):
                line = first + k
                total, audible, best = _fold(
                    spectra[k], scale, self._edges, low, high, int(40 / bin_hz), self._power, bands
                )
                if total <= 0.0:
                    continue
                rows[line, :BANDS] = 10 * np.log10(bands + _TINY)
                rows[line, BANDS + 1 :] = _tone(self._power, best, bin_hz, audible)
                self._quiet[line].offer(self._windows, total, self._power, bins)
        self._rows.append(rows)
        self._windows += 1

    def results(self) -> tuple[Spectra, ...]:
        """One for each line."""
        frames = self._pending.shape[1]
        rows = np.stack(self._rows) if self._rows else np.zeros((0, self.lines, BANDS + 5), np.float32)
        bins = int(FINE_TO_HZ * frames / self.rate_hz) + 1
        out = []
        for line, quiet in enumerate(self._quiet):
            mine = rows[:, line]
            out.append(
                Spectra(
                    rate_hz=self.rate_hz,
                    window_frames=frames,
                    bands_db=mine[:, :BANDS].copy(),
                    mean=mine[:, BANDS].copy(),
                    tone_hz=mine[:, BANDS + 1].copy(),
                    tone_db=mine[:, BANDS + 2].copy(),
                    tone_purity=mine[:, BANDS + 3].copy(),
                    tone_prominence_db=mine[:, BANDS + 4].copy(),
                    quiet=np.stack([q[2] for q in quiet.kept]) if quiet.kept else np.zeros((0, bins), np.float32),
                    quiet_window=np.array([q[1] for q in quiet.kept], np.int64),
                )
            )
        return tuple(out)


def _tone(power: F32, k: int, bin_hz: float, audible: float) -> tuple[float, float, float, float]:
    """Frequency, level, share of all power, and prominence of the peak at bin ``k``."""
    level = float(power[k - 2 : k + 3].sum())
    # Hann main lobe: the ratio of the two neighbours places the peak between bins.
    a, b, c = (math.sqrt(power[k + d]) for d in (-1, 0, 1))
    shift = (c - a) / (a + b + c) * 1.5 if a + b + c > 0 else 0.0
    first, last = int(k / 10**0.1), min(int(k * 10**0.1) + 1, len(power))
    around = (float(power[first:last].sum()) - level) / max(last - first - 5, 1) * 5
    return (
        (k + shift) * bin_hz,
        10 * math.log10(level + _TINY),
        level / (audible + _TINY),
        10 * math.log10((level + _TINY) / (max(around, 0.0) + _TINY)),
    )
