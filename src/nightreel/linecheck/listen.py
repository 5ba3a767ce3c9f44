"""From captured blocks to 'a send lit up': levels in short windows, each send's own noise, where a tap ends. Pure.

Thresholds are common practice, no published source.
"""

from __future__ import annotations

import numpy as np

from nightreel.linecheck.ear import Lit
from nightreel.signal.codes import FloatArray, RealArray

WINDOW_S = 0.05
_SETTLE_WINDOWS = 10  # half a second to learn the noise
_ONSET_DB = 12.0
_QUIETEST_PEAK_DBFS = -55.0
_GATHER_WINDOWS = 6  # a tap is over after 0.3 s
_QUIET_WINDOWS = 8  # and 0.4 s of quiet come before the next one counts
_FLOOR_RISE_DB = 0.05  # per window: 1 dB a second
_FLOOR_DBFS = -120.0


class Listener:
    """Feed it blocks of all sends; it gives a :class:`Lit` once per tap or word."""

    def __init__(self, *, rate_hz: int, sends: int) -> None:
        self._window_frames = round(WINDOW_S * rate_hz)
        self._left = np.zeros((0, sends), np.float32)
        self._windows = 0
        self._floor: RealArray = np.full(sends, np.inf)
        self._rise: RealArray = np.zeros(sends)
        self._peak: RealArray = np.full(sends, -np.inf)
        self._gathering = 0
        self._quiet = _QUIET_WINDOWS
        self.peaks_dbfs: RealArray = np.full(sends, -np.inf)
        """Of the last window, for a display."""

    @property
    def noise_dbfs(self) -> RealArray:
        return np.where(np.isfinite(self._floor), self._floor, _FLOOR_DBFS)

    def feed(self, samples: FloatArray) -> list[Lit]:
        """(frames, sends) of any length."""
        found = []
        self._left = np.concatenate([self._left, samples])
        while self._left.shape[0] >= self._window_frames:
            lit = self._window(self._left[: self._window_frames])
            self._left = self._left[self._window_frames :]
            if lit is not None:
                found.append(lit)
        return found

    def _window(self, window: FloatArray) -> Lit | None:
        with np.errstate(divide="ignore"):
            rms = np.maximum(10.0 * np.log10(np.mean(np.square(window, dtype=np.float64), axis=0)), _FLOOR_DBFS)
            self.peaks_dbfs = np.maximum(20.0 * np.log10(np.abs(window).max(axis=0).astype(np.float64)), _FLOOR_DBFS)
        self._windows += 1
        if self._windows <= _SETTLE_WINDOWS:
            self._floor = np.minimum(self._floor, rms)
            return None
        rise = rms - self._floor
        loud = (rise > _ONSET_DB) & (self.peaks_dbfs > _QUIETEST_PEAK_DBFS)
        if self._gathering == 0:
            self._floor = np.where(loud, self._floor, np.minimum(rms, self._floor + _FLOOR_RISE_DB))
            if not loud.any():
                self._quiet += 1
                return None
            if self._quiet < _QUIET_WINDOWS:
                self._quiet = 0
                return None
            self._gathering = _GATHER_WINDOWS
            self._rise[:] = 0.0
            self._peak[:] = -np.inf
        self._rise = np.where(loud, np.maximum(self._rise, rise), self._rise)
        self._peak = np.maximum(self._peak, self.peaks_dbfs)
        self._gathering -= 1
        if self._gathering:
            return None
        self._quiet = 0
        lit = np.flatnonzero(self._rise > 0.0)
        return Lit(
            rises_db={int(k) + 1: float(self._rise[k]) for k in lit},
            peaks_dbfs={k + 1: float(v) for k, v in enumerate(self._peak)},
            noise_dbfs={k + 1: float(v) for k, v in enumerate(self.noise_dbfs)},
        )
