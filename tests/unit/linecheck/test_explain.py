"""What the engineer is told: each planted fault in its own words, and nothing that is not so."""

from __future__ import annotations

import pytest
from tests.unit.linecheck.rig import AT, check, quiet_desk, sentences, straight_patch

from nightreel.linecheck import Kind, Outcome, Weight, explain
from nightreel.ports.desk import Desk


def only_wrong(desk: Desk) -> list[tuple[Kind, str]]:
    _, told = check(desk)
    return [(s.kind, s.text) for s in told.statements if s.weight is not Weight.FACT]


def test_a_straight_desk_is_proven_with_nothing_to_complain_about() -> None:
    _, told = check(quiet_desk(8))
    assert told.all_proven
    assert sentences(told) == (
        "Patch proven: all 8 lines tested arrive where the show says.\n"
        "Latency is 57 frames (1.2 ms) on every line that arrives."
    )


@pytest.mark.parametrize(
    ("desk", "kind", "text"),
    [
        (
            quiet_desk(12).crossed_returns(8, 9),
            Kind.CROSSED,
            "Sends 9 and 10 are crossed: send 9 carries return 10 (line 10 Name 10), send 10 carries return 9 "
            "(line 9 Name 9).",
        ),
        (quiet_desk(12).off_level(11, -6.0), Kind.OFF_LEVEL, "Line 12 Name 12 comes back 6 dB low (send 12)."),
        (quiet_desk(12).off_level(1, 9.0), Kind.OFF_LEVEL, "Line 2 Name 2 comes back 9 dB high (send 2)."),
        (quiet_desk(12).inverted(3), Kind.POLARITY, "Line 4 Name 4 comes back with reversed polarity (send 4)."),
        (quiet_desk(12).leaking(4, 5, -38.0), Kind.CROSSTALK, "Return 5 also reaches send 6 at -38 dB."),
        (
            quiet_desk(12).leaking(4, 5, 0.0),
            Kind.TWO_RETURNS,
            "Two returns feed one channel: send 6 (line 6 Name 6) carries returns 5 and 6.",
        ),
        (
            quiet_desk(12).dead(10),
            Kind.NOTHING_HEARD,
            "Send 11 hears nothing of any return (line 11 Name 11); its noise is at -92 dBFS.",
        ),
    ],
)
def test_a_single_fault_gives_that_one_sentence(desk: Desk, kind: Kind, text: str) -> None:
    assert only_wrong(desk) == [(kind, text)]


def test_a_shift_is_said_once_and_not_line_by_line() -> None:
    _, told = check(quiet_desk(12).shifted(4))
    wrong = [s for s in told.statements if s.weight is Weight.WRONG]
    assert wrong[0].text == (
        "Everything from line 6 on is shifted by one: each send carries the line one before its own "
        "(send 6 carries return 5)."
    )
    assert {s.kind for s in wrong[1:]} == {Kind.NOTHING_HEARD, Kind.ARRIVES_NOWHERE}
    assert [s.sends for s in wrong if s.kind is Kind.NOTHING_HEARD] == [(5,)]
    assert [s.returns for s in wrong if s.kind is Kind.ARRIVES_NOWHERE] == [(12,)]


def test_level_and_polarity_behind_a_crossing_are_said_of_what_is_there() -> None:
    _, told = check(quiet_desk(8).crossed_returns(2, 3).inverted(2).off_level(3, -8.0))
    text = sentences(told)
    assert "Return 4, which send 3 carries, comes back with reversed polarity" in text
    assert "Return 3, which send 4 carries, comes back 8 dB low" in text
    assert "Line 3" not in text


def test_a_send_full_of_programme_is_called_unclear_and_not_dead() -> None:
    _, told = check(quiet_desk(8).dead(2).with_channel(2, noise_dbfs=-6.0))
    assert [s.kind for s in told.statements if s.weight is not Weight.FACT] == [Kind.TOO_NOISY]
    assert told.proofs[2].outcome is Outcome.UNCLEAR


def test_signal_twenty_decibels_below_programme_is_still_right() -> None:
    # The signals' RMS level is 10 dB below their ceiling of -30 dBFS.
    _, told = check(quiet_desk(8).with_all(noise_dbfs=-20.0).crossed_returns(0, 1).inverted(5))
    kinds = [s.kind for s in told.statements if s.weight is not Weight.FACT]
    assert kinds == [Kind.CROSSED, Kind.POLARITY]


def test_clocks_that_run_apart_are_a_finding_and_the_patch_is_still_read() -> None:
    from dataclasses import replace

    desk = replace(quiet_desk(8).crossed_returns(0, 1), clock_offset_ppm=50.0)
    identified, told = check(desk)
    assert abs(identified.matrix.clock_offset_ppm) == pytest.approx(50.0, abs=0.5)
    assert [s.kind for s in told.statements if s.weight is Weight.WRONG] == [Kind.CROSSED, Kind.CLOCK]
    assert "50.0 ppm" in sentences(told)


def test_stereo_partners_with_unlike_latency_are_named() -> None:
    patch = straight_patch(6, partners={3: 4, 4: 3})
    _, told = check(quiet_desk(6).delayed(3, 7), patch)
    assert "Stereo partners 3 and 4 arrive 7 frames apart (0.15 ms)." in sentences(told)


def test_every_line_low_is_said_once() -> None:
    _, told = check(quiet_desk(6).with_all(gain_db=-3.0).off_level(2, -6.0))
    levels = [s.text for s in told.statements if s.kind is Kind.OFF_LEVEL]
    assert levels == [
        "Lines come back 3 dB low, most of them alike.",
        "Line 3 Name 3 comes back 6 dB lower than the others (send 3).",
    ]


def test_every_line_reversed_is_said_once() -> None:
    _, told = check(quiet_desk(6).with_all(polarity=-1))
    assert [s.text for s in told.statements if s.kind is Kind.POLARITY] == [
        "Every line comes back with reversed polarity."
    ]


def test_a_desk_that_loops_nothing_back_is_said_per_send() -> None:
    _, told = check(quiet_desk(4).live())
    assert [p.outcome for p in told.proofs] == [Outcome.NOT_HEARD] * 4
    assert [s.kind for s in told.statements if s.weight is Weight.WRONG] == [Kind.NOTHING_HEARD] * 4


def test_what_was_on_the_sends_before_is_said_with_the_loudest() -> None:
    desk = quiet_desk(6).with_channel(1, noise_dbfs=-20.0).with_channel(4, noise_dbfs=-30.0)
    identified, _ = check(desk)
    patch = straight_patch(6)
    told = explain(
        identified.matrix,
        patch,
        return_numbers=patch.return_numbers,
        at=AT,
        before_dbfs=identified.before_dbfs,
        lost_frames=480,
    )
    text = sentences(told)
    assert "Sends 2 and 5 carried something before the signals began: up to -20 dBFS on send 2." in text
    assert "480 frames (10 ms) were lost during the check" in text
    assert told.all_proven
