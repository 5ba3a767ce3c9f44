"""Text files that people and spreadsheets wrote: which encoding, which separator, which row.

Bytes in, records out, and back. A record that is not edited is written back exactly as it was read, quotes and line
ends included. CSV after RFC 4180, read generously: comma, semicolon, tab or bar, any line end.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

SEPARATORS = ",;\t|"
_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))


class TextUnreadable(ValueError):
    """The bytes are no text, or the text is no table. ``args[0]`` is a sentence for the user."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextForm:
    """How a text file was encoded. What we write is always UTF-8, with a byte-order mark where spreadsheets need it."""

    encoding: str = "utf-8"
    marked: bool = False

    def restore(self, text: str) -> str:
        """The text as it goes back to the file: a mark stays; UTF-16 and Windows-1252 become UTF-8 with a mark."""
        return "\ufeff" + text if self.marked or self.encoding != "utf-8" else text


def decode(raw: bytes) -> tuple[str, TextForm]:
    """Text and form of a file's bytes: UTF-8 or UTF-16 with or without a byte-order mark, else Windows-1252.

    Raises TextUnreadable for anything else.
    """
    for bom, encoding in _BOMS:
        if raw.startswith(bom):
            form = TextForm(encoding=encoding, marked=True)
            try:
                return raw[len(bom) :].decode(encoding), form
            except UnicodeDecodeError as error:
                raise TextUnreadable(f"it begins like {encoding.upper()}, but byte {error.start} breaks it") from error
    zeros_even, zeros_odd = raw[0:2000:2].count(0), raw[1:2000:2].count(0)
    if max(zeros_even, zeros_odd) > len(raw[:2000]) // 8:
        candidates = ["utf-16-le" if zeros_odd > zeros_even else "utf-16-be"]
    else:
        candidates = ["utf-8", "cp1252"]
    for encoding in candidates:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        return text, TextForm(encoding=encoding)
    raise TextUnreadable("it is not text in UTF-8, UTF-16 or Windows-1252")


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One row of a table. ``row`` counts from 1 as a spreadsheet does; ``raw`` is its text with the line end."""

    row: int
    cells: tuple[str, ...]
    raw: str

    @property
    def is_empty(self) -> bool:
        return not any(cell.strip() for cell in self.cells)


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvText:
    """A CSV file taken apart without loss: ``"".join(record.raw ...)`` is the file's text."""

    records: tuple[Record, ...]
    separator: str
    line_end: str
    form: TextForm

    def compose(self, cells: Sequence[str]) -> str:
        """A new row in this file's own separator and line end."""
        out = io.StringIO()
        csv.writer(out, delimiter=self.separator, lineterminator=self.line_end).writerow(cells)
        return out.getvalue()


def parse_csv(raw: bytes) -> CsvText:
    """Take a CSV file apart. Raises TextUnreadable, naming the row."""
    text, form = decode(raw)
    separator = find_separator(text)
    records: list[Record] = []
    lines = _Lines(text)
    reader = csv.reader(lines, delimiter=separator, strict=True)
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            reason = "a quotation mark is not closed" if "end of data" in str(error) else str(error)
            raise TextUnreadable(f"row {len(records) + 1} cannot be read as a table: {reason}") from error
        records.append(Record(row=len(records) + 1, cells=tuple(cells), raw=lines.taken()))
    line_end = "\r\n" if "\r\n" in text else "\n" if "\n" in text else "\r" if "\r" in text else "\r\n"
    return CsvText(records=tuple(records), separator=separator, line_end=line_end, form=form)


class _Lines(Iterator[str]):
    """Physical lines with their ends, remembering which ones the record being read took."""

    def __init__(self, text: str) -> None:
        self._lines = io.StringIO(text, newline="")
        self._taken: list[str] = []

    def __next__(self) -> str:
        line = next(self._lines)
        self._taken.append(line)
        return line

    def taken(self) -> str:
        raw = "".join(self._taken)
        self._taken.clear()
        return raw


def find_separator(text: str) -> str:
    """The separator that cuts the most of the first rows into equally many cells, at least two."""
    lines = [line for line in text.splitlines()[:40] if line.strip() and not line.startswith("#")]
    best, best_score = ",", (0, 0)
    for separator in SEPARATORS:
        counts = [_count_outside_quotes(line, separator) for line in lines]
        usual = max(set(counts), key=lambda n: (n > 0, counts.count(n), n), default=0)
        score = (counts.count(usual) * (usual > 0), usual)
        if score > best_score:
            best, best_score = separator, score
    return best


def _count_outside_quotes(line: str, separator: str) -> int:
    quoted, count = False, 0
    for character in line:
        if character == '"':
            quoted = not quoted
        elif character == separator and not quoted:
            count += 1
    return count
