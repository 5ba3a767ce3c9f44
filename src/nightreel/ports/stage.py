"""The simulated stage as source, sink and duplex: in real time, faster, or as fast as it is asked.

``SimulatedStage(desk)`` runs audio through a :class:`Desk`; the classes here put it behind the protocols and add
what a stage cannot have: time, and gaps on the way to the computer.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np

from nightreel.errors import ArgumentInvalid
from nightreel.ports.desk import Desk, DeskChannel, DeskPath, Feed, Leak, Origin
from nightreel.ports.protocols import Block, EndOfFrames, FloatArray
from nightreel.ports.running_desk import SimulatedStage
from nightreel.timeline import Gap

__all__ = [
    "Desk",
    "DeskChannel",
    "DeskPath",
    "Feed",
    "Leak",
    "Origin",
    "SimulatedStage",
    "StageDuplex",
    "StageInputs",
    "StageSink",
    "StageSource",
    "inputs_from_array",
]

StageInputs = Callable[[int, int], FloatArray]
"""(first_frame, frames) -> float32 (frames, sockets): what the band plays. Asked for in order, each frame once."""


def inputs_from_array(samples: FloatArray, *, repeat: bool = False) -> StageInputs:
    """The band plays this array (frames, sockets), then silence; or over and over."""

    def play(first_frame: int, frames: int) -> FloatArray:
        if repeat:
            return np.take(samples, range(first_frame, first_frame + frames), axis=0, mode="wrap")
        block = np.zeros((frames, samples.shape[1]), dtype=np.float32)
        there = samples[first_frame : first_frame + frames]
        block[: there.shape[0]] = there
        return block

    return play


class _Pace:
    """Turns elapsed time into frames. ``speed`` is a multiple of real time, None for no waiting at all."""

    def __init__(self, rate_hz: int, speed: float | None) -> None:
        if speed is not None and not speed > 0.0:
            raise ArgumentInvalid(f"speed {speed} is not above 0", now="1.0 is real time; None does not wait")
        self._frames_per_s = None if speed is None else rate_hz * speed
        self._started_s = time.monotonic()

    def restart(self) -> None:
        self._started_s = time.monotonic()

    def due_frames(self) -> int | None:
        """How many frames have passed since the start; None when nobody waits."""
        return None if self._frames_per_s is None else int((time.monotonic() - self._started_s) * self._frames_per_s)

    def wait_for(self, frame: int, timeout_s: float | None = None) -> bool:
        """Sleep until ``frame`` frames have passed; False when that takes longer than ``timeout_s``."""
        if self._frames_per_s is None:
            return True
        left_s = self._started_s + frame / self._frames_per_s - time.monotonic()
        if timeout_s is not None and left_s > timeout_s:
            time.sleep(max(0.0, timeout_s))
            return False
        time.sleep(max(0.0, left_s))
        return True


class _PlantedGaps:
    """Gaps on the way to the computer: zeros where they lie, and listed with the block they touch."""

    def __init__(self, gaps: Sequence[Gap]) -> None:
        self._gaps = sorted(gaps)

    def cut_into(self, first_frame: int, samples: FloatArray) -> Block:
        end_frame = first_frame + samples.shape[0]
        found = []
        for gap in self._gaps:
            first, end = max(gap.first_frame, first_frame), min(gap.end_frame, end_frame)
            if first >= end:
                continue
            channels = list(gap.channels) if gap.channels else slice(None)
            samples[first - first_frame : end - first_frame, channels] = 0.0
            found.append(Gap(first_frame=first, frames=end - first, cause=gap.cause, channels=gap.channels))
        return Block(first_frame=first_frame, samples=samples, gaps=tuple(found))


class StageSource:
    """A FrameSource: the sends of a simulated stage while the band plays.

    inputs : what the band plays; None for a silent stage
    frames : how many there are before EndOfFrames; None for no end
    block_frames : frames per read
    speed : multiple of real time; None gives each block as soon as it is asked for
    gaps : samples that get lost on the way to the computer
    """

    def __init__(
        self,
        stage: SimulatedStage,
        inputs: StageInputs | None = None,
        *,
        frames: int | None = None,
        block_frames: int = 480,
        speed: float | None = 1.0,
        gaps: Sequence[Gap] = (),
    ) -> None:
        self._stage = stage
        self._inputs = inputs or _silent(stage)
        self._frames = frames
        self._block_frames = block_frames
        self._pace = _Pace(stage.desk.rate_hz, speed)
        self._gaps = _PlantedGaps(gaps)
        self._position = 0

    @property
    def rate_hz(self) -> int:
        return self._stage.desk.rate_hz

    @property
    def channels(self) -> int:
        return self._stage.desk.sends

    @property
    def clock(self) -> str:
        return "simulated stage"

    def start(self) -> None:
        self._pace.restart()

    def read(self, *, timeout_s: float) -> Block | None:
        wanted = self._block_frames
        if self._frames is not None:
            wanted = min(wanted, self._frames - self._position)
            if wanted <= 0:
                raise EndOfFrames
        if not self._pace.wait_for(self._position + wanted, timeout_s):
            return None
        sends = self._stage.process(self._inputs(self._position, wanted), None)
        block = self._gaps.cut_into(self._position, sends)
        self._position += wanted
        return block

    def stop(self) -> None:
        pass


class StageSink:
    """A FrameSink: plays into the returns of a simulated stage.

    inputs : what the band plays meanwhile
    heard : is given each block of sends (frames, sends) that comes of it
    speed : multiple of real time; None takes everything at once
    buffer_s : how far the writer may run ahead. When it falls behind, silence is played and an underrun counted.
    """

    def __init__(
        self,
        stage: SimulatedStage,
        *,
        inputs: StageInputs | None = None,
        heard: Callable[[FloatArray], None] | None = None,
        speed: float | None = 1.0,
        buffer_s: float = 0.2,
    ) -> None:
        self._stage = stage
        self._inputs = inputs or _silent(stage)
        self._heard = heard
        self._pace = _Pace(stage.desk.rate_hz, speed)
        self._buffer_frames = round(buffer_s * stage.desk.rate_hz)
        self._position = 0
        self._underruns = 0

    @property
    def rate_hz(self) -> int:
        return self._stage.desk.rate_hz

    @property
    def channels(self) -> int:
        return self._stage.desk.returns

    @property
    def underruns(self) -> int:
        return self._underruns

    def start(self) -> None:
        self._pace.restart()

    def write(self, samples: FloatArray) -> None:
        due = self._pace.due_frames()
        if self._position == 0:
            self._pace.restart()
        elif due is not None and due > self._position:
            self._underruns += 1
            self._play(np.zeros((due - self._position, self.channels), dtype=np.float32))
        self._play(samples)
        self._pace.wait_for(self._position - self._buffer_frames)

    def flush(self) -> None:
        self._pace.wait_for(self._position)

    def stop(self) -> None:
        pass

    def _play(self, samples: FloatArray) -> None:
        sends = self._stage.process(self._inputs(self._position, samples.shape[0]), samples)
        self._position += samples.shape[0]
        if self._heard is not None:
            self._heard(sends)


class StageDuplex:
    """A Duplex: returns in, sends out, on the stage's clock. Arguments as for :class:`StageSource`."""

    def __init__(
        self,
        stage: SimulatedStage,
        inputs: StageInputs | None = None,
        *,
        speed: float | None = 1.0,
        gaps: Sequence[Gap] = (),
    ) -> None:
        self._stage = stage
        self._inputs = inputs or _silent(stage)
        self._pace = _Pace(stage.desk.rate_hz, speed)
        self._gaps = _PlantedGaps(gaps)
        self._position = 0

    @property
    def rate_hz(self) -> int:
        return self._stage.desk.rate_hz

    @property
    def sends(self) -> int:
        return self._stage.desk.sends

    @property
    def returns(self) -> int:
        return self._stage.desk.returns

    def start(self) -> None:
        self._pace.restart()

    def exchange(self, played: FloatArray) -> Block:
        frames = played.shape[0]
        sends = self._stage.process(self._inputs(self._position, frames), played)
        block = self._gaps.cut_into(self._position, sends)
        self._position += frames
        self._pace.wait_for(self._position)
        return block

    def stop(self) -> None:
        pass


def _silent(stage: SimulatedStage) -> StageInputs:
    def play(first_frame: int, frames: int) -> FloatArray:
        return np.zeros((frames, stage.desk.sockets), dtype=np.float32)

    return play
