"""Trims between nights: from notes or measurement, never past full scale, shown before anything."""

from __future__ import annotations

from dataclasses import replace

from tests.unit.soundcheck.rig import facts_of, line, usb_show

from nightreel.show.model import Show
from nightreel.soundcheck import Wishes, plan_returns
from nightreel.soundcheck.levels import Trim, propose_trims, trims_table


def trims(tonight: list[float | None], then: list[float | None], **options) -> dict[int, Trim]:  # type: ignore[no-untyped-def]
    show = Show(**usb_show([line(n, gain_db=gain) for n, gain in enumerate(tonight, 1)]))
    facts = facts_of(show, 48_000)
    tracks = tuple(replace(track, gain_db=gain) for track, gain in zip(facts.tracks, then, strict=True))
    facts = replace(facts, tracks=tracks)
    found = propose_trims(show, facts, plan_returns(show, facts, Wishes()), **options)
    return {trim.line: trim for trim in found}


def test_the_trim_is_tonight_s_preamp_minus_that_night_s() -> None:
    found = trims([30.0, 24.0, 10.0], [24.0, 30.0, 10.0], peaks_dbtp={1: -20.0, 2: -3.0, 3: -1.0})
    assert [found[n].trim_db for n in (1, 2, 3)] == [6.0, -6.0, 0.0]
    assert found[1].why == "preamp +24 dB that night, +30 dB tonight"


def test_a_trim_that_would_clip_is_cut_back_and_says_so() -> None:
    found = trims([36.0], [24.0], peaks_dbtp={1: -6.0})
    assert found[1].trim_db == 5.5
    assert found[1].warning == "+12.0 dB would clip: limited to +5.5 dB, add the rest at the desk"


def test_without_a_known_peak_nothing_is_raised() -> None:
    found = trims([36.0, 20.0], [24.0, 24.0])
    assert found[1].trim_db == 0.0
    assert "peak is not known" in found[1].warning
    assert found[2].trim_db == -4.0


def test_measured_drift_counts_only_where_gains_are_not_noted() -> None:
    found = trims([None, 20.0], [24.0, 20.0], drift_db={1: -2.5, 2: -9.0}, peaks_dbtp={1: -10.0, 2: -10.0})
    assert [found[n].trim_db for n in (1, 2)] == [-2.5, 0.0]


def test_the_table_says_whether_anything_was_applied() -> None:
    found = tuple(trims([30.0, None], [24.0, None], peaks_dbtp={1: -20.0}).values())
    assert trims_table(found, applied=False).splitlines()[0] == (
        "Levels since that night, not applied (--apply-trims does):"
    )
    assert "+6.0 dB" in trims_table(found, applied=True)
    assert "1 lines have no preamp gain noted" in trims_table(found, applied=True)
    assert trims_table(tuple(trims([1.0], [1.0]).values()), applied=False) == ""
