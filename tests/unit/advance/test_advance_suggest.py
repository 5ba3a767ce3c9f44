"""Suggestions: what a colleague would say, with what it frees; and options with the reason why each fails."""

from __future__ import annotations

import nightreel.advance as room
from nightreel.advance import Wishes, make_plan
from nightreel.advance.options import explain
from nightreel.advance.remarks import list_warnings
from nightreel.show.model import Capacity, Line, Link, LinkKind, Medium, Role, Show
from nightreel.units import Encoding


def show(count: int, *, rate_hz: int = 96_000, media: tuple[Medium, ...] = (), extra: tuple[Line, ...] = ()) -> Show:
    lines = tuple(Line(number=n, name=f"Mic {n}", priority=2) for n in range(1, count + 1))
    madi = Link(
        name="madi",
        kind=LinkKind.MADI,
        capacity={48_000: Capacity(sends=64, returns=64), 96_000: Capacity(sends=32, returns=32)},
        sends_in_use=frozenset({31, 32}),
    )
    return Show(name="s", rate_hz=rate_hz, lines=(*lines, *extra), links=(madi,), media=media, expected_length_s=3600)


def test_a_lower_rate_is_suggested_with_what_it_frees() -> None:
    plan = make_plan(show(40), Wishes())
    assert len(plan.choice.left_out) == 10
    texts = {s.text: s.frees for s in plan.suggestions}
    assert texts["record at 48 kHz"] == 32
    assert texts["free ports of madi that others use"] == 2
    assert plan.suggestions[0].frees >= 10  # the first alone is enough


def test_toms_become_a_stereo_sum_and_effects_can_be_left_out() -> None:
    extra = (
        *(Line(number=50 + n, name=f"Tom {n}", group="drums", priority=1) for n in range(1, 5)),
        Line(number=60, name="Hall L", role=Role.EFFECTS_RETURN, partner=61, priority=1),
        Line(number=61, name="Hall R", role=Role.EFFECTS_RETURN, partner=60, priority=1),
    )
    plan = make_plan(show(30, extra=extra), Wishes())
    texts = {s.text: s.frees for s in plan.suggestions}
    assert texts["send 51 Tom 1, 52 Tom 2, 53 Tom 3, 54 Tom 4 as a stereo sum"] == 2
    assert any(text.startswith("leave out 60 Hall L, 61 Hall R") and frees == 2 for text, frees in texts.items())


def test_more_channels_than_usb_2_carries_are_worth_a_look_but_not_refused() -> None:
    usb = Link(name="usb", kind=LinkKind.USB, capacity={48_000: Capacity(sends=160, returns=160)})
    plan = make_plan(Show(name="s", lines=(Line(number=1, name="a"),), links=(usb,)), Wishes())
    assert any("160 channels are more than the 146 of one endpoint of USB 2.0" in words for words in plan.warnings)


def test_nothing_is_suggested_when_all_fits() -> None:
    assert make_plan(show(20), Wishes()).suggestions == ()


def test_the_best_option_is_explained_against_the_next_rate() -> None:
    plan = make_plan(show(40, rate_hz=48_000), Wishes())
    assert explain(plan.options) == (
        "48 kHz, 24 bit over madi carries all 40 lines with 22 to spare; at 96 kHz 10 lines stay out: "
        "40 lines, 30 free sends."
    )


def test_16_bit_never_wins_over_24_for_a_drive_that_is_small() -> None:
    drive = Medium(name="d", path="d", size_bytes=25 * 10**9)  # 40 lines: 20.7 GB an hour, a fifth more is 24.9
    plan = make_plan(show(40, rate_hz=48_000, media=(drive,)), Wishes(length_s=4000))
    assert plan.options[0].encoding is Encoding.PCM24
    assert any("holds 25 GB" in words for words in plan.options[0].failures)


def test_a_drive_slower_than_twice_the_take_is_a_clause() -> None:
    slow = Medium(name="slow", path="d", size_bytes=10**12, write_bytes_per_s=8e6)
    plan = make_plan(show(40, rate_hz=48_000, media=(slow,)), Wishes())
    assert any("slow writes 8 MB/s" in words for words in plan.options[0].failures)


def test_every_rate_depth_and_set_of_links_is_judged() -> None:
    plan = make_plan(show(4, rate_hz=48_000), Wishes())
    assert len(plan.options) == 4 * 3 * 1


def test_the_rooms_names_are_those_it_states() -> None:
    assert sorted(room.__all__) == room.__all__
    assert all(hasattr(room, name) for name in room.__all__)


def test_a_preamp_gain_below_zero_is_asked_about() -> None:
    lines = (Line(number=90, name="Pad", gain_db=-10.0), Line(number=91, name="Usual", gain_db=24.0))
    warnings = list_warnings(make_plan(show(2, rate_hz=48_000, extra=lines), Wishes()))
    (told,) = [words for words in warnings if "below 0 dB" in words]
    assert "90" in told
    assert "91" not in told
