"""Input lists as engineers send them: what is understood, what is asked, and what is refused."""

from __future__ import annotations

import datetime
import io
import zipfile
from pathlib import Path

import openpyxl
import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from nightreel.errors import ImportUnclear
from nightreel.show.imports import ImportedList, Made, read_input_list
from nightreel.show.imports.grids import read_grids
from nightreel.show.imports.guesses import are_sides, guess_role, read_numbers, stem_of_pair
from nightreel.show.imports.words import find_meaning
from nightreel.show.model import Role

LIST = """\
SALTMARSH LANTERNS;;;;;;
;;;;;;
Kanal;Instrument;Mik/DI;48V;Stativ;Anmerkung;Farbe
DRUMS;;;;;;
1;Kick In;Grenzfläche;;-;;rot
3;OH L;Kondensator;x;gross;;
4;OH R;Kondensator;x;gross;;
BAND;;;;;;
5/6;Keys;DI;;;hinten;
7;Bass;DI;;;;
7;Gitarre;dyn;;;;
8;Tracks L/R;;;;;
10;Klick;;;;;
11;;;;;;
12a;Flöte;dyn;;;;
13;LTC;;;;;
;Geige;Funk;;;;
Stand: Oktober;;;;;;
"""


def read_csv(tmp_path: Path, text: str) -> ImportedList:
    (tmp_path / "list.csv").write_text(text, encoding="utf-8")
    return read_input_list(tmp_path / "list.csv")


def made(found: ImportedList) -> dict[int, tuple[Made, tuple[int, ...]]]:
    return {reading.row: (reading.made, reading.lines) for reading in found.rows}


def test_a_german_list_is_understood_row_by_row(tmp_path: Path) -> None:
    found = read_csv(tmp_path, LIST)
    assert found.header_row == 3
    assert {c.header: c.field for c in found.columns} == {
        "Kanal": "number", "Instrument": "name", "Mik/DI": "mic", "48V": "phantom", "Stativ": "stand",
        "Anmerkung": "notes", "Farbe": "",
    }  # fmt: skip
    lines = {line.number: line for line in found.lines}
    assert {n: line.name for n, line in lines.items()} == {
        1: "Kick In", 3: "OH L", 4: "OH R", 5: "Keys L", 6: "Keys R", 7: "Bass", 8: "Tracks L", 9: "Tracks R",
        10: "Klick", 13: "LTC", 14: "Gitarre", 15: "Geige",
    }  # fmt: skip
    assert [lines[n].role for n in (1, 5, 7, 8, 10, 13, 15)] == [
        Role.MIC, Role.DIRECT, Role.DIRECT, Role.PLAYBACK, Role.CLICK, Role.TIMECODE, Role.WIRELESS
    ]  # fmt: skip
    assert (lines[3].partner, lines[4].partner, lines[5].partner) == (4, 3, 6)
    assert lines[3].phantom
    assert not lines[1].phantom
    assert (lines[1].group, lines[7].group) == ("DRUMS", "BAND")
    assert lines[1].notes == "mic: Grenzfläche; Farbe: rot"
    assert lines[5].notes == "hinten; mic: DI"


def test_no_row_goes_without_a_word(tmp_path: Path) -> None:
    found = read_csv(tmp_path, LIST)
    assert [reading.row for reading in found.rows] == list(range(1, 19))
    rows = made(found)
    assert rows[1] == (Made.TEXT, ())
    assert rows[9] == (Made.PAIR, (5, 6))
    assert rows[11] == (Made.LINE, (14,))
    assert rows[12] == (Made.PAIR, (8, 9))
    assert rows[14] == (Made.UNUSED, ())
    assert rows[15] == (Made.NOT_READ, ())
    assert rows[18] == (Made.TEXT, ())
    for row in (11, 15, 17):
        assert any(question.startswith(f"Row {row}") for question in found.questions)
    assert len(found.questions) == 3
    reasons = {reading.row: reading.why for reading in found.rows}
    assert "direct guessed from 'di' in the mic/DI column" in reasons[9]
    assert "click guessed from 'klick' in the name" in reasons[13]


