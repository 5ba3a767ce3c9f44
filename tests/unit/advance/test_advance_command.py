"""``nightreel advance`` from end to end: sheets, old plans kept, the patch applied, clear words for bad input."""

from __future__ import annotations

import csv
import io
import json
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from nightreel.cli.main import main
from nightreel.show.files import create_show, load_show, save_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Medium, Role


def run(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as done:
        main(["advance", *args])
    captured = capsys.readouterr()
    return int(done.value.code or 0), captured.out, captured.err


def as_json(capsys: pytest.CaptureFixture[str], *args: str) -> dict[str, Any]:
    status, out, err = run(capsys, *args, "--json")
    assert status == 0, err
    body: dict[str, Any] = json.loads(out)
    return body


def error_of(capsys: pytest.CaptureFixture[str], *args: str) -> dict[str, Any]:
    status, out, _ = run(capsys, *args, "--json")
    assert status == 2
    error: dict[str, Any] = json.loads(out)["error"]
    assert error["what"]
    return error


LINES = (
    Line(number=1, name="Kick", socket="A-1", priority=1, phantom=True),
    Line(number=2, name="Ñandú «Vox»", socket="A-2", role=Role.WIRELESS),
    Line(number=3, name="Keys L", socket="B-1", partner=4),
    Line(number=4, name="Keys R", socket="B-2", partner=3),
    Line(number=5, name='#panic(1) *x*, "q"', role=Role.CLICK),
    Line(number=6, name="Talk", role=Role.TALKBACK),
)
NET = Link(
    name="net",
    kind=LinkKind.AES67,
    capacity={48_000: Capacity(sends=16, returns=16)},
    sends_in_use=frozenset({1, 2, 3}),
    returns_in_use=frozenset({1, 2, 3}),
)


@pytest.fixture
def show(tmp_path: Path) -> Path:
    folder = tmp_path / "show"
    create_show(
        folder,
        name="Lanterns & Sons <tour>",
        lines=LINES,
        links=[NET],
        media=[Medium(name="A", path="takes", size_bytes=10**12), Medium(name="B", path="/none", purpose="mirror")],
        expected_length_s=3600,
    )
    return folder


def content(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_sheets_of_every_kind_are_written_and_readable(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    body = as_json(capsys, str(show))
    folder = Path(body["sheets"])
    names = {p.name for p in folder.iterdir()}
    assert {"sheets-a4.pdf", "sheets-letter.pdf", "sheets.html", "plan.json", "lines.csv", "gestures.csv"} <= names
    rows = list(csv.DictReader(io.StringIO((folder / "lines.csv").read_text(encoding="utf-8"))))
    assert [row["Name"] for row in rows] == [line.name for line in LINES]
    assert [row["Send net"] for row in rows] == [line["send"].removeprefix("net:") for line in body["lines"]]
    for name in ("sheets-a4.pdf", "sheets-letter.pdf"):
        text = subprocess.run(
            ["pdftotext", "-layout", str(folder / name), "-"], capture_output=True, text=True, check=True
        )
        assert "Ñandú «Vox»" in text.stdout
        assert '#panic(1) *x*, "q"' in text.stdout
        assert "Lanterns & Sons <tour>" in text.stdout
        assert body["version"] in text.stdout
        assert "CAUTION." in text.stdout
    page = (folder / "sheets.html").read_text(encoding="utf-8")
    assert "Lanterns &amp; Sons &lt;tour&gt;" in page
    assert "<tour>" not in page


def test_the_sdp_of_the_returns_is_read_back_by_our_parser(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from nightreel.ports.aes67.sdp import parse

    body = as_json(capsys, str(show))
    files = sorted((Path(body["sheets"]) / "returns").glob("*.sdp"))
    streams = [parse(f.read_bytes().decode()) for f in files]
    flows = [f for n in body["networks"] for f in n["flows"] if f["way"] == "return"]
    assert sorted(s.destinations[0].address for s in streams) == sorted(f["address"] for f in flows)
    assert all(s.rate_hz == 48_000 and s.encoding == "L24" and s.packet_time_ms == 1 for s in streams)


def test_an_equal_plan_writes_nothing_and_a_changed_one_keeps_the_old(
    show: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = as_json(capsys, str(show), "--apply")
    before = content(show)
    again = as_json(capsys, str(show))
    assert again["version"] == first["version"]
    assert content(show) == before
    document = load_show(show)
    save_show(show, replace(document, lines=(*document.lines, Line(number=7, name="Guest"))))
    third = as_json(capsys, str(show))
    assert third["sheets"] != first["sheets"]
    assert third["difference"]["words"].startswith("2 gestures, 0 lines moved, 1 line patched anew")
    for name, data in before.items():
        if name.startswith("sheets/"):
            assert (show / name).read_bytes() == data
    assert (Path(third["sheets"]) / "changes gestures.csv").is_file()


def test_apply_writes_the_patch_and_keeps_comments(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = show / "show.toml"
    settings.write_text(
        settings.read_text() + "\n# my own words\n[advance]\nspare = 2\nmargin = 0.5\n", encoding="utf-8"
    )
    body = as_json(capsys, str(show), "--apply")
    assert "# my own words" in settings.read_text(encoding="utf-8")
    patched = load_show(show)
    assert [str(line.send) for line in patched.lines] == [line["send"] for line in body["lines"]]
    assert patched.line(3) is not None
    assert patched.line(3).send.number % 2 == 1  # type: ignore[union-attr]
    assert patched.line(6).return_port is None  # type: ignore[union-attr]  # talkback stays live
    assert body["demand"]["spare"] == 2
    assert any(f["name"] == "margin" and f["known"] == "entered" for f in body["figures"])


def test_what_if_writes_nothing(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = content(show)
    body = as_json(capsys, str(show), "--what-if", "rate=96k", "--what-if", "lines=+20", "--what-if", "length=3h")
    assert content(show) == before
    assert len(body["lines"]) == 26
    assert body["length_s"] == 3 * 3600
    changed = {row["name"] for row in body["difference"]["figures"]}
    assert {"rate", "lines carried", "length"} <= changed


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("rate=47000", "sample rate"),
        ("colour=red", "cannot be changed"),
        ("lines=6", "more or fewer"),
        ("lines=+99999", "more lines"),
        ("lines=-6", "no line at all"),
        ("length=0", "length of time"),
        ("without=usb", "no link"),
        ("spare=-1", "spare"),
        ("margin=many", "share"),
        ("packet=7ms", "packet time"),
        ("rate", "no change"),
    ],
)
def test_a_change_that_cannot_be_is_named(
    show: Path, capsys: pytest.CaptureFixture[str], change: str, words: str
) -> None:
    before = content(show)
    assert words in error_of(capsys, str(show), "--what-if", change)["what"]
    assert content(show) == before


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('length = "0s"', "length of time"),
        ("spare = -1", "spare"),
        ("margin = -0.5", "margin"),
        ("sprae = 1", "not known"),
        ('starts_at = "25:00"', "time of day"),
        ('[advance.network]\ngroup = "10.0.0.1"', "239.0.0.0/8"),
        ("packet_time_us = 500", "packet time"),
    ],
)
def test_wrong_wishes_are_named_and_nothing_is_written(
    show: Path, capsys: pytest.CaptureFixture[str], table: str, words: str
) -> None:
    settings = show / "show.toml"
    settings.write_text(settings.read_text() + f"\n[advance]\n{table}\n", encoding="utf-8")
    before = content(show)
    assert words in error_of(capsys, str(show))["what"]
    assert content(show) == before


@pytest.mark.parametrize(
    ("link", "words"),
    [
        (Link(name="m", kind=LinkKind.MADI, capacity={48_000: Capacity(sends=128, returns=64)}), "more than the 64"),
        (Link(name="m", kind=LinkKind.MADI, capacity={96_000: Capacity(sends=32, returns=64)}), "more than the 32"),
        (
            Link(
                name="n",
                kind=LinkKind.OTHER,
                capacity={48_000: Capacity(sends=8, returns=8)},
                sends_in_use=frozenset({9}),
            ),
            "in use",
        ),
    ],
)
def test_links_that_contradict_themselves_are_listed(
    show: Path, capsys: pytest.CaptureFixture[str], link: Link, words: str
) -> None:
    save_show(show, replace(load_show(show), links=(NET, link)))
    error = error_of(capsys, str(show))
    assert any(words in problem for problem in error["problems"])


def test_a_show_without_lines_or_links_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    create_show(tmp_path / "empty", name="e")
    assert "nightreel import" in error_of(capsys, str(tmp_path / "empty"))["now"]
    create_show(tmp_path / "unlinked", name="u", lines=[Line(number=1, name="a")])
    assert "[[links]]" in error_of(capsys, str(tmp_path / "unlinked"))["now"]
    assert error_of(capsys, str(tmp_path / "gone"))["code"] == "show-missing"


def test_more_lines_than_any_option_carries_still_gives_a_plan(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = load_show(show)
    more = tuple(Line(number=n, name=f"Choir {n}", group="choir", priority=7) for n in range(7, 40))
    save_show(show, replace(document, lines=(*document.lines, *more)))
    body = as_json(capsys, str(show))
    assert len(body["left_out"]) == 39 - 13
    assert set(body["left_out"]) <= set(range(7, 40))
    assert body["suggestions"]
    assert all(option["left_out"] for option in body["options"])


def test_a_drive_that_is_too_small_is_named_with_the_time_it_lasts(
    show: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    document = load_show(show)
    small = Medium(name="Stick", path="/none", size_bytes=2_000_000_000, file_system="vfat", purpose="mirror")
    save_show(show, replace(document, media=(small,)))
    body = as_json(capsys, str(show))
    (medium,) = body["media"]
    assert medium["fits"] is False
    # six tracks of 144 000 bytes/s in 2 GB, less the 200 MB at which the recorder stops
    assert medium["seconds"] == pytest.approx(1_800_000_000 / (6 * 144_000), abs=0.1)
    assert any("Stick: full after 34:43" in words for words in body["warnings"])


def test_half_a_pair_and_a_missing_partner_are_said(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = load_show(show)
    save_show(show, replace(document, lines=(*document.lines, Line(number=8, name="Choir L"))))
    assert any("looks like one side of a pair" in words for words in as_json(capsys, str(show))["warnings"])


def test_ports_that_others_take_move_only_the_lines_on_them(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = as_json(capsys, str(show), "--apply")
    sends = {line["number"]: int(line["send"].rpartition(":")[2]) for line in first["lines"]}
    before = content(show)
    body = as_json(capsys, str(show), "--others", f"net:1-3, {sends[1]}", "--no-sheets")
    assert content(show) == before
    after = {line["number"]: int(line["send"].rpartition(":")[2]) for line in body["lines"]}
    assert {n for n in sends if sends[n] != after[n]} == {1}
    as_json(capsys, str(show), "--others", f"net:1-3, {sends[1]}", "--apply")
    assert load_show(show).links[0].sends_in_use == {1, 2, 3, sends[1]}
    assert load_show(show).line(1).send.number == after[1]  # type: ignore[union-attr]
    assert "names no link" in error_of(capsys, str(show), "--others", "nte:1-3")["what"]
    assert error_of(capsys, str(show), "--others", "net:1-3x")["what"]


def test_a_recorded_show_is_not_repatched_without_a_word(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    as_json(capsys, str(show), "--apply")
    take = show / "takes" / "2026-11-28-evening-1"
    take.mkdir(parents=True)
    (take / "journal.jsonl").write_text("")
    again = content(show)
    status, _, err = run(capsys, str(show), "--apply", "--others", "net:1-8", "--no-sheets")
    assert status == 2
    assert "--yes" in err
    assert content(show) == again
    assert run(capsys, str(show), "--apply", "--others", "net:1-8", "--no-sheets", "--yes")[0] == 0


def test_a_disk_that_fails_halfway_leaves_the_old_plans_and_no_half_plan(
    show: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import nightreel.advance.folder as kept
    from nightreel.errors import DiskTrouble

    first = as_json(capsys, str(show))
    before = content(show)

    def full(path: Path, data: bytes) -> None:
        raise DiskTrouble("the disk is full", where=str(path), now="Free some room")

    with monkeypatch.context() as patch:
        patch.setattr(kept, "write_new_bytes", full)
        status, _, err = run(capsys, str(show), "--others", "net:1-5")
        assert status == 1
        assert "disk is full" in err
    assert {name: data for name, data in content(show).items() if name in before} == before
    assert [str(path) for path in kept.list_plans(show)] == [first["sheets"]]
    assert Path(as_json(capsys, str(show), "--others", "net:1-5")["sheets"]) in kept.list_plans(show)


def test_something_that_is_no_plan_cannot_be_compared(
    show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stray = tmp_path / "plan.json"
    stray.write_text("[1, 2]")
    assert "plan" in error_of(capsys, str(show), "--compare", str(stray))["what"]
    stray.write_text('{"format": 1}')
    assert "plan" in error_of(capsys, str(show), "--compare", str(stray))["what"]
    assert not (show / "sheets").exists()


def test_a_proven_line_says_so_and_a_moved_one_does_not(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from datetime import UTC, datetime

    from nightreel.linecheck.model import Method, Outcome, Proof
    from nightreel.linecheck.proofs import LineCheck, write_check

    body = as_json(capsys, str(show), "--apply")
    sends = {line["number"]: int(line["send"].rpartition(":")[2]) for line in body["lines"]}
    at = datetime(2026, 11, 27, 17, 0, tzinfo=UTC)
    proofs = tuple(
        Proof(line=n, name="x", outcome=Outcome.PROVEN, method=Method.SIGNALS, at=at, send=send)
        for n, send in ((1, sends[1]), (2, sends[2] + 1))
    )
    write_check(show, LineCheck(at=at, method=Method.SIGNALS, through="test", statements=(), proofs=proofs))
    known = {line["number"]: line["known"] for line in as_json(capsys, str(show))["lines"]}
    assert known[1] == "proven 11-27"
    assert known[2] == "assumed"
