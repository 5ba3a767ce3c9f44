"""The show folder: loading, starting, editing; every way to refuse it, and that refusing changes nothing."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import pytest

from nightreel.errors import AlreadyThere, ArgumentInvalid, NotAShow, ShowInvalid, ShowMissing
from nightreel.show.files import create_show, load_show, read_show, save_lines, save_show
from nightreel.show.model import AtSoundcheck, Capacity, Line, Link, LinkKind, Medium, Port, Role, SetSong
from nightreel.units import Encoding

SETTINGS = """\
# our autumn tour
format = 1
name = "Harbour Arts"   # as on the poster
crew = ["Wren", "Ilse"]
date = 2026-11-28
rate_hz = 48000
expected_length = "1h45m"

[[links]]
name = "desk"
kind = "usb"
colour = "the grey cable"
capacity = { 48000 = { sends = 32, returns = 32 }, 96000 = 16 }
sends_in_use = "1-4, 9"

[marks]
next = "/song/next"
"""
INPUTS = """\
number,name,role,colour,send
1,Kick In,mic,red,desk:5
2,"Bass, DI",direct,blue,desk:6
# from here on strings
3,Fiddle,mic,,desk:7
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make(tmp_path / "show")


def make(folder: Path, settings: str | bytes = SETTINGS, inputs: str | bytes = INPUTS) -> Path:
    folder.mkdir()
    for name, text in (("show.toml", settings), ("inputs.csv", inputs)):
        (folder / name).write_bytes(text.encode() if isinstance(text, str) else text)
    return folder


def problems_of(folder: Path) -> tuple[str, ...]:
    before = contents(folder)
    with pytest.raises(ShowInvalid) as caught:
        load_show(folder)
    with pytest.raises(ShowInvalid):
        save_lines(folder, [])
    assert contents(folder) == before
    assert caught.value.exit_status == 2
    return caught.value.problems


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_a_folder_loads_as_its_documents_say(folder: Path) -> None:
    show = load_show(folder)
    assert (show.name, show.date, show.rate_hz) == ("Harbour Arts", datetime.date(2026, 11, 28), 48_000)
    assert show.expected_length_s == 6300.0
    assert show.links[0].capacity == {48_000: Capacity(sends=32, returns=32), 96_000: Capacity(sends=16, returns=16)}
    assert show.links[0].sends_in_use == {1, 2, 3, 4, 9}
    assert [line.name for line in show.lines] == ["Kick In", "Bass, DI", "Fiddle"]
    assert show.lines[1].role is Role.DIRECT
    assert show.lines[2].send == Port(link="desk", number=7)


def test_saving_what_was_loaded_changes_no_byte(folder: Path) -> None:
    before = contents(folder)
    save_show(folder, load_show(folder))
    assert contents(folder) == before


def test_an_edit_touches_only_its_own_cell_and_key(folder: Path) -> None:
    show = load_show(folder)
    lines = [replace(line, name="Kick Out") if line.number == 1 else line for line in show.lines]
    save_show(folder, replace(show, lines=tuple(lines), rate_hz=96_000))
    assert (folder / "inputs.csv").read_text() == INPUTS.replace("Kick In", "Kick Out")
    assert (folder / "show.toml").read_text() == SETTINGS.replace("= 48000\n", "= 96000\n")


def test_lines_gone_take_their_row_and_new_ones_come_last(folder: Path) -> None:
    show = load_show(folder)
    save_lines(folder, [show.lines[0], show.lines[2], Line(number=4, name="Voice", gain_db=31.5, phantom=True)])
    assert (folder / "inputs.csv").read_text() == (
        "number,name,role,colour,send,gain_db,phantom\n"
        "1,Kick In,mic,red,desk:5\n# from here on strings\n3,Fiddle,mic,,desk:7\n4,Voice,mic,,,31.5,yes\n"
    )


def test_a_renumbered_line_keeps_its_row_and_its_unknown_columns(folder: Path) -> None:
    first, *rest = load_show(folder).lines
    save_lines(folder, [replace(first, number=40), *rest])
    assert "40,Kick In,mic,red,desk:5\n" in (folder / "inputs.csv").read_text()


def test_links_media_and_songs_are_edited_in_place(folder: Path) -> None:
    show = load_show(folder)
    edited = replace(
        show,
        links=(replace(show.links[0], device="card 2"),),
        media=(Medium(name="A", path="/media/a", size_bytes=10**12),),
        set_list=(SetSong(title="Low Water", length_s=250.0), SetSong(title="Lantern Row")),
    )
    assert save_show(folder, edited) == load_show(folder) == edited
    text = (folder / "show.toml").read_text()
    assert 'colour = "the grey cable"' in text
    assert "# as on the poster" in text
    assert '[marks]\nnext = "/song/next"' in text
    swapped = replace(edited, set_list=edited.set_list[::-1], media=())
    save_show(folder, swapped)
    assert load_show(folder) == swapped


