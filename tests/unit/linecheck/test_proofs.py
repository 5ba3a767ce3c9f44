"""Proofs kept with the show."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from tests.unit.linecheck.rig import AT, check, quiet_desk

from nightreel.errors import TakeDamaged
from nightreel.linecheck import LineCheck, Method, Outcome, latest_proofs, proven_stations, read_checks, write_check
from nightreel.linecheck.proofs import read_check
from nightreel.ports.desk import Desk


def checked(desk: Desk) -> LineCheck:
    _, told = check(desk)
    return LineCheck(at=AT, method=Method.SIGNALS, through="stage", statements=told.statements, proofs=told.proofs)


def test_a_check_reads_back_as_written(tmp_path: Path) -> None:
    first = checked(quiet_desk(4).crossed_returns(0, 1))
    path = write_check(tmp_path, first)
    assert path.parent.name == "proofs"
    assert read_check(path) == first
    assert read_checks(tmp_path) == (first,)


def test_two_checks_of_one_second_are_both_kept(tmp_path: Path) -> None:
    one = checked(quiet_desk(2))
    first, second = write_check(tmp_path, one), write_check(tmp_path, one)
    assert first != second
    assert len(read_checks(tmp_path)) == 2


def test_digital_silence_on_a_send_is_kept_as_no_level(tmp_path: Path) -> None:
    path = write_check(tmp_path, checked(quiet_desk(2).with_all(noise_dbfs=None).dead(1)))
    assert "Infinity" not in path.read_text()
    assert read_check(path).proofs[1].noise_dbfs is None


def test_the_newest_proof_counts_and_both_methods_add_up(tmp_path: Path) -> None:
    wrong = checked(quiet_desk(3).crossed_returns(0, 1))
    mended = replace(
        wrong,
        at=AT + timedelta(hours=1),
        proofs=tuple(replace(p, outcome=Outcome.PROVEN, at=AT + timedelta(hours=1)) for p in wrong.proofs),
    )
    ear = replace(
        mended,
        method=Method.EAR,
        proofs=(replace(mended.proofs[0], method=Method.EAR), replace(wrong.proofs[1], method=Method.EAR)),
    )
    assert proven_stations([wrong], 1) == ()
    assert proven_stations([mended, wrong], 1) == ("return", "desk channel", "send")
    assert proven_stations([wrong, mended, ear], 1) == ("stage socket", "return", "desk channel", "send")
    assert latest_proofs([wrong, mended, ear])[2, Method.EAR].outcome is Outcome.WRONG


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"at": 1}', "\x00", '{"at": "2026-11-28", "method": "magic"}'])
def test_a_broken_file_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "proofs").mkdir()
    path = tmp_path / "proofs" / "2026-11-28-153000.json"
    path.write_text(text)
    with pytest.raises(TakeDamaged, match="2026-11-28-153000"):
        read_checks(tmp_path)


def test_a_show_without_checks_has_none(tmp_path: Path) -> None:
    assert read_checks(tmp_path) == ()
