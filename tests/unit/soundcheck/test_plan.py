"""The return plan: roles first, then the input list, then what was asked; and every doubt said."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.unit.soundcheck.rig import facts_of, line, usb_show

from nightreel.errors import ArgumentInvalid, PlanImpossible
from nightreel.show.model import AtSoundcheck, Role, Show
from nightreel.soundcheck import ReturnPlan, Wishes, parse_entries, plan_returns

LIVE, RETURNED, SILENT = AtSoundcheck.LIVE, AtSoundcheck.RETURNED, AtSoundcheck.SILENT


def plan(*lines, wishes: Wishes | None = None, **options) -> ReturnPlan:  # type: ignore[no-untyped-def]
    show = Show(**usb_show(lines))
    return plan_returns(show, facts_of(show, 48_000), wishes or Wishes(), **options)


def uses(plan: ReturnPlan) -> dict[int, AtSoundcheck]:
    return {entry.line: entry.use for entry in plan.lines}


def test_roles_decide_first() -> None:
    found = uses(plan(*(line(n, role) for n, role in enumerate(Role, 1))))
    by_role = dict(zip(Role, found.values(), strict=True))
    assert by_role == {
        Role.MIC: RETURNED,
        Role.DIRECT: RETURNED,
        Role.WIRELESS: RETURNED,
        Role.PLAYBACK: RETURNED,
        Role.CLICK: SILENT,
        Role.TIMECODE: SILENT,
        Role.TALKBACK: LIVE,
        Role.EFFECTS_RETURN: LIVE,
        Role.AMBIENCE: LIVE,
    }


def test_the_input_list_goes_before_the_role_and_a_wish_before_both() -> None:
    lines = (line(1, at_soundcheck=LIVE), line(2, at_soundcheck=LIVE), line(3))
    found = plan(*lines, wishes=Wishes(returned=frozenset({"2"}), silent=frozenset({"3"})), dead_lines={})
    assert uses(found) == {1: LIVE, 2: RETURNED, 3: SILENT}


def test_a_mixed_band_is_said_by_group_and_a_line_goes_before_its_group() -> None:
    lines = [line(n, group="Drums") for n in range(1, 5)] + [line(5, group="Keys")]
    found = plan(*lines, wishes=Wishes(live=frozenset({"drums"}), returned=frozenset({"4"})))
    assert uses(found) == {1: LIVE, 2: LIVE, 3: LIVE, 4: RETURNED, 5: RETURNED}


def test_click_is_returned_only_when_asked_and_then_with_a_warning() -> None:
    found = plan(line(1), line(2, Role.CLICK), wishes=Wishes(returned=frozenset({"2"})))
    assert uses(found)[2] is RETURNED
    assert found.warnings == (
        "line 2 Name 2: click is returned as asked: see that return usb:2 feeds no loudspeaker and no monitor",
    )


def test_a_line_without_return_stays_live_and_says_so() -> None:
    found = plan(line(1), line(2, return_port=None))
    assert uses(found)[2] is LIVE
    assert "has no return" in found.warnings[0]


def test_a_line_that_is_not_in_the_take_stays_live() -> None:
    show = Show(**usb_show([line(1), line(2)]))
    facts = facts_of(show, 48_000)
    found = plan_returns(show, replace(facts, tracks=facts.tracks[:1]), Wishes())
    assert uses(found) == {1: RETURNED, 2: LIVE}
    assert found.lines[1].why == "not in the take"


def test_a_dead_line_is_flagged_and_a_renamed_one_too() -> None:
    show = Show(**usb_show([line(1), line(2), line(3)]))
    facts = facts_of(show, 48_000)
    renamed = replace(facts, tracks=(facts.tracks[0], facts.tracks[1], replace(facts.tracks[2], name="Cowbell")))
    found = plan_returns(show, renamed, Wishes(), dead_lines={2: "peak -inf dBFS"})
    assert "was found dead in the take (peak -inf dBFS)" in found.warnings[0]
    assert "was called 'Cowbell' that night" in found.warnings[1]
    assert uses(found) == {1: RETURNED, 2: RETURNED, 3: RETURNED}


def test_stereo_partners_that_differ_are_named() -> None:
    found = plan(line(1, partner=2), line(2, partner=1), wishes=Wishes(live=frozenset({"2"})))
    assert found.warnings[0] == "line 1 Name 1: is returned while its stereo partner 2 is live"


def test_nothing_to_play_is_refused() -> None:
    with pytest.raises(PlanImpossible, match="no line has a return"):
        plan(line(1, return_port=None))
    with pytest.raises(PlanImpossible, match="every line is live"):
        plan(line(1, Role.TALKBACK))


def test_a_wish_that_names_nothing_or_two_things_is_refused() -> None:
    with pytest.raises(ArgumentInvalid, match="neither a line nor a group"):
        plan(line(1), wishes=Wishes(live=frozenset({"brass"})))
    with pytest.raises(ArgumentInvalid, match="both"):
        plan(line(1), line(2), wishes=Wishes(live=frozenset({"1"}), silent=frozenset({"1"})))


def test_entries_are_numbers_ranges_and_groups() -> None:
    assert parse_entries("1-3, 07,drums ,") == frozenset({"1", "2", "3", "7", "drums"})
    with pytest.raises(ArgumentInvalid):
        parse_entries("8-2")
