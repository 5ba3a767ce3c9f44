"""The journal: lines with a CRC, readable when cut off anywhere."""

from __future__ import annotations

import json
import zlib
from pathlib import Path

import pytest

from nightreel.errors import AlreadyThere
from nightreel.take.journal import Record, RecordKind, parse_journal, parse_record, serialise_record
from nightreel.take.journal_file import JournalFile, read_journal


def mark(frame: int, seq: int, name: str = "Tin Boats") -> Record:
    return Record(kind=RecordKind.MARK, frame=frame, at="2026-11-28T20:15:00.000+01:00", seq=seq, data={"name": name})


def test_a_line_is_json_whose_crc_is_that_of_zip_and_ethernet_over_the_rest() -> None:
    line = serialise_record(mark(96_000, 7)).decode()
    body = json.loads(line)
    rest = line.rstrip("\n").replace(f',"crc":"{body["crc"]}"', "")
    assert body["name"] == "Tin Boats"
    assert f"{zlib.crc32(rest.encode()):08x}" == body["crc"]
    # The check value of CRC-32/ISO-HDLC (Rocksoft model, ITU-T V.42): CRC of "123456789".
    assert zlib.crc32(b"123456789") == 0xCBF43926


def test_a_record_survives_the_round_trip_with_its_unicode_name() -> None:
    record = mark(5, 0, "Fjærland – «Ebb»")
    assert parse_record(serialise_record(record).rstrip(b"\n")) == record


def test_a_torn_last_line_is_named_and_the_rest_is_kept() -> None:
    raw = serialise_record(mark(1, 0)) + serialise_record(mark(2, 1))[:-9]
    journal = parse_journal(raw)
    assert [r.frame for r in journal.records] == [1]
    assert journal.torn
    assert journal.bad_lines == (2,)


def test_a_last_line_that_lacks_only_its_newline_counts() -> None:
    journal = parse_journal(serialise_record(mark(1, 0)).rstrip(b"\n"))
    assert len(journal.records) == 1
    assert not journal.torn


def test_a_changed_letter_makes_the_line_bad_and_its_absence_is_counted() -> None:
    lines = [serialise_record(mark(n, n)) for n in range(4)]
    lines[2] = lines[2].replace(b"Tin", b"Tan")
    journal = parse_journal(b"".join(lines))
    assert journal.bad_lines == (3,)
    assert journal.lost_records == 1
    assert [r.seq for r in journal.records] == [0, 1, 3]


def test_going_on_after_a_torn_line_loses_neither_side(tmp_path: Path) -> None:
    journal = JournalFile.create(tmp_path)
    journal.append(RecordKind.MARK, 10, {"name": "one"})
    journal.append(RecordKind.MARK, 20, {"name": "two"})
    journal.close()
    path = tmp_path / "journal.jsonl"
    path.write_bytes(path.read_bytes()[:-4])
    again = JournalFile.reopen(tmp_path)
    again.append(RecordKind.MARK, 30, {"name": "three"})
    again.sync()
    again.close()
    found = read_journal(tmp_path)
    assert [r.data["name"] for r in found.records] == ["one", "three"]
    assert found.bad_lines == (2,)


def test_a_journal_is_never_begun_over_another(tmp_path: Path) -> None:
    JournalFile.create(tmp_path).close()
    with pytest.raises(AlreadyThere):
        JournalFile.create(tmp_path)