def test_a_new_show_reads_back_as_it_was_given(tmp_path: Path) -> None:
    link = Link(name="desk", kind=LinkKind.MADI, capacity={96_000: Capacity(sends=32, returns=32)})
    show = create_show(
        tmp_path / "new",
        name="Früh/Spät",
        date=datetime.date(2026, 12, 1),
        rate_hz=96_000,
        encoding=Encoding.FLOAT32,
        links=[link],
        lines=[
            Line(number=1, name="Keys L", partner=2, send=Port(link="desk", number=1), priority=1),
            Line(number=2, name="Keys R", partner=1, at_soundcheck=AtSoundcheck.LIVE, notes='says "hi", twice'),
        ],
        set_list=[SetSong(title="One", length_s=61.25)],
        expected_length_s=5400.0,
    )
    assert load_show(tmp_path / "new") == show
    assert sorted(contents(tmp_path / "new")) == ["inputs.csv", "show.toml"]


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"], ids=lambda e: e
)
@pytest.mark.parametrize("separator", [",", ";", "\t"], ids=["comma", "semicolon", "tab"])
def test_any_spreadsheets_encoding_and_separator_is_read_and_edited(
    tmp_path: Path, encoding: str, separator: str
) -> None:
    rows = [["number", "name", "gain_db"], ["1", "Flöte", "32.5" if separator == "," else "32,5"], ["2", "Tambour", ""]]
    text = "".join(separator.join(row) + "\r\n" for row in rows)
    show_folder = make(tmp_path / "show", 'name = "x"\n', text.encode(encoding))
    show = load_show(show_folder)
    assert [(line.name, line.gain_db) for line in show.lines] == [("Flöte", 32.5), ("Tambour", None)]
    save_lines(show_folder, [show.lines[0], replace(show.lines[1], name="Trömmel")])
    assert load_show(show_folder).lines[1].name == "Trömmel"
    raw = (show_folder / "inputs.csv").read_bytes()
    assert raw.decode("utf-8").lstrip("\ufeff") == text.replace("Tambour", "Trömmel")


def test_a_table_with_every_kind_of_fault_lists_them_all_with_row_column_and_remedy(tmp_path: Path) -> None:
    settings = SETTINGS + '[[media]]\nname = "A"\nsize_bytes = -4\npath = "/a"\n'
    rows = (
        "number,name,role,gain_db,phantom,partner,send,soundcheck,priority\r\n"
        "1,Kick,drum,12,yes,,desk:5,,\r\n"
        "2,Snare,mic,loud,maybe,,desk:5,,\r\n"
        "\r\n"
        "2,Hat,mic,,,,,off,12\r\n"
        "x,Tom,mic,,,,,,\r\n"
        ",Bass,mic,,,,,,\r\n"
        "9,Keys,mic,,,,mars:4,,\r\n"
    )
    problems = problems_of(make(tmp_path / "show", settings, rows))
    for wanted in (
        "show.toml, media entry 1 ('A'), key size_bytes: -4 is no size",
        "inputs.csv row 2, column role: 'drum' is not a role; roles: mic, direct, wireless, playback",
        "inputs.csv row 3, column gain_db: 'loud' is not a gain; write decibels",
        "inputs.csv row 3, column phantom: 'maybe' is neither yes nor no",
        "inputs.csv row 5, column soundcheck: 'off' is not what a line does at soundcheck; write returned",
        "inputs.csv row 5, column priority: line 2: priority 12 is not 1 (first) to 9 (last)",
        "inputs.csv row 6, column number: 'x' is not a whole number",
        "inputs.csv row 7, column number: blank; number the line",
        "inputs.csv rows 3 and 5, column number: line 2 stands twice ('Snare' and 'Hat'): renumber one",
    ):
        assert any(problem.startswith(wanted) for problem in problems), (wanted, problems)


@pytest.mark.parametrize(
    ("rows", "wanted"),
    [
        ("1,A,desk:5,\n2,B,desk:5,\n", "rows 2 and 3, column send: lines 1 ('A') and 2 ('B') share send desk:5: give"),
        ("1,A,desk:4,\n", "row 2, column send: line 1: send desk:4 is marked as in use by others: choose a free port"),
        ("1,A,desk:33,\n", "row 2, column send: line 1: send desk:33 is outside 1 to 32"),
        ("1,A,mars:3,\n", "row 2, column send: line 1: send mars:3 is on an unknown link; links: desk"),
        ("1,A,desk:,\n", "row 2, column send: 'desk:' is not a port; write it as link:number, links: desk"),
        ("1,A,,2\n", "row 2, column partner: line 1 names line 2 as its stereo partner, which does not exist"),
        ("1,A,,2\n2,B,,\n", "row 2, column partner: lines 1 and 2 do not name each other"),
        ("0,A,,\n", "row 2, column number: line number 0 ('A') is below 1: number lines from 1"),
        ('1,"A,,\n', "row 2 cannot be read as a table: a quotation mark is not closed"),
    ],
)
def test_a_contradiction_names_row_column_and_remedy(tmp_path: Path, rows: str, wanted: str) -> None:
    problems = problems_of(make(tmp_path / "show", SETTINGS, "number,name,send,partner\n" + rows))
    assert any(wanted in problem for problem in problems), problems


