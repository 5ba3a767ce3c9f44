"""Playing identification signals: nothing without consent, an end at any moment, an end by itself."""

from __future__ import annotations

import numpy as np
import pytest
from tests.unit.linecheck.rig import quiet_desk

from nightreel.errors import ConfirmationMissing, DeviceTrouble, PlanImpossible
from nightreel.linecheck import Identified, Stopped, identify
from nightreel.ports.protocols import Block, FloatArray
from nightreel.ports.stage import SimulatedStage, StageDuplex
from nightreel.signal.codes import CodeSchedule
from nightreel.timeline import Gap, GapCause


class Witness:
    """A duplex that keeps what was played."""

    def __init__(self, lines: int = 4, loop_gain: float = 0.0, gaps_every: int = 0) -> None:
        self._inner = StageDuplex(SimulatedStage(quiet_desk(lines)), speed=None)
        self.played: list[FloatArray] = []
        self._loop_gain = loop_gain
        self._last = np.zeros((1024, lines), np.float32)
        self._gaps_every = gaps_every

    rate_hz = 48_000
    sends = property(lambda self: self._inner.sends)
    returns = property(lambda self: self._inner.returns)

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def exchange(self, played: FloatArray) -> Block:
        self.played.append(played.copy())
        if self._gaps_every and len(self.played) % self._gaps_every == 0:
            played = played.copy()
            played[:256] = 0.0  # skipped on the way out as well
        block = self._inner.exchange(played)
        if self._loop_gain:
            # Send 3 also hears what it carried 1024 frames ago, louder each time round.
            frames = played.shape[0]
            block.samples[:, 2] += self._loop_gain * self._last[:frames, 2]
            self._last[:frames] = block.samples
        if self._gaps_every and len(self.played) % self._gaps_every == 0:
            gap = Gap(first_frame=block.first_frame, frames=256, cause=GapCause.SERVER_SKIPPED)
            block.samples[:256] = 0.0
            return Block(first_frame=block.first_frame, samples=block.samples, gaps=(gap,))
        return block

    def all_played(self) -> FloatArray:
        return np.concatenate(self.played)


def test_nothing_is_played_without_confirmation() -> None:
    duplex = Witness()
    with pytest.raises(ConfirmationMissing):
        identify(duplex, [1, 2], amplifiers_muted=False)
    assert duplex.played == []


def test_signals_begin_at_minus_sixty_and_never_pass_the_ceiling() -> None:
    duplex = Witness()
    assert isinstance(identify(duplex, [1, 2, 3, 4], amplifiers_muted=True, ceiling_dbfs=-40.0), Identified)
    played = np.abs(duplex.all_played())
    first = int(np.flatnonzero(played.any(axis=1))[0])
    assert played[first : first + 480].max() <= 10 ** (-59.5 / 20)
    assert played.max() <= 10 ** (-40 / 20) * 1.00001


def test_returns_that_were_not_asked_for_stay_silent() -> None:
    duplex = Witness()
    outcome = identify(duplex, [2, 4], amplifiers_muted=True)
    assert isinstance(outcome, Identified)
    assert not duplex.all_played()[:, [0, 2]].any()
    assert {(p.return_index, p.send_index) for p in outcome.matrix.paths} == {(0, 1), (1, 3)}


def test_stop_request_ends_with_a_fade_and_then_silence() -> None:
    duplex = Witness()
    outcome = identify(duplex, [1, 2, 3, 4], amplifiers_muted=True, stop=lambda: len(duplex.played) >= 80)
    assert outcome == Stopped(reason="Stopped on request", by_itself=False)
    played = duplex.all_played()
    assert not played[-1024:].any()
    schedule = CodeSchedule(rate_hz=48_000, returns=4)
    own_step = np.abs(np.diff(schedule.signal(0, schedule.total_frames), axis=0)).max()
    assert np.abs(np.diff(played, axis=0)).max() <= own_step


def test_growing_feedback_stops_the_signals_by_itself_while_it_is_small() -> None:
    duplex = Witness(loop_gain=1.3)
    outcome = identify(duplex, [1, 2, 3, 4], amplifiers_muted=True)
    assert isinstance(outcome, Stopped)
    assert outcome.by_itself
    assert outcome.reason.startswith("Send 3 rose to ")
    assert np.abs(duplex._last[:, 2]).max() < 10 ** (-12 / 20)


def test_a_hot_but_steady_path_is_no_feedback() -> None:
    duplex = StageDuplex(SimulatedStage(quiet_desk(4).off_level(1, 12.0)), speed=None)
    assert isinstance(identify(duplex, [1, 2, 3, 4], amplifiers_muted=True), Identified)


def test_too_many_lost_samples_make_it_try_again_and_then_say_so() -> None:
    with pytest.raises(DeviceTrouble, match="too many samples were lost"):
        identify(Witness(gaps_every=2), [1], amplifiers_muted=True)


def test_some_lost_samples_neither_hide_a_path_nor_change_its_gain() -> None:
    duplex = Witness(gaps_every=8)
    outcome = identify(duplex, [1, 2, 3, 4], amplifiers_muted=True)
    assert isinstance(outcome, Identified)
    assert len(outcome.gaps) > 20
    assert [(p.return_index, p.send_index) for p in outcome.matrix.paths] == [(n, n) for n in range(4)]
    assert [p.gain_db for p in outcome.matrix.paths] == pytest.approx([0.0] * 4, abs=0.1)


def test_a_return_the_device_does_not_have_is_named() -> None:
    with pytest.raises(PlanImpossible, match="returns 5, 9 do not exist"):
        identify(Witness(), [1, 5, 9], amplifiers_muted=True)


def test_what_a_device_plays_ahead_is_not_counted_as_latency() -> None:
    ahead = 4_800
    desk = quiet_desk(4).with_all(latency_frames=ahead + 23_900)
    duplex = StageDuplex(SimulatedStage(desk), speed=None)
    outcome = identify(duplex, [1, 2, 3, 4], amplifiers_muted=True, ahead_frames=ahead)
    assert isinstance(outcome, Identified)
    assert [round(p.latency_frames) for p in outcome.matrix.paths] == [23_900] * 4
