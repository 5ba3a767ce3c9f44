"""What came out of reading somebody's sheet: the lines, and how each column and row was understood."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from nightreel.show.model import Line


class Made(StrEnum):
    """What was made of a row."""

    LINE = "line"
    PAIR = "stereo pair"
    SEVERAL = "several lines"
    SECTION = "section"
    HEADER = "header"
    TEXT = "text"
    UNUSED = "unused number"
    EMPTY = "empty"
    NOT_READ = "not read"


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnReading:
    """``field`` is what a column was taken for, '' when its cells are kept as notes; ``why`` says how one knows."""

    letter: str
    header: str
    field: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RowReading:
    """``row`` counts as a spreadsheet does; ``lines`` are the numbers made of it; ``why`` lists guesses."""

    row: int
    text: str
    made: Made
    lines: tuple[int, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportedList:
    """An input list as understood.

    fields : attributes of a line that the sheet states (others hold the model's defaults)
    questions : what a person should look at before the lines are used
    """

    source: str
    sheet: str
    header_row: int | None
    lines: tuple[Line, ...]
    columns: tuple[ColumnReading, ...]
    rows: tuple[RowReading, ...]
    questions: tuple[str, ...]
    fields: frozenset[str]
