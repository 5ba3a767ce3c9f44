"""new, import and lines from the command line: what they print, what they write, and what they leave alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from nightreel.cli.columns import format_columns, width_of
from nightreel.cli.main import main, night
from nightreel.errors import NightreelError
from nightreel.show.files import load_show

LIST = "Ch,Instrument,Mic/DI,48V\n1,Kick,dyn,\n2-3,Keys,DI,\n4,Hat,cond,x\n"


def run(*args: object, fails: bool = False) -> Result:
    result = CliRunner().invoke(night, [str(arg) for arg in args])
    if fails:
        assert isinstance(result.exception, NightreelError)
    else:
        assert result.exception is None, result.output
    return result


@pytest.fixture
def show(tmp_path: Path) -> Path:
    run(
        "new",
        tmp_path / "show",
        "--name",
        "Quay",
        "--date",
        "2026-11-28",
        "--link",
        "desk=madi:64x64@48000,32x32@96000",
    )
    return tmp_path / "show"


def write(folder: Path, text: str) -> Path:
    path = folder.parent / "list.csv"
    path.write_text(text)
    return path


def test_new_starts_a_show_that_says_what_was_asked_for(show: Path) -> None:
    found = load_show(show)
    assert (found.name, str(found.date), found.rate_hz) == ("Quay", "2026-11-28", 48_000)
    assert {rate: c.sends for rate, c in found.links[0].capacity.items()} == {48_000: 64, 96_000: 32}


@pytest.mark.parametrize("link", ["desk", "desk=usb", "desk=rope:2x2", "desk=usb:2x2@47000", "=usb:2x2"])
def test_new_refuses_a_link_that_it_cannot_read(tmp_path: Path, link: str) -> None:
    run("new", tmp_path / "x", "--link", link, fails=True)
    assert not (tmp_path / "x").exists()


def test_import_shows_its_understanding_and_writes_the_lines(show: Path) -> None:
    result = run("import", write(show, LIST), show)
    assert "known word" in result.output
    assert "stereo pair" in result.output
    assert [line.name for line in load_show(show).lines] == ["Kick", "Keys L", "Keys R", "Hat"]
    assert max(map(width_of, result.output.splitlines())) <= 100


def test_a_dry_run_writes_nothing(show: Path) -> None:
    before = (show / "inputs.csv").read_bytes()
    run("import", write(show, LIST), show, "--dry-run")
    assert (show / "inputs.csv").read_bytes() == before


def test_open_questions_hold_the_import_back_until_yes(show: Path) -> None:
    sheet = write(show, LIST + "4,Ride,cond,\n")
    result = run("import", sheet, show, fails=True)
    assert "1 question is open" in str(result.exception)
    assert not load_show(show).lines
    run("import", sheet, show, "--yes")
    assert load_show(show).lines[-1].name == "Ride"


def test_lines_that_stand_are_changed_only_with_replace_and_keep_what_the_list_does_not_say(show: Path) -> None:
    run("import", write(show, LIST), show)
    rows = (show / "inputs.csv").read_text().replace("1,Kick,mic,,,,,,,,", "1,Kick,mic,,,,,,,desk:9,")
    (show / "inputs.csv").write_text(rows)
    sheet = write(show, "Ch,Instrument\n1,Kick In\n9,Voice\n")
    result = run("import", sheet, show, fails=True)
    assert "name: Kick -> Kick In" in result.output
    assert len(load_show(show).lines) == 4
    run("import", sheet, show, "--replace", "--yes")
    found = load_show(show)
    assert [line.number for line in found.lines] == [1, 2, 3, 4, 9]
    first = found.line(1)
    assert first is not None
    assert (first.name, str(first.send)) == ("Kick In", "desk:9")


def test_json_tells_the_same(show: Path) -> None:
    facts = json.loads(run("import", write(show, LIST), show, "--json").output)
    assert facts["written"] is True
    assert facts["added"] == [1, 2, 3, 4]
    assert [column["field"] for column in facts["columns"]] == ["number", "name", "mic", "phantom"]
    lines = json.loads(run("lines", show, "--json").output)["lines"]
    assert [line["soundcheck"] for line in lines] == ["returned"] * 4


def test_lines_prints_the_patch_or_every_problem(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("import", write(show, LIST), show)
    output = run("lines", show).output
    assert "Keys L" in output
    assert "4 lines at 48 kHz" in output
    (show / "inputs.csv").write_text("number,name,role\n1,A,sitar\n1,B,mic\n")
    with pytest.raises(SystemExit) as left:
        main(["lines", str(show)])
    assert left.value.code == 2
    shown = capsys.readouterr().err
    assert "row 2, column role: 'sitar' is not a role" in shown
    assert "rows 2 and 3, column number" in shown


def test_columns_stay_aligned_with_wide_scripts_and_long_texts() -> None:
    text = format_columns(
        ("name", "x", "why"), [("太鼓", "1", "w" * 70 + " " + "v" * 70), ("a" * 60, "22", "")], right=(1,)
    )
    rows = text.splitlines()
    assert max(map(width_of, rows)) <= 100
    assert rows[1].startswith("太鼓" + " " * 24 + "   1  w")
    assert "v" * 10 in text
