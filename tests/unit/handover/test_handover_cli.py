"""``nightreel handover``: exit statuses, words, JSON; nothing on disk changes when it is refused."""

from __future__ import annotations

import json
from pathlib import Path

import bagit
import pytest
from tests.unit.handover.small_take import make_show

from nightreel.cli import main
from nightreel.cli.handover import command
from nightreel.control import Server, socket_path
from nightreel.handover import TOKENS


@pytest.fixture
def show(tmp_path: Path) -> Path:
    (tmp_path / "to").mkdir()
    return make_show(tmp_path / "show")


def run(*args: object) -> int:
    with pytest.raises(SystemExit) as caught:
        main(["handover", *map(str, args)])
    return int(caught.value.code or 0)


def tree(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*"))


def test_a_handover_says_where_it_is_and_that_it_was_read_back(
    show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(show, "last", "--to", tmp_path / "to", "--songs", "--mix", "--lines", "1-6", "--name", "x") == 0
    out = capsys.readouterr().out
    assert f"At {tmp_path / 'to' / 'x'}: every byte read back and right" in out
    assert "Listening mix at -18.0 LUFS" in out
    assert bagit.Bag(str(tmp_path / "to" / "x")).is_valid()


def test_json_holds_every_file_and_nothing_else_is_printed(
    show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(show, "--to", tmp_path / "to", "--json") == 0
    body = json.loads(capsys.readouterr().out)
    assert len(body["files"]) == 8
    assert body["deliveries"][0]["files"] == 8


def test_a_plan_is_shown_without_writing_anything(
    show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = tree(tmp_path)
    assert run(show, "--plan", "--everything", "--template", "{title}/{name}", "--to", tmp_path / "to") == 0
    out = capsys.readouterr().out
    assert "4 parts of 6 lines" in out
    assert max(map(len, out.splitlines())) <= 100
    assert run(show, "--plan", "--json") == 0
    assert json.loads(capsys.readouterr().out)["package"] == "2026-11-28-evening-1-whole"
    assert tree(tmp_path) == before


@pytest.mark.parametrize(
    ("args", "status", "words"),
    [
        (["nowhere", "--to", "to"], 2, "no such folder"),
        (["show", "monday", "--to", "to"], 2, "no take 'monday'"),
        (["show"], 2, "Name one with --to"),
        (["show", "--to", "gone"], 1, "Make it, or plug the disk in"),
        (["show", "--to", "to", "--lines", "7"], 2, "has no line 7"),
        (["show", "--to", "to", "--lines", "a"], 2, "1-4,7"),
        (["show", "--to", "to", "--template", "{tune}"], 2, "Tokens: {show}"),
        (["show", "--to", "to", "--flac", "--encoding", "float32"], 2, "FLAC holds"),
        (["show", "--to", "to", "--rate", "47000"], 2, "47000"),
        (["show", "--to", "to", "--name", "taken"], 1, "exists already"),
        (["show/show.toml", "--to", "to"], 2, "no such folder"),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_changes_nothing(
    show: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    args: list[str],
    status: int,
    words: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "to" / "taken").mkdir()
    before = tree(tmp_path)
    assert run(*args) == status
    shown = capsys.readouterr()
    assert words in shown.err
    assert "Traceback" not in shown.err
    assert shown.out == ""
    assert tree(tmp_path) == before


def test_a_running_recorder_of_the_show_comes_first(
    show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    server = Server(socket_path(show), lambda request: {"state": "recording"})
    server.start()
    try:
        assert run(show, "--to", tmp_path / "to", "--name", "x") == 1
        assert "the recorder of this show is running (recording)" in capsys.readouterr().err
        assert tree(tmp_path / "to") == []
        assert run(show, "--plan") == 0
        assert run(show, "--to", tmp_path / "to", "--name", "x", "--while-recording") == 0
    finally:
        server.stop()


def test_a_package_can_be_checked_again_and_faults_are_named(
    show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    package = tmp_path / "to" / "x"
    run(show, "--to", tmp_path / "to", "--name", "x", "--lines", "1")
    capsys.readouterr()
    assert run(package, "--check") == 0
    assert "Complete and right: 3 files" in capsys.readouterr().out
    path = package / "data" / "01 Kick In.wav"
    path.write_bytes(path.read_bytes()[:-1] + b"\x77")
    assert run(package, "--check") == 1
    shown = capsys.readouterr()
    assert "data/01 Kick In.wav: its bytes are not those that were written" in shown.out
    assert "1 fault in this package" in shown.err
    assert run(package, "--check", "--json") == 1
    assert json.loads(capsys.readouterr().out)["problems"] == [
        "data/01 Kick In.wav: its bytes are not those that were written"
    ]
    assert run(tmp_path, "--check") == 2


def test_every_option_and_token_stands_in_the_manual() -> None:
    manual = (Path(__file__).parents[3] / "docs" / "handover.md").read_text()
    options = [name for parameter in command.params for name in parameter.opts if name.startswith("--")]
    assert len(options) > 12
    assert [name for name in options if f"{name}" not in manual] == []
    assert [token for token in TOKENS if f"`{{{token}}}`" not in manual] == []


def test_a_folder_of_files_of_others_can_be_handed_over(show: Path, tmp_path: Path) -> None:
    tracks = show / "takes" / "2026-11-28-evening-1" / "tracks"
    before = tree(tracks)
    assert run(tracks, "--to", tmp_path / "to", "--name", "x") == 0
    assert bagit.Bag(str(tmp_path / "to" / "x")).is_valid()
    assert len(list((tmp_path / "to" / "x" / "data").glob("*.wav"))) == 6
    assert tree(tracks) == before
