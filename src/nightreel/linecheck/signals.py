"""Line check by identification signals: play the codes through a duplex port, watch the levels, capture, solve.

Nothing sounds before ``amplifiers_muted`` is stated. Signals begin at -60 dBFS, ramp, and end with a fade whatever the
reason; a stop request is honoured within one block, a send that rises as it should not stops them by itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from nightreel.errors import ConfirmationMissing, DeviceTrouble, PlanImpossible
from nightreel.linecheck.guard import LevelGuard, levels_dbfs
from nightreel.linecheck.steady import SteadyDuplex
from nightreel.ports.protocols import Duplex, FloatArray
from nightreel.signal.codes import CEILING_DBFS, MOST_RETURNS, CodeSchedule, RealArray
from nightreel.signal.path_matrix import PathMatrix, settle_doubts, solve_paths
from nightreel.timeline import Gap

MUTE_CAUTION = (
    "Identification signals are about to sound on every return at once. Before you go on: mute the amplifiers, "
    "switch off or mute every in-ear transmitter, mute the wedges and the matrix feeds, and see that nobody wears "
    "headphones or in-ears on this desk. Any key stops the signals."
)
_BLOCK_FRAMES = 1024
_LISTEN_S = 0.35
_STOP_FADE_S = 0.02
_MOST_LOOKS = 3  # the first settles all but rare cases; each further one draws other shifts
_MOST_TRIES = 3  # more than this mean that the device cannot do it
_MOST_LOST = 0.08  # a share of lost frames above this spoils a try


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """The check was stopped before its end; ``reason`` in words, ``by_itself`` when levels were the reason."""

    reason: str
    by_itself: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Identified:
    """What was solved. ``before_dbfs`` (sends,) is what the sends carried before; ``gaps`` were met on the way."""

    matrix: PathMatrix
    before_dbfs: RealArray
    gaps: tuple[Gap, ...]


def identify(
    duplex: Duplex,
    return_numbers: Sequence[int],
    *,
    amplifiers_muted: bool,
    ceiling_dbfs: float = CEILING_DBFS,
    ahead_frames: int = 0,
    stop: Callable[[], bool] = lambda: False,
    progress: Callable[[float], None] = lambda part: None,
) -> Identified | Stopped:
    """Sound the given returns (numbers from 1) of a started duplex, and solve what arrives on all its sends.

    The matrix counts returns in the order given. Other returns stay silent. ``ahead_frames`` is how far the duplex
    plays ahead of what it captures; that much is not counted as latency.

    Raises ConfirmationMissing without ``amplifiers_muted``, PlanImpossible for returns the device does not have,
    DeviceTrouble when gaps spoil every try.
    """
    if not amplifiers_muted:
        raise ConfirmationMissing(
            "nobody has confirmed that amplifiers, in-ear transmitters and wedges are muted",
            now="Mute them, then confirm with --confirm-muted",
        )
    missing = [number for number in return_numbers if not 1 <= number <= duplex.returns]
    if missing:
        raise PlanImpossible(
            f"returns {', '.join(map(str, missing[:8]))} do not exist: the device has {duplex.returns}",
            now="Choose the device that carries the link, or change the column 'return' in inputs.csv",
        )
    if len(return_numbers) > MOST_RETURNS:
        raise PlanImpossible(
            f"{len(return_numbers)} returns cannot be told apart at once", now=f"Check {MOST_RETURNS} at a time"
        )
    steady = SteadyDuplex(duplex)
    gaps: list[Gap] = []
    matrix: PathMatrix | None = None
    before_dbfs: RealArray = np.empty(0)
    first_frame = 0
    for variant in range(_MOST_LOOKS):
        schedule = CodeSchedule(
            rate_hz=duplex.rate_hz, returns=len(return_numbers), ceiling_dbfs=ceiling_dbfs, variant=variant
        )
        schedule.sequences()  # made before the device waits for them
        run = _play_unspoilt(steady, schedule, return_numbers, ahead_frames, stop, progress, gaps)
        if isinstance(run, Stopped):
            return run
        look = steady.meanwhile(partial(solve_paths, run.capture, schedule, lost=run.lost))
        if matrix is None:
            matrix, before_dbfs, first_frame = look, run.before_dbfs, run.first_frame
        else:
            matrix = settle_doubts(matrix, look, later_frames=run.first_frame - first_frame)
        if not matrix.doubtful.any():
            break
    assert matrix is not None
    return Identified(matrix=matrix, before_dbfs=before_dbfs, gaps=tuple(gaps))


def _play_unspoilt(
    duplex: SteadyDuplex,
    schedule: CodeSchedule,
    return_numbers: Sequence[int],
    ahead_frames: int,
    stop: Callable[[], bool],
    progress: Callable[[float], None],
    gaps: list[Gap],
) -> _Run | Stopped:
    for _ in range(_MOST_TRIES):
        run = _Run(duplex, schedule, return_numbers, ahead_frames, stop, progress)
        stopped = run.play()
        gaps += run.gaps
        if stopped is not None:
            return stopped
        if not run.spoilt:
            return run
    raise DeviceTrouble(
        f"too many samples were lost in each of {_MOST_TRIES} tries",
        now="Use a larger buffer on the device, close other programs, and check again",
    )


class _Run:
    """One pass of the signals."""

    def __init__(
        self,
        duplex: SteadyDuplex,
        schedule: CodeSchedule,
        return_numbers: Sequence[int],
        ahead_frames: int,
        stop: Callable[[], bool],
        progress: Callable[[float], None],
    ) -> None:
        self._duplex = duplex
        self._schedule = schedule
        self._channels = np.array([number - 1 for number in return_numbers])
        self._ahead_frames = ahead_frames
        self._stop = stop
        self._progress = progress
        self.gaps: list[Gap] = []
        self._position = 0
        self.spoilt = False
        self.first_frame = 0  # of the duplex, where the capture begins
        self.before_dbfs: RealArray = np.full(duplex.sends, -np.inf)
        self.capture: FloatArray = np.zeros((schedule.total_frames, duplex.sends), np.float32)
        self.lost = np.zeros(schedule.total_frames, bool)

    def play(self) -> Stopped | None:
        self._listen()
        guard = LevelGuard(self.before_dbfs)
        underruns = self._duplex.underruns
        self.first_frame = self._position
        at, end = 0, self.capture.shape[0] + self._ahead_frames
        while at < end:
            frames = min(_BLOCK_FRAMES, end - at)
            stopped = Stopped(reason="Stopped on request", by_itself=False) if self._stop() else None
            if stopped is None:
                captured = self._exchange(self._schedule.signal(at, frames))
                self._keep(at - self._ahead_frames, captured)
                peak = float(self._schedule.envelope(at, frames).max())
                alarm = guard.feed(captured, 20.0 * math.log10(max(peak, 1e-9)))
                at += frames
                if alarm is not None:
                    stopped = Stopped(reason=alarm.text, by_itself=True)
            if stopped is not None:
                self._fade(at)
                return stopped
            self._progress(at / end)
        self._note_losses()
        self.spoilt = self._duplex.underruns != underruns or float(self.lost.mean()) > _MOST_LOST
        return None

    def _note_losses(self) -> None:
        """Where periods were skipped both ways, in frames of the capture."""
        for gap in self.gaps:
            first = gap.first_frame - self.first_frame - self._ahead_frames
            self.lost[max(0, first) : max(0, first + gap.frames)] = True

    def _keep(self, place: int, captured: FloatArray) -> None:
        skip = max(0, -place)
        if skip < captured.shape[0]:
            self.capture[place + skip : place + captured.shape[0]] = captured[skip:]

    def _listen(self) -> None:
        """What the sends carry while nothing of ours sounds."""
        self._duplex.catch_up()
        frames = round(_LISTEN_S * self._duplex.rate_hz)
        heard = [
            # Silence for as long as the device plays ahead, so that the fade has left before anybody closes it.
            self._exchange(np.zeros((_BLOCK_FRAMES + self._ahead_frames, self._channels.size), np.float32))
            for _ in range(-(-frames // _BLOCK_FRAMES))
        ]
        self.before_dbfs = levels_dbfs(np.concatenate(heard[len(heard) // 4 :]))
        self.gaps.clear()

    def _exchange(self, signal: FloatArray) -> FloatArray:
        played = np.zeros((signal.shape[0], self._duplex.returns), np.float32)
        played[:, self._channels] = signal
        block = self._duplex.exchange(played)
        self._position = block.first_frame + block.frames
        if block.gaps:
            self.gaps += block.gaps
        return block.samples

    def _fade(self, at: int) -> None:
        frames = round(_STOP_FADE_S * self._duplex.rate_hz)
        shape = np.cos(0.5 * np.pi * np.arange(1, frames + 1) / frames).astype(np.float32) ** 2
        self._exchange(self._schedule.signal(at, frames) * shape[:, None])
        # Silence for as long as the device plays ahead, so that the fade has left before anybody closes it.
        self._exchange(np.zeros((_BLOCK_FRAMES + self._ahead_frames, self._channels.size), np.float32))
