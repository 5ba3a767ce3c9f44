"""By ear: the right line is ticked, a wrong one is named with what is probably crossed, nothing is guessed."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from nightreel.errors import PlanImpossible
from nightreel.linecheck import Outcome
from nightreel.linecheck.ear import EarLine, EarState, Lit, Verdict, accept, add_note, advise_gain, hear, redo, skip
from nightreel.linecheck.listen import Listener
from nightreel.show.model import Show

AT = datetime(2026, 11, 28, 15, tzinfo=UTC)
RATE_HZ = 48_000


def start(lines: int = 6) -> EarState:
    return EarState(lines=tuple(EarLine(number=n, name=f"Name {n}", send_number=n) for n in range(1, lines + 1)))


def lit(send: int, peak_dbfs: float = -15.0, **others: float) -> Lit:
    rises = {send: 40.0} | {int(key[1:]): rise for key, rise in others.items()}
    levels = dict.fromkeys(range(1, 11), -80.0)
    return Lit(rises_db=rises, peaks_dbfs=levels | {send: peak_dbfs}, noise_dbfs=levels)


def test_the_expected_line_is_ticked_and_the_next_is_due() -> None:
    state = hear(start(), lit(1), AT)
    assert state.verdict is Verdict.RIGHT
    assert state.says == "Line 1 Name 1: right, peak -15 dBFS."
    assert state.expected is not None
    assert state.expected.number == 2
    assert state.proofs[0].outcome is Outcome.PROVEN
    assert state.proofs[0].stations == ("stage socket", "desk channel", "send")


def test_bleed_well_below_does_not_disturb() -> None:
    assert hear(start(), lit(1, s2=30.0, s3=12.0), AT).verdict is Verdict.RIGHT


def test_a_wrong_send_names_the_likely_crossing_and_waits() -> None:
    state = hear(start(), lit(2), AT)
    assert state.verdict is Verdict.ELSEWHERE
    assert state.says == (
        "Line 1 Name 1 lights up send 2 (Name 2) instead of 1. "
        "If the stage hand is at Name 1, lines 1 and 2 are probably crossed."
    )
    assert state.place == 0
    assert state.proofs == ()


def test_both_sides_heard_make_the_crossing_certain() -> None:
    state = accept(hear(start(), lit(2), AT))
    state = hear(state, lit(1), AT)
    assert state.says == "Lines 2 and 1 are crossed: each lights up the other's send."
    state = accept(state)
    assert [(p.line, p.outcome, p.send) for p in state.proofs] == [(1, Outcome.WRONG, 2), (2, Outcome.WRONG, 1)]


def test_a_shift_is_seen_at_the_second_line() -> None:
    state = hear(accept(hear(start(), lit(2), AT)), lit(3), AT)
    assert "everything seems shifted by 1" in state.says


def test_a_send_that_no_line_uses_is_said() -> None:
    assert "send 9, which no line uses" in hear(start(), lit(9), AT).says


def test_two_sends_alike_are_not_decided() -> None:
    state = hear(start(), lit(1, s2=38.0), AT)
    assert state.verdict is Verdict.UNSURE
    assert state.says.startswith("Sends 1, 2 light up together: line 1 Name 1 and line 2 Name 2.")
    assert state.place == 0


def test_skip_redo_and_note() -> None:
    state = skip(start(), AT, "no stand yet")
    assert (state.proofs[0].outcome, state.proofs[0].note, state.place) == (Outcome.SKIPPED, "no stand yet", 1)
    state = redo(state)
    assert (state.proofs, state.place) == ((), 0)
    state = redo(hear(state, lit(2), AT))
    assert (state.verdict, state.pending, state.heard_on) == (Verdict.WAITING, None, {})
    state = add_note(hear(state, lit(1), AT), "clip loose")
    assert state.proofs[0].note == "clip loose"
    state = accept(add_note(hear(state, lit(5), AT), "ask again"))
    assert state.proofs[1].note == "heard on send 5; ask again"


def test_all_lines_done_ends_it() -> None:
    state = start(3)
    for send in (1, 2, 3):
        state = hear(state, lit(send), AT)
    assert state.done
    assert state.expected is None
    assert hear(state, lit(1), AT) is state
    assert skip(state, AT) is state


@pytest.mark.parametrize(
    ("peak_dbfs", "advice"),
    [
        (-15.0, ""),
        (-20.5, ""),
        (-27.0, ", try 12 dB more"),
        (-45.0, ", try 30 dB more"),
        (-5.0, ", try 9 dB less"),
        (-0.2, ", it clips: take 12 dB off"),
    ],
)
def test_preamp_advice_moves_toward_the_target_in_steps(peak_dbfs: float, advice: str) -> None:
    assert advise_gain(peak_dbfs) == advice


def test_a_show_without_sends_is_refused() -> None:
    from nightreel.linecheck.ear import begin_by_ear

    with pytest.raises(PlanImpossible):
        begin_by_ear(Show(name="Empty"))


def taps(sends: list[int], channels: int = 8, bleed_db: float = -24.0) -> np.ndarray:
    """A second of stage noise before each tap: a decaying burst on its send, and its bleed on all others."""
    random = np.random.default_rng(5)
    frames = RATE_HZ * (len(sends) + 1)
    samples = random.standard_normal((frames, channels)) * 10 ** (-70 / 20)
    shape = np.exp(-np.arange(4800) / 900.0) * random.standard_normal(4800)
    for count, send in enumerate(sends):
        start = RATE_HZ * (count + 1)
        for channel in range(channels):
            gain = 0.2 if channel + 1 == send else 0.2 * 10 ** (bleed_db / 20)
            samples[start : start + 4800, channel] += gain * shape
    return samples.astype(np.float32)


@pytest.mark.parametrize("block", [128, 1000, 48_000])
def test_the_listener_hears_each_tap_once_and_knows_which_send(block: int) -> None:
    order = [1, 2, 3, 5, 4, 8]
    samples = taps(order)
    listener = Listener(rate_hz=RATE_HZ, sends=8)
    found = []
    for first in range(0, samples.shape[0], block):
        found += listener.feed(samples[first : first + block])
    assert [max(tap.rises_db, key=lambda send: tap.rises_db[send]) for tap in found] == order
    assert all(-24 < tap.peaks_dbfs[send] < -2 for tap, send in zip(found, order, strict=True))
    assert all(abs(tap.noise_dbfs[send] + 70) < 1.5 for tap, send in zip(found, order, strict=True))


def test_a_whole_round_with_two_crossed_lines_from_audio() -> None:
    samples = taps([1, 3, 2, 4])
    listener = Listener(rate_hz=RATE_HZ, sends=8)
    state = start(4)
    for tap in listener.feed(samples):
        state = hear(state, tap, AT)
        if state.verdict is Verdict.ELSEWHERE:
            state = accept(state)
    assert [proof.outcome.value for proof in state.proofs] == ["proven", "wrong", "wrong", "proven"]
    assert state.done


def test_steady_noise_and_slow_changes_light_up_nothing() -> None:
    random = np.random.default_rng(6)
    level = np.linspace(-70, -55, RATE_HZ * 20)[:, None]
    samples = (random.standard_normal((RATE_HZ * 20, 2)) * 10 ** (level / 20)).astype(np.float32)
    assert Listener(rate_hz=RATE_HZ, sends=2).feed(samples) == []


def test_a_line_that_was_right_after_all_is_no_part_of_a_shift() -> None:
    state = hear(hear(start(), lit(2), AT), lit(1), AT)
    assert "shifted" not in hear(state, lit(3), AT).says
