"""The long-term spectrum of lines: third octaves over time, quiet moments in fine detail, and the narrowest tone.

One FFT a window (about 1.4 s, Hann, without overlap) serves all three. Windows lie on a grid counted from frame 0 of
the take; those that the ends of a span cut are left out, so that any partition gives the same windows.

Third-octave centres are the exact base-ten ones, 1000 x 10^(n/10) Hz, band edges 10^(1/20) above and below
(IEC 61260-1); a band is the power of the bins between its edges, which for signals that last is what its filter passes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]

CENTRES_HZ = 1000.0 * 10.0 ** (np.arange(-16, 14) / 10.0)  # nominal 25 Hz to 20 kHz
BANDS = len(CENTRES_HZ)
SILENT_DB = -200.0  # stands for digital silence in the histories
FINE_TO_HZ = 2000.0
KEPT_QUIET = 64
TONE_FROM_HZ, TONE_TO_HZ = 150.0, 12_000.0
TOTAL_FROM_HZ = 40.0
_SLICE = 8  # channels transformed at once: what they need stays in the cache
_TINY = 1e-20
_FIGURES = 5  # of a window: mean, tone frequency, level, purity, prominence


def window_frames_for(rate_hz: int) -> int:
    """A power of two, about 1.4 s: 65 536 at 44.1 and 48 kHz, twice that at the double rates, and so on."""
    return max(256, int(65_536 * 2.0 ** round(math.log2(rate_hz / 48_000))))


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSpectra:
    """Of one line, per window of ``window_frames`` frames; window i begins at (first_window + i) x window_frames.

    bands_db : float32 (windows, BANDS) mean square of each third octave, dB re full scale 1.0; SILENT_DB for none
    mean : (windows,) mean of the samples
    tone_hz, tone_db : the most prominent narrow peak from 150 Hz on and its level (RMS)
    tone_purity : its share of all power above 40 Hz, 0 to 1
    tone_prominence_db : its level over the mean of the third octave around it
    quiet : (segments, bins) mean-square spectrum up to 2 kHz of each segment's quietest window that is not silent
    quiet_window : (segments,) which window that was, counted as i above
    """

    rate_hz: int
    window_frames: int
    first_window: int
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

    def long_term_db(self) -> NDArray[np.float64]:
        """Mean power of each third octave over all windows, dB; SILENT_DB where there is none."""
        if not self.windows:
            return np.full(BANDS, SILENT_DB)
        power = np.mean(10.0 ** (self.bands_db.astype(np.float64) / 10.0), axis=0)
        level_db: NDArray[np.float64] = 10.0 * np.log10(np.maximum(power, _TINY))
        return level_db


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def _digest(spectra, scale, edges, tone_bins, total_from, bin_hz, bands_db, figures, fine):  # type: ignore[no-untyped-def]
    """Powers, bands and the tone of each row of spectra (rows, bins); fine (rows, kept bins) gets the lower powers.

    figures (rows, 5) holds the means already. Returns nothing; figures[:, 4] of a row without power stays 0.
    """
    rows, bins = spectra.shape
    low, high = tone_bins
    power = np.empty(bins, np.float32)
    for r in range(rows):
        for k in range(bins):
            v = spectra[r, k]
            power[k] = (v.real * v.real + v.imag * v.imag) * scale
        power[0] = np.float32(0.0)
        for k in range(fine.shape[1]):
            fine[r, k] = power[k]
        for b in range(edges.size - 1):
            band = 0.0
            for k in range(edges[b], edges[b + 1]):
                band += power[k]
            bands_db[r, b] = 10.0 * np.log10(band + _TINY)
        total = 0.0
        for k in range(total_from, bins):
            total += power[k]
        peak, most = low, 0.0
        for k in range(low, high):
            v = power[k] * k
            if v > most:
                most = v
                peak = k
        if most == 0.0:
            figures[r, 2] = SILENT_DB
            continue
        level = 0.0
        for k in range(peak - 2, peak + 3):
            level += power[k]
        # Hann main lobe: the ratio of the two neighbours places the peak between bins.
        below, here, above = math.sqrt(power[peak - 1]), math.sqrt(power[peak]), math.sqrt(power[peak + 1])
        first, last = int(peak / 10**0.1), min(int(peak * 10**0.1) + 1, bins)
        beside = -level
        for k in range(first, last):
            beside += power[k]
        around = max(beside, 0.0) / max(last - first - 5, 1) * 5
        figures[r, 1] = (peak + 1.5 * (above - below) / (below + here + above)) * bin_hz
        figures[r, 2] = 10.0 * np.log10(level + _TINY)
        figures[r, 3] = level / (total + _TINY)
        figures[r, 4] = 10.0 * np.log10((level + _TINY) / (around + _TINY))


@njit(cache=True, nogil=True)
def _take_in(block, at, frames, hann, inside, windowed, sums):  # type: ignore[no-untyped-def]
    """Samples of a block (frames, channels) into the open window (channels, window frames), windowed; adds to sums."""
    for first in range(0, frames, 16):
        last = min(first + 16, frames)
        for c in range(windowed.shape[0]):
            total = 0.0
            for i in range(first, last):
                v = block[at + i, c]
                windowed[c, inside + i] = v * hann[inside + i]
                total += v
            sums[c] += total


class SpectrumHistory:
    """Spectra of one span of all its channels: grows with feeding, joins at a seam like the other meters.

    What is kept of the window that is open at the end is memory: a right part takes it over warmed up.
    """

    def __init__(self, rate_hz: int, channels: int, first_frame: int) -> None:
        self.rate_hz = rate_hz
        self.window_frames = window_frames_for(rate_hz)
        self._at: int = first_frame
        self._open = np.zeros((channels, self.window_frames), np.float32)  # windowed samples
        self._sums = np.zeros(channels)  # of the samples before the window
        self._whole = first_frame % self.window_frames == 0  # the open window was seen from its first frame on
        self._first = -(-first_frame // self.window_frames)
        self._bands: list[F32] = []  # (channels, BANDS) a window
        self._figures: list[F32] = []  # (channels, _FIGURES)
        self._quiet: list[list[tuple[float, int, F32]]] = [[] for _ in range(channels)]
        self._segments = [4] * channels  # windows a segment
        bin_hz = rate_hz / self.window_frames
        edges_hz = np.append(CENTRES_HZ * 10 ** (-1 / 20), CENTRES_HZ[-1] * 10 ** (1 / 20))
        top = self.window_frames // 2 + 1
        self._edges = np.minimum(np.round(edges_hz / bin_hz).astype(np.int64), top)
        last = min(int(TONE_TO_HZ / bin_hz), top - 3)
        self._tone_bins = (min(int(TONE_FROM_HZ / bin_hz), last), last)
        self._total_from = int(TOTAL_FROM_HZ / bin_hz)
        self._fine_bins = min(int(FINE_TO_HZ / bin_hz) + 1, top)
        n = self.window_frames
        self._fine = np.zeros((min(channels, _SLICE), self._fine_bins), np.float32)
        self._hann = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)).astype(np.float32)

    def feed(self, block: F32) -> None:
        """float32 (frames, channels)."""
        at = 0
        while at < len(block):
            inside = self._at % self.window_frames
            take = min(self.window_frames - inside, len(block) - at)
            _take_in(block, at, take, self._hann, inside, self._open, self._sums)
            self._at += take
            at += take
            if self._at % self.window_frames == 0:
                if self._whole:
                    self._close_window()
                self._whole = True
                self._sums[:] = 0.0

    def restart(self) -> None:
        """Forget the windows, keep the open one: a new span begins here."""
        self._first = self._at // self.window_frames if self._whole else -(-self._at // self.window_frames)
        self._bands, self._figures = [], []
        self._quiet = [[] for _ in self._quiet]
        self._segments = [4] * len(self._quiet)

    def absorb(self, right: SpectrumHistory) -> None:
        if not self._bands:
            self._first = right._first
        self._bands += right._bands
        self._figures += right._figures
        for c, entries in enumerate(right._quiet):
            self._segments[c] = max(self._segments[c], right._segments[c])
            self._quiet[c] = _quietest([*self._quiet[c], *entries], self._segments[c])
            self._thin(c)
        self._at, self._whole = right._at, right._whole
        self._open[:] = right._open
        self._sums[:] = right._sums

    def copy(self) -> SpectrumHistory:
        other = SpectrumHistory(self.rate_hz, len(self._quiet), self._at)
        other._open[:] = self._open
        other._sums[:] = self._sums
        other._whole, other._first = self._whole, self._first
        other._bands, other._figures = list(self._bands), list(self._figures)
        other._quiet = [list(entries) for entries in self._quiet]
        other._segments = list(self._segments)
        return other

    def result(self) -> tuple[LineSpectra, ...]:
        channels = len(self._quiet)
        bands = np.stack(self._bands, axis=1) if self._bands else np.zeros((channels, 0, BANDS), np.float32)
        figures = np.stack(self._figures, axis=1) if self._figures else np.zeros((channels, 0, _FIGURES), np.float32)
        results = []
        for c in range(channels):
            quiet = self._quiet[c]
            results.append(
                LineSpectra(
                    rate_hz=self.rate_hz,
                    window_frames=self.window_frames,
                    first_window=self._first,
                    bands_db=bands[c],
                    mean=figures[c, :, 0],
                    tone_hz=figures[c, :, 1],
                    tone_db=figures[c, :, 2],
                    tone_purity=figures[c, :, 3],
                    tone_prominence_db=figures[c, :, 4],
                    quiet=np.stack([q[2] for q in quiet]) if quiet else np.zeros((0, self._fine_bins), np.float32),
                    quiet_window=np.array([q[1] - self._first for q in quiet], np.int64),
                )
            )
        return tuple(results)

    def saved(self) -> Mapping[str, NDArray[Any]]:
        quiet = [entry for entries in self._quiet for entry in entries]
        return {
            "spectra_place": np.array([self._at, self._whole, self._first], np.int64),
            "spectra_open": self._open[:, : self._at % self.window_frames],
            "spectra_sums": self._sums,
            "spectra_bands": np.array(self._bands, np.float32).reshape(-1, len(self._quiet), BANDS),
            "spectra_figures": np.array(self._figures, np.float32).reshape(-1, len(self._quiet), _FIGURES),
            "spectra_segments": np.array(self._segments, np.int64),
            "spectra_quiet_counts": np.array([len(entries) for entries in self._quiet], np.int64),
            "spectra_quiet_windows": np.array([entry[1] for entry in quiet], np.int64),
            "spectra_quiet_totals": np.array([entry[0] for entry in quiet], np.float64),
            "spectra_quiet": np.array([entry[2] for entry in quiet], np.float32).reshape(-1, self._fine_bins),
        }

    def restore(self, saved: Mapping[str, NDArray[Any]]) -> None:
        """Take up what :meth:`saved` gave. Raises ValueError or KeyError where it does not fit."""
        at, whole, first = saved["spectra_place"].tolist()
        self._at, self._whole, self._first = at, bool(whole), first
        self._open[:, : at % self.window_frames] = saved["spectra_open"]
        self._sums[:] = saved["spectra_sums"]
        self._bands = list(saved["spectra_bands"])
        self._figures = list(saved["spectra_figures"])
        self._segments = saved["spectra_segments"].tolist()
        totals, windows, fine = (saved[f"spectra_quiet{name}"] for name in ("_totals", "_windows", ""))
        entries = list(zip(totals.tolist(), windows.tolist(), fine, strict=True))
        counts = saved["spectra_quiet_counts"].tolist()
        if len(counts) != len(self._quiet) or sum(counts) != len(entries):
            raise ValueError("the spectra do not fit the channels")
        self._quiet = []
        for count in counts:
            self._quiet.append(entries[:count])
            entries = entries[count:]

    def _close_window(self) -> None:
        import scipy.fft  # late: it takes its time to import

        channels, n = self._open.shape
        number = self._at // n - 1
        if not np.isfinite(self._sums).all():  # what is no number is measured as zero
            np.nan_to_num(self._open, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
            self._sums = (self._open / np.maximum(self._hann, 1e-9)).sum(axis=1, dtype=np.float64)
        bands = np.full((channels, BANDS), SILENT_DB, np.float32)
        figures = np.zeros((channels, _FIGURES), np.float32)
        figures[:, 0] = self._sums / n
        for c0 in range(0, channels, _SLICE):
            rows = self._open[c0 : c0 + _SLICE]
            spectra = scipy.fft.rfft(rows, axis=1)
            fine = self._fine[: len(rows)]
            # One-sided mean square: 2/N^2, divided by the Hann window's own mean square of 3/8.
            scale = np.float32(2.0 / (float(n) * n * 0.375))
            _digest(
                spectra, scale, self._edges, self._tone_bins, self._total_from, self.rate_hz / n,
                bands[c0 : c0 + _SLICE], figures[c0 : c0 + _SLICE], fine,
            )  # fmt: skip
            for i, c in enumerate(range(c0, c0 + len(rows))):
                self._keep_quiet(c, number, fine[i], float(np.sum(10.0 ** (bands[c].astype(np.float64) / 10.0))))
        self._bands.append(bands)
        self._figures.append(figures)

    def _keep_quiet(self, c: int, number: int, fine: F32, total: float) -> None:
        """The quietest window of each segment; segments double where there get too many, so that memory is bounded."""
        if total <= BANDS * 10.0 ** (SILENT_DB / 10.0) * 1.01:
            return
        entries, windows = self._quiet[c], self._segments[c]
        if entries and entries[-1][1] // windows == number // windows:
            if total < entries[-1][0]:
                entries[-1] = (total, number, fine.copy())
            return
        entries.append((total, number, fine.copy()))
        self._thin(c)

    def _thin(self, c: int) -> None:
        while len(self._quiet[c]) > KEPT_QUIET:
            self._segments[c] *= 2
            self._quiet[c] = _quietest(self._quiet[c], self._segments[c])


def _quietest(entries: list[tuple[float, int, F32]], windows: int) -> list[tuple[float, int, F32]]:
    """One entry a segment of so many windows, the quietest (of equals the first); in order of time."""
    kept: list[tuple[float, int, F32]] = []
    for entry in sorted(entries, key=lambda e: e[1]):
        if kept and kept[-1][1] // windows == entry[1] // windows:
            if entry[0] < kept[-1][0]:
                kept[-1] = entry
        else:
            kept.append(entry)
    return kept
