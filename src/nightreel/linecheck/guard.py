"""Stops a check that gets loud: watches every send while identification signals ramp up and sound. Pure.

A path through a desk gives back a fixed share of what is played; feedback grows. So a send is suspicious when it is
well above what it carried before, and well above what the signals can account for. Thresholds are ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightreel.signal.codes import FloatArray, RealArray
from nightreel.units import format_db

_RISE_DB = 12.0  # above what the send carried before the signals began
_HEADROOM_DB = 15.0  # above the level being played: no patch of ours amplifies that much
_LOUD_DBFS = -12.0  # whatever the reason, this is not ours
_FLOOR_DBFS = -70.0
_BLOCKS_IN_A_ROW = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """``send`` counts from 1."""

    send: int
    level_dbfs: float
    before_dbfs: float
    playing_dbfs: float

    @property
    def text(self) -> str:
        return (
            f"Send {self.send} rose to {format_db(self.level_dbfs)} while signals played at "
            f"{format_db(self.playing_dbfs)}; before, it carried {format_db(self.before_dbfs)}. It may be feedback"
        )


class LevelGuard:
    """Feed it every captured block; it answers with an alarm as soon as a send rises as it should not."""

    def __init__(self, before_dbfs: RealArray) -> None:
        """``before_dbfs`` (sends,): RMS level of each send before anything was played."""
        self._before_dbfs = before_dbfs
        self._suspicious = np.zeros(before_dbfs.size, np.int64)
        self._playing_dbfs = -np.inf

    def feed(self, captured: FloatArray, playing_dbfs: float) -> Alarm | None:
        """``captured`` (frames, sends); ``playing_dbfs`` the peak level of each return in this block."""
        self._playing_dbfs = max(self._playing_dbfs, playing_dbfs)
        level_dbfs = levels_dbfs(captured)
        risen = level_dbfs > np.maximum(self._before_dbfs, _FLOOR_DBFS) + _RISE_DB
        beyond = level_dbfs > np.maximum(self._playing_dbfs + _HEADROOM_DB, _FLOOR_DBFS)
        loud = level_dbfs > _LOUD_DBFS
        self._suspicious = np.where(risen & (beyond | loud), self._suspicious + 1, 0)
        worst = int(np.argmax(np.where(self._suspicious >= _BLOCKS_IN_A_ROW, level_dbfs, -np.inf)))
        if self._suspicious[worst] < _BLOCKS_IN_A_ROW:
            return None
        return Alarm(
            send=worst + 1,
            level_dbfs=float(level_dbfs[worst]),
            before_dbfs=float(self._before_dbfs[worst]),
            playing_dbfs=self._playing_dbfs,
        )


def levels_dbfs(samples: FloatArray) -> RealArray:
    """RMS of each channel, float64; -inf for silence."""
    power = np.mean(np.square(samples, dtype=np.float64), axis=0)
    with np.errstate(divide="ignore"):
        level: RealArray = 10.0 * np.log10(power)
    return level
