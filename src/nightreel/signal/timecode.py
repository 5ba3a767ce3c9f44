"""Timecode labels and rates: counting frames of picture in hours, minutes, seconds and frames.

Source: SMPTE ST 12-1 (labels, drop-frame counting: ;00 and ;01 are left out at every minute but each tenth).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from fractions import Fraction


class TimecodeRate(Enum):
    """(labels a second, true rate, drop-frame counting)."""

    FPS_23_976 = (24, Fraction(24_000, 1_001), False)
    FPS_24 = (24, Fraction(24), False)
    FPS_25 = (25, Fraction(25), False)
    FPS_29_97_DROP = (30, Fraction(30_000, 1_001), True)
    FPS_29_97 = (30, Fraction(30_000, 1_001), False)
    FPS_30 = (30, Fraction(30), False)

    @property
    def count(self) -> int:
        """Labels in a second of the display."""
        return self.value[0]

    @property
    def fps(self) -> Fraction:
        """Frames in a second of the clock on the wall."""
        return self.value[1]

    @property
    def drop(self) -> bool:
        return self.value[2]

    @property
    def words(self) -> str:
        fps = f"{float(self.fps):.3f}".rstrip("0").rstrip(".")
        return f"{fps} fps drop-frame" if self.drop else f"{fps} fps"

    @property
    def frames_a_day(self) -> int:
        return 2_589_408 if self.drop else 86_400 * self.count


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Timecode:
    """One label. ``drop`` only says how it is written (with ';')."""

    hours: int
    minutes: int
    seconds: int
    frames: int
    drop: bool = False

    def __str__(self) -> str:
        mark = ";" if self.drop else ":"
        return f"{self.hours:02d}:{self.minutes:02d}:{self.seconds:02d}{mark}{self.frames:02d}"

    def fits(self, rate: TimecodeRate) -> bool:
        """Whether the label exists at this rate."""
        inside = self.hours < 24 and self.minutes < 60 and self.seconds < 60 and self.frames < rate.count
        left_out = rate.drop and self.minutes % 10 != 0 and self.seconds == 0 and self.frames < 2
        return inside and not left_out

    def number(self, rate: TimecodeRate) -> int:
        """Frames since midnight."""
        minutes = self.hours * 60 + self.minutes
        number = (minutes * 60 + self.seconds) * rate.count + self.frames
        return number - 2 * (minutes - minutes // 10) if rate.drop else number


def timecode_at(number: int, rate: TimecodeRate) -> Timecode:
    """The label of a frame counted from midnight; wraps after a day."""
    number %= rate.frames_a_day
    if rate.drop:
        tens, rest = divmod(number, 17_982)
        minutes_of_ten = 0 if rest < 1_800 else 1 + (rest - 1_800) // 1_798
        number += 18 * tens + 2 * minutes_of_ten
    seconds, frames = divmod(number, rate.count)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return Timecode(hours=hours, minutes=minutes, seconds=seconds, frames=frames, drop=rate.drop)