@pytest.mark.parametrize(
    ("header", "fields"),
    [
        ("Ch,Source,Mic/DI,+48V,Stand,Notes", "number name mic phantom stand notes"),
        ("CH #,Channel Name,Microphone,Phantom Power,Mic Stand,Comments", "number name mic phantom stand notes"),
        ("Input,Instrument,Mic,48v,Stand,Remarks", "number name mic phantom stand notes"),
        ("Voie,Source,Micro,48V,Pied,Remarques", "number name mic phantom stand notes"),
        ("N°,Instrument,Micro / DI,Fantôme,Pieds,Commentaires", "number name mic phantom stand notes"),
        ("Canal,Fuente,Micrófono,Phantom,Soporte,Observaciones", "number name mic phantom stand notes"),
        ("Kanaal,Bron,Microfoon,Fantoomvoeding,Statief,Opmerkingen", "number name mic phantom stand notes"),
        (
            "Kanal-Nr.,Bezeichnung,Mikrofonierung,Phantomspeisung,Stative,Bemerkung",
            "number name mic phantom stand notes",
        ),
        ("Chanel,Instument,Micrphone,Phantm,Stnd,Notez", "number name mic phantom stand notes"),
        ("Ch,Name,Gain (dB),Stagebox,Socket,Group", "number name gain_db box socket group"),
    ],
)
def test_headers_in_several_languages_and_slips_are_known(tmp_path: Path, header: str, fields: str) -> None:
    found = read_csv(tmp_path, f"{header}\n1,Kick,,,,\n2,Snare,,,,\n")
    assert [column.field for column in found.columns if column.field] == fields.split()
    assert [line.name for line in found.lines] == ["Kick", "Snare"]


@pytest.mark.parametrize("header", ["no", "in", "di", "ch", "#", "48"])
def test_short_words_match_exactly_only(header: str) -> None:
    assert find_meaning(header) is not None
    assert find_meaning(header + "te") is None or find_meaning(header + "te").rank == 0  # type: ignore[union-attr]


def test_notes_is_never_taken_for_a_number() -> None:
    for word in ("Notes", "Note", "Noten", "Notas"):
        meaning = find_meaning(word)
        assert meaning is not None
        assert meaning.field == "notes"


@pytest.mark.parametrize(
    ("text", "numbers", "pair"),
    [
        ("7", (7,), False), ("07", (7,), False), ("7.0", (7,), False), ("Ch 7", (7,), False), ("#12", (12,), False),
        ("17-18", (17, 18), True), ("17/18", (17, 18), True), ("17+18", (17, 18), True), ("17 & 18", (17, 18), True),
        ("9–12", (9, 10, 11, 12), False), ("2026-04-03", (3, 4), True), ("3. Apr", (3, 4), True),
        ("Mar 4", (3, 4), True), ("4-Mär", (3, 4), True),
    ],
)  # fmt: skip
def test_numbers_are_read_as_people_and_spreadsheets_write_them(
    text: str, numbers: tuple[int, ...], pair: bool
) -> None:
    found = read_numbers(text)
    assert found is not None
    assert (found.numbers, found.is_pair) == (numbers, pair)


@pytest.mark.parametrize("text", ["", "12a", "A1", "-3", "99999", "18-17", "1-4000", "0", "2026-04-09", "x"])
def test_what_is_no_number_is_not_made_one(text: str) -> None:
    assert read_numbers(text) is None


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("Keys L/R", "Keys"), ("Keys (L/R)", "Keys"), ("Keys L+R", "Keys"), ("Keys LR", "Keys"), ("Keys St", "Keys"),
        ("Keys stereo", "Keys"), ("Stereo Keys", "Keys"), ("Tasten links/rechts", "Tasten"), ("OH L & R", "OH"),
        ("Clavier G/D", "Clavier"), ("Keys", None), ("Best", None), ("Harp", None), ("First", None), ("LR", None),
    ],
)  # fmt: skip
def test_stereo_names_are_known(name: str, stem: str | None) -> None:
    assert stem_of_pair(name) == stem


def test_sides_belong_together_only_in_order_and_of_one_thing() -> None:
    assert are_sides("Keys L", "Keys R")
    assert are_sides("Overhead (left)", "Overhead (right)")
    assert not are_sides("Keys R", "Keys L")
    assert not are_sides("Keys L", "Organ R")


