"""``nightreel measure-drive``: a real measurement, judged for a show, kept, and used by the next plan as measured."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from nightreel.cli.main import main
from nightreel.show.files import create_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Medium

QUICK = ("--seconds", "0.2", "--gigabytes", "0.03")


def run(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as done:
        main(list(args))
    captured = capsys.readouterr()
    return int(done.value.code or 0), captured.out, captured.err


@pytest.fixture
def show(tmp_path: Path) -> Path:
    create_show(
        tmp_path / "show",
        name="s",
        lines=[Line(number=1, name="a"), Line(number=2, name="b")],
        links=[Link(name="usb", kind=LinkKind.USB, capacity={48_000: Capacity(sends=18, returns=18)})],
        media=[Medium(name="Drive A", path="takes", size_bytes=10**12)],
        expected_length_s=60,
    )
    return tmp_path / "show"


def test_a_measurement_is_judged_kept_and_used(show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "drive"
    place.mkdir()
    status, out, _ = run(
        capsys, "measure-drive", str(place), "--show", str(show), "--medium", "Drive A", *QUICK, "--json"
    )
    assert status == 0
    body: dict[str, Any] = json.loads(out)
    assert body["needed_bytes_per_s"] == 2 * 144_000
    assert body["sustained_bytes_per_s"] > 0
    assert Path(body["kept"]).is_file()
    assert list(place.iterdir()) == []
    status, out, _ = run(capsys, "advance", str(show), "--no-sheets", "--json")
    (medium,) = json.loads(out)["media"]
    assert medium["copy_s"] == pytest.approx(json.loads(out)["storage"]["bytes"] / body["sustained_bytes_per_s"])


def test_the_words_begin_with_the_verdict(show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "measure-drive", str(tmp_path), "--show", str(show), *QUICK)
    assert status == 0
    assert out.startswith(("Good for this show.", "Not good enough:"))
    assert max(map(len, out.splitlines())) <= 100


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--medium", "Drive A"), "needs a show"),
        (("--show", "SHOW", "--medium", "Drive B"), "no medium"),
        (("--seconds", "0"), "nothing would be measured"),
    ],
)
def test_requests_that_make_no_sense_are_named_and_leave_nothing(
    show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], args: tuple[str, ...], words: str
) -> None:
    before = sorted(tmp_path.rglob("*"))
    given = [str(show) if a == "SHOW" else a for a in args]
    status, _, err = run(capsys, "measure-drive", str(tmp_path), *given)
    assert status == 2
    assert words in err
    assert sorted(tmp_path.rglob("*")) == before


def test_a_drive_that_is_not_there_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = run(capsys, "measure-drive", str(tmp_path / "gone"))
    assert status == 2
    assert "does not exist" in err
