"""Sheets for the desk: every line named, the fewest moves on top, the way back complete."""

from __future__ import annotations

from pathlib import Path

from tests.unit.soundcheck.rig import facts_of, line, usb_show

from nightreel.show.model import Role, Show
from nightreel.soundcheck import Wishes, back_sheet, plan_returns, switch_sheet, write_sheets
from nightreel.soundcheck.cautions import niosh_minutes


def make() -> tuple[Show, object]:
    lines = [line(n) for n in range(1, 9)] + [line(9, Role.TALKBACK), line(10)]
    show = Show(**usb_show(lines))
    return show, plan_returns(show, facts_of(show, 48_000), Wishes())


def test_neighbouring_lines_are_one_move() -> None:
    show, plan = make()
    text = switch_sheet(show, plan).as_text()  # type: ignore[arg-type]
    assert "Switch lines 1 to 8: input to return usb:1 to 8, in order." in text
    assert "Switch line 10: input to return usb:10." in text
    assert "Leave on the stage: line 9." in text
    assert max(map(len, text.splitlines())) <= 100


def test_the_way_back_names_exactly_the_lines_that_were_switched() -> None:
    show, plan = make()
    sheet = back_sheet(show, plan)  # type: ignore[arg-type]
    assert [row[0] for row in sheet.rows] == ["1", "2", "3", "4", "5", "6", "7", "8", "10"]
    assert "lines 1-8, 10" in sheet.as_text()
    assert "input to A-10" in sheet.as_text()


def test_cautions_stand_on_both_in_text_and_html(tmp_path: Path) -> None:
    show, plan = make()
    paths = write_sheets(tmp_path, (switch_sheet(show, plan), back_sheet(show, plan)), "a take")  # type: ignore[arg-type]
    assert [path.suffix for path in paths] == [".txt", ".html", ".txt", ".html"]
    switch, page, back, _ = (path.read_text() for path in paths)
    for text in (switch, page):
        assert "in-ear transmitter" in text
        assert "NIOSH recommends at most 85 dBA over 8 hours" in text.replace("\n   ", " ")
    assert "deaf to the" in back
    write_sheets(tmp_path, (switch_sheet(show, plan),), "again")  # type: ignore[arg-type]


def test_exposure_times_are_those_of_the_table() -> None:
    """NIOSH Publication 98-126, table 1-1: 85: 8 h, 88: 4 h, 91: 2 h, 94: 1 h, 97: 30 min, 100: 15 min."""
    for level_dba, minutes in ((85, 480), (88, 240), (91, 120), (94, 60), (97, 30), (100, 15), (103, 7.5)):
        assert niosh_minutes(level_dba) == minutes