@pytest.mark.parametrize(
    ("name", "mic", "role"),
    [
        ("SMPTE", "", Role.TIMECODE), ("Metronome", "", Role.CLICK), ("TB Monitor", "dyn", Role.TALKBACK),
        ("FX 1 L", "", Role.EFFECTS_RETURN), ("Reverb Rtn", "", Role.EFFECTS_RETURN),
        ("Audience L", "cond", Role.AMBIENCE), ("Vox 1", "wireless", Role.WIRELESS), ("Vox 2", "dyn", Role.MIC),
        ("Acoustic DI", "", Role.DIRECT),
        ("Synth", "", Role.DIRECT), ("Laptop L", "", Role.PLAYBACK),
        ("Attack", "dyn", Role.MIC), ("Radio", "", Role.WIRELESS),
    ],
)  # fmt: skip
def test_roles_are_guessed_as_an_engineer_would_and_say_why(name: str, mic: str, role: Role) -> None:
    guessed, why = guess_role(name, mic)
    assert guessed is role
    assert why or role is Role.MIC


def test_a_list_in_two_halves_side_by_side_is_read_as_one(tmp_path: Path) -> None:
    found = read_csv(tmp_path, "Ch,Instrument,Mic,Ch,Instrument,Mic\n1,Kick,dyn,17,Keys,DI\n2,Snare,dyn,18,Bass,DI\n")
    assert {line.number: line.name for line in found.lines} == {1: "Kick", 2: "Snare", 17: "Keys", 18: "Bass"}


def test_a_list_without_headers_or_numbers_asks_instead_of_failing(tmp_path: Path) -> None:
    found = read_csv(tmp_path, "1,Kick,dyn\n2,Snare,dyn\n3,Hat,cond\n")
    assert [line.name for line in found.lines] == ["Kick", "Snare", "Hat"]
    assert "No row of headers was found" in found.questions[0]
    found = read_csv(tmp_path, "Instrument,Mic\nKick,dyn\nSnare,dyn\n")
    assert [line.number for line in found.lines] == [1, 2]
    assert "numbered in order" in found.questions[0]


def test_a_name_merged_over_both_numbers_of_a_pair_makes_the_pair(tmp_path: Path) -> None:
    found = read_csv(tmp_path, "Ch,Instrument,Mic\n1,Keys L/R,DI\n2,,\n3,Bass,DI\n")
    assert [(x.number, x.name, x.partner) for x in found.lines] == [
        (1, "Keys L", 2),
        (2, "Keys R", 1),
        (3, "Bass", None),
    ]


def test_a_stereo_name_beside_a_taken_number_stays_mono_and_asks(tmp_path: Path) -> None:
    found = read_csv(tmp_path, "Ch,Instrument\n1,Keys St\n2,Bass\n")
    assert [(x.number, x.name) for x in found.lines] == [(1, "Keys St"), (2, "Bass")]
    assert "2 is another line; it was kept mono" in found.questions[0]


def test_a_gain_or_phantom_that_cannot_be_read_goes_to_the_notes_and_is_asked_about(tmp_path: Path) -> None:
    found = read_csv(tmp_path, "Ch,Instrument,Gain,48V\n1,Kick,low,perhaps\n2,Hat,+32 dB,ja\n")
    assert found.lines[0].notes == "gain: low; phantom: perhaps"
    assert len(found.questions) == 2
    assert (found.lines[1].gain_db, found.lines[1].phantom) == (32.0, True)


def workbook(path: Path) -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Inputs"
    sheet.append(["The Saltmarsh Lanterns, technical rider"])
    sheet.merge_cells("A1:E1")
    sheet.append([])
    sheet.append(["Ch", "Instrument", "Mic / DI", "+48V", "Gain"])
    sheet.append([1, "Kick In", "boundary", None, 24])
    sheet.append([2.0, "Hat", "cond", True, 32.5])
    sheet.append([datetime.date(2026, 4, 3), "Keys", "DI", None, None])
    notes = book.create_sheet("Hotel")
    notes.append(["Check-in", "after three"])
    book.save(path)
    return book


def test_a_workbook_is_read_with_its_title_types_and_other_sheets(tmp_path: Path) -> None:
    workbook(tmp_path / "rider.xlsx")
    found = read_input_list(tmp_path / "rider.xlsx")
    assert found.sheet == "Inputs"
    assert [(x.number, x.name, x.phantom, x.gain_db) for x in found.lines] == [
        (1, "Kick In", False, 24.0), (2, "Hat", True, 32.5), (3, "Keys L", False, None), (4, "Keys R", False, None)
    ]  # fmt: skip
    assert any("not read: 'Hotel'" in question for question in found.questions)
    assert any("turned it into a date" in question for question in found.questions)
    with pytest.raises(ImportUnclear, match="no sheet 'Inputts'"):
        read_input_list(tmp_path / "rider.xlsx", sheet="Inputts")