@pytest.mark.parametrize(
    ("settings", "wanted"),
    [
        ('rate_hz = 48000\nname = "x', "show.toml: it is not valid TOML"),
        ("rate_hz = 48000\n", 'the key name is missing; add name = "..."'),
        ('name = "x"\nrate_hz = 48\n', "key rate_hz: 48 Hz is no sample rate we know; rates: 44100"),
        ('name = "x"\nencoding = "mp3"\n', "key encoding: 'mp3' is no way to store samples; write one of pcm16"),
        ('name = "x"\ndate = "soon"\n', "key date: 'soon' is not a date; write it as 2026-11-28"),
        ('name = "x"\nexpected_length = "long"\n', "key expected_length: 'long' is not a length of time"),
        ('name = "x"\nlinks = 3\n', "key links: must be a list of tables; write each as [[links]]"),
        ('name = "x"\n[[links]]\nname = "a"\n', "links entry 1 ('a'): the key kind is missing"),
        ('name = "x"\n[[links]]\nname = "a"\nkind = "rope"\ncapacity = {48000 = 2}\n', "'rope' is not a kind of link"),
        ('name = "x"\n[[links]]\nname = "a"\nkind = "usb"\ncapacity = {48000 = "x"}\n', "is no capacity; write 48000"),
        ('name = "x"\nformat = 2\n', "format 2 is from a later Nightreel; this one reads 1"),
        ('name = ""\n', "the show has no name: give it one"),
        (
            'name = "x"\n[[links]]\nname="a"\nkind="usb"\ncapacity={48000=2}\nsends_in_use = "1-999999999"\n',
            "is no port or run of ports between 1 and 4096",
        ),
        (b"name = \x81\x00", "show.toml: it is not text in UTF-8, UTF-16 or Windows-1252"),
    ],
)
def test_a_setting_that_cannot_be_meant_names_its_key_and_remedy(
    tmp_path: Path, settings: str | bytes, wanted: str
) -> None:
    problems = problems_of(make(tmp_path / "show", settings, ""))
    assert any(wanted in problem for problem in problems), problems


def test_a_likely_slip_in_a_key_is_pointed_out_and_kept(tmp_path: Path) -> None:
    folder = make(tmp_path / "show", 'name = "x"\nrate = 96000\nexpected_lenght = "2h"\n', "")
    notes = read_show(folder).notes
    assert any("'expected_lenght' is not known and is ignored; is 'expected_length' meant?" in note for note in notes)


def test_a_missing_folder_a_file_and_a_folder_without_a_show_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(ShowMissing):
        load_show(tmp_path / "nowhere")
    with pytest.raises(NotAShow):
        load_show(tmp_path)
    (tmp_path / "file").write_text("")
    with pytest.raises(NotAShow):
        load_show(tmp_path / "file")


def test_a_show_is_never_started_over_something(tmp_path: Path) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "note.txt").write_text("mine")
    (tmp_path / "file").write_text("mine")
    for name in ("full", "file"):
        with pytest.raises(AlreadyThere):
            create_show(tmp_path / name, name="x")
    with pytest.raises(ShowMissing):
        create_show(tmp_path / "no" / "parent", name="x")
    with pytest.raises(ArgumentInvalid):
        create_show(tmp_path / "rate", name="x", rate_hz=47_000)
    with pytest.raises(ShowInvalid):
        create_show(tmp_path / "twice", name="x", lines=[Line(number=1, name="a"), Line(number=1, name="b")])
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "full"]
    assert contents(tmp_path / "full") == {"note.txt": b"mine"}


def test_an_empty_folder_may_become_a_show(tmp_path: Path) -> None:
    create_show(tmp_path, name="x")
    assert load_show(tmp_path).name == "x"


def test_a_show_without_an_input_list_has_no_lines_and_gets_one_when_lines_come(tmp_path: Path) -> None:
    folder = make(tmp_path / "show")
    (folder / "inputs.csv").unlink()
    assert load_show(folder).lines == ()
    save_lines(folder, [Line(number=1, name="Voice")])
    assert load_show(folder).lines == (Line(number=1, name="Voice"),)
