"""Whatever stands in a sheet, importing it ends in lines with an account of every row, or in a clear refusal."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.errors import ImportUnclear
from nightreel.show.imports import read_input_list
from nightreel.show.model import Show

CELLS = st.one_of(
    st.sampled_from(
        ["", "1", "2", "3", "4/5", "7-8", "12a", "x", "48V", "DI", "Keys L/R", "Keys L", "Keys R", "DRUMS"]
    ),
    st.sampled_from(["Ch", "Instrument", "Mic", "Notes", "Stereo", "Gain", "2026-04-03", "spare", "1-9", "LTC"]),
    st.text(st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters='",'), max_size=6),
)
SHEETS = st.lists(st.lists(CELLS, min_size=1, max_size=5), min_size=1, max_size=14)


@settings(max_examples=150)
@given(SHEETS)
def test_lines_are_sound_and_no_row_is_passed_over(rows: list[list[str]]) -> None:
    table = [["Ch", "Instrument", "Mic", "Stereo", "Gain"], *rows]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "list.csv"
        path.write_text("".join(",".join(row) + "\n" for row in table), encoding="utf-8", newline="")
        try:
            found = read_input_list(path)
        except ImportUnclear as error:
            refused = error.now
            found = None
    if found is None:
        assert refused
        return
    Show(name="x", lines=found.lines)  # raises where numbers repeat or partners do not agree
    assert {reading.row for reading in found.rows} == set(range(1, len(table) + 1))
    assert {n for reading in found.rows for n in reading.lines} == {line.number for line in found.lines}


@settings(max_examples=150)
@given(st.binary(max_size=200))
def test_no_bytes_crash_the_import(raw: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for start in (b"", b"PK\x03\x04", b"Ch,Instrument\n1,"):
            path = Path(folder) / "list.xlsx"
            path.write_bytes(start + raw)
            try:
                assert read_input_list(path).lines
            except ImportUnclear as error:
                message = str(error)
                assert "list.xlsx" in message
