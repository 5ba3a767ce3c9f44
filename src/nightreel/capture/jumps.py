"""Jumps of a running time code: where a mark is worth setting. Pure."""

from __future__ import annotations

from nightreel.signal.ltc import LtcFrame

TOLERANCE_S = 0.5
PAUSE_S = 2.0  # code that was away for longer than this has started anew, wherever it goes on


class TimecodeJumps:
    """Fed with the frames of LTC as they are read; tells those that begin somewhere new.

    One frame may be misread: a jump counts when the frame after it agrees.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._last: LtcFrame | None = None
        self._doubtful: LtcFrame | None = None

    def feed(self, frames: tuple[LtcFrame, ...]) -> tuple[LtcFrame, ...]:
        """The first frame of every new run, the very first one included."""
        found = []
        for frame in frames:
            if self._last is not None and self._runs_on(self._last, frame):
                self._last, self._doubtful = frame, None
            elif self._doubtful is not None and self._runs_on(self._doubtful, frame):
                found.append(self._doubtful)
                self._last, self._doubtful = frame, None
            else:
                self._doubtful = frame
        return tuple(found)

    def _runs_on(self, before: LtcFrame, after: LtcFrame) -> bool:
        elapsed_s = (after.start - before.start) / self._rate_hz
        if elapsed_s > PAUSE_S:
            return False
        return abs((_seconds(after) - _seconds(before)) - elapsed_s) < TOLERANCE_S


def _seconds(frame: LtcFrame) -> float:
    """Of the label, to the second and a share of it (the rate of pictures does not matter at this tolerance)."""
    label = frame.label
    return label.hours * 3600 + label.minutes * 60 + label.seconds + label.frames / 30
