"""Before a take begins, `record` says when the desk may still listen to last night's take."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from nightreel.cli.record import _warn_of_returns
from nightreel.soundcheck.back_to_live import FILE, Returned, note_returned

AT = datetime(2026, 11, 28, 17, 5, tzinfo=UTC)


def test_a_desk_that_is_not_proven_live_is_named_before_the_take(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    note_returned(tmp_path, "last-night-1", [Returned(line=3, name="Snare Top", return_number=3)], AT)
    _warn_of_returns(tmp_path)
    said = capsys.readouterr().err
    assert "NOT PROVEN LIVE" in said
    assert "'last-night-1'" in said
    assert "--back-to-live" in said


def test_a_note_that_cannot_be_read_keeps_nobody_from_recording(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / FILE).write_text("{ torn")
    _warn_of_returns(tmp_path)
    assert "Note:" in capsys.readouterr().err


def test_a_desk_that_is_live_is_not_spoken_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _warn_of_returns(tmp_path)
    assert capsys.readouterr().err == ""