def ods(path: Path, *, repeat: int = 1, filled_repeat: int = 1) -> None:
    book = OpenDocumentSpreadsheet()
    table = Table(name="Inputs")
    for cells in (["Ch", "Instrument"], ["1", "Kick"], ["2", "Snäre"]):
        row = TableRow()
        for text in cells:
            cell = TableCell(valuetype="string", numbercolumnsrepeated=str(filled_repeat) if text == "Snäre" else "1")
            cell.addElement(P(text=text))
            row.addElement(cell)
        row.addElement(TableCell(numbercolumnsrepeated=str(repeat)))
        table.addElement(row)
    empty = TableRow(numberrowsrepeated=str(repeat))
    empty.addElement(TableCell(numbercolumnsrepeated=str(repeat)))
    table.addElement(empty)
    book.spreadsheet.addElement(table)
    book.save(str(path))


def test_an_ods_with_a_million_empty_rows_is_read(tmp_path: Path) -> None:
    ods(tmp_path / "list.ods", repeat=1_048_000)
    assert [line.name for line in read_input_list(tmp_path / "list.ods").lines] == ["Kick", "Snäre"]


def test_ranges_that_would_fill_the_memory_are_refused_before_they_are_read(tmp_path: Path) -> None:
    ods(tmp_path / "wide.ods", filled_repeat=1_000_000_000)
    book = openpyxl.Workbook()
    book.active.append(["Ch", "Instrument"])
    book.active["XFD1048576"] = "x"
    book.save(tmp_path / "far.xlsx")
    for name in ("wide.ods", "far.xlsx"):
        with pytest.raises(ImportUnclear, match="spans more than"):
            read_grids(tmp_path / name)


def rezipped(source: Path, target: Path, **replaced: bytes) -> None:
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, replaced.get(name.rpartition("/")[2].replace(".", "_"), old.read(name)))


def test_macros_are_never_looked_at(tmp_path: Path) -> None:
    workbook(tmp_path / "rider.xlsx")
    rezipped(tmp_path / "rider.xlsx", tmp_path / "plain.xlsx")
    with zipfile.ZipFile(tmp_path / "plain.xlsx", "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"\xcc" * 4096)
    (tmp_path / "plain.xlsx").rename(tmp_path / "macros.xlsm")
    assert read_input_list(tmp_path / "macros.xlsm").lines == read_input_list(tmp_path / "rider.xlsx").lines


def test_broken_locked_and_foreign_files_say_what_to_do(tmp_path: Path) -> None:
    workbook(tmp_path / "rider.xlsx")
    raw = (tmp_path / "rider.xlsx").read_bytes()
    entities = b'<!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet><sheetData/></worksheet>'
    rezipped(tmp_path / "rider.xlsx", tmp_path / "entities.xlsx", sheet1_xml=entities)
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", b"<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 210_000_000)
    ole = bytes.fromhex("D0CF11E0A1B11AE1") + bytes(600)
    cases: dict[str, tuple[bytes, str]] = {
        "half.xlsx": (raw[: len(raw) // 2], "broken or incomplete"),
        "bomb.xlsx": (bomb.getvalue(), "would fill the memory"),
        "entities.xlsx": ((tmp_path / "entities.xlsx").read_bytes(), "declares entities"),
        "locked.xlsx": (ole + "EncryptedPackage".encode("utf-16-le"), "protected by a password"),
        "old.xls": (ole, "old binary spreadsheet"),
        "rider.pdf": (b"%PDF-1.7 ...", "is a PDF"),
        "noise.csv": (bytes(range(256)) * 4, "not text"),
        "open.csv": (b'Ch,Name\n1,"Kick\n', "quotation mark is not closed"),
        "empty.csv": (b"", "no filled cell"),
        "letter.csv": (b"Dear crew,\nsee you there.\n", "no row of headers"),
        "headers.csv": (b"Ch,Instrument\n", "no row below them makes a line"),
    }
    for name, (content, wanted) in cases.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(ImportUnclear, match=wanted) as caught:
            read_input_list(tmp_path / name)
        assert caught.value.now
        assert name in caught.value.where
    with pytest.raises(ImportUnclear, match="no such file"):
        read_input_list(tmp_path / "missing.csv")
