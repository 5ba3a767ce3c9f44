"""Gains that move without a click: the gate that opens and closes, the level that rises, the switch of each line."""

from __future__ import annotations

import numpy as np

from nightreel.soundcheck.strip import FloatArray, RealArray, fade_gain


class Gate:
    """Opens and closes along a raised cosine of ``fade_frames``."""

    def __init__(self, fade_frames: int) -> None:
        self.fade_frames = max(1, fade_frames)
        self._at = 0
        self._opening = False

    @property
    def closed(self) -> bool:
        return self._at == 0 and not self._opening

    @property
    def closing_frames(self) -> int | None:
        """Frames until it is closed; None while it is open or opening."""
        return None if self._opening else self._at

    def open(self) -> None:
        self._opening = True

    def close(self) -> None:
        self._opening = False

    def shut(self) -> None:
        """Closed at once: only when what follows is not heard."""
        self._opening = False
        self._at = 0

    def gain(self, frames: int) -> RealArray | None:
        """(frames,), and move on; None where it stays fully open."""
        if self._opening and self._at == self.fade_frames:
            return None
        step = 1 if self._opening else -1
        places = np.clip(self._at + step * np.arange(1, frames + 1), 0, self.fade_frames)
        self._at = int(places[-1]) if frames else self._at
        return fade_gain(places / self.fade_frames)


class Level:
    """One level for all lines in dB against the take, moving evenly in decibels; exactly 1 at 0 dB."""

    def __init__(self, *, rate_hz: int, start_db: float, target_db: float, rise_s: float) -> None:
        self._rate_hz = rate_hz
        self._start_db = start_db
        self._rise_s = rise_s
        self.target_db = target_db
        self.now_db = start_db

    def restart(self) -> None:
        """Down to the start level again: only while nothing sounds."""
        self.now_db = min(self._start_db, self.target_db)

    def gain(self, frames: int) -> RealArray | float:
        """(frames,) while it moves, else one number; and move on."""
        if self.now_db == self.target_db:
            return float(10.0 ** (self.now_db / 20.0))
        rise = max(abs(self._start_db), 10.0) / max(self._rise_s, 0.02) / self._rate_hz
        steps = self.now_db + np.sign(self.target_db - self.now_db) * rise * np.arange(1, frames + 1)
        low, high = sorted((self.now_db, self.target_db))
        levels = np.clip(steps, low, high)
        self.now_db = float(levels[-1]) if frames else self.now_db
        gain: RealArray = 10.0 ** (levels / 20.0)
        return gain


class Switches:
    """On or off per line, each along its own raised cosine."""

    def __init__(self, on: list[bool], fade_frames: int) -> None:
        self._fade_frames = max(1, fade_frames)
        self._on = np.array(on, bool)
        self._at = np.where(self._on, self._fade_frames, 0)

    def set(self, column: int, on: bool) -> None:
        self._on[column] = on

    def is_on(self, column: int) -> bool:
        return bool(self._on[column])

    def apply(self, samples: FloatArray) -> None:
        """In place on (frames, lines), and move on."""
        frames = samples.shape[0]
        moving = self._at != np.where(self._on, self._fade_frames, 0)
        for column in np.flatnonzero(moving):
            step = 1 if self._on[column] else -1
            places = np.clip(self._at[column] + step * np.arange(1, frames + 1), 0, self._fade_frames)
            samples[:, column] *= fade_gain(places / self._fade_frames).astype(np.float32)
            self._at[column] = places[-1] if frames else self._at[column]
        off = ~moving & ~self._on
        if off.any():
            samples[:, off] = 0.0
