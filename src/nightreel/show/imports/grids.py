"""Sheets as plain grids of text: CSV, XLSX and ODS, read as data only.

Nothing in a file is ever executed: macros and formulas are not looked at, only the values stored beside them. A sheet's
extent is measured by a streaming pass *before* it is read whole, so that a file which claims a billion cells is refused
instead of filling the memory. Formats: RFC 4180; ECMA-376 (XLSX); OASIS OpenDocument (ODS).
"""

from __future__ import annotations

import zipfile
import zlib
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from xml.parsers import expat

from nightreel.errors import DiskTrouble, ImportUnclear
from nightreel.show.text import TextUnreadable, parse_csv

MOST_ROWS, MOST_COLUMNS, MOST_CELLS = 5_000, 256, 100_000
LARGEST_FILE_BYTES = 20_000_000
LARGEST_UNPACKED_BYTES = 200_000_000
_OLE = bytes.fromhex("D0CF11E0A1B11AE1")
_CHUNK_BYTES = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row; ``number`` counts from 1 as a spreadsheet does."""

    number: int
    cells: tuple[str, ...]

    @property
    def filled(self) -> tuple[int, ...]:
        """Places (from 0) of the cells that hold something."""
        return tuple(i for i, cell in enumerate(self.cells) if cell)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """One sheet. Cells are trimmed text; dates are ISO, whole numbers have no decimals."""

    name: str
    rows: tuple[Row, ...]
    hidden: bool = False


def read_grids(path: Path) -> tuple[Grid, ...]:
    """Every sheet of a file. Raises ImportUnclear (with what to do instead) or DiskTrouble."""
    try:
        if path.is_dir():
            raise _unclear(path, "this is a folder, not a sheet", "Give the file")
        if not path.exists():
            raise _unclear(path, "there is no such file", "Check the path")
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise _unclear(
                path, f"it has more than {LARGEST_FILE_BYTES:,} bytes", "Copy the list into a file of its own"
            )
        raw = path.read_bytes()
    except OSError as error:
        raise DiskTrouble(
            f"cannot be read: {error.strerror or error}", where=str(path), now="Check the drive and its permissions"
        ) from error
    if raw.startswith(b"PK\x03\x04"):
        return _read_workbook(path, raw)
    if raw.startswith(_OLE):
        if "EncryptedPackage".encode("utf-16-le") in raw:
            raise _locked(path)
        raise _unclear(path, "this is the old binary spreadsheet format", "Save it as XLSX, ODS or CSV")
    if raw.startswith(b"%PDF"):
        raise _unclear(path, "this is a PDF, which holds no cells", "Ask for the sheet itself, or save it as CSV")
    return (_read_csv(path, raw),)


def _unclear(path: Path, what: str, now: str) -> ImportUnclear:
    return ImportUnclear(what, where=str(path), now=now)


def _locked(path: Path) -> ImportUnclear:
    return _unclear(path, "it is protected by a password", "Save a copy without one")


def _read_csv(path: Path, raw: bytes) -> Grid:
    try:
        csv = parse_csv(raw)
    except TextUnreadable as error:
        raise _unclear(path, error.args[0], "Save it as CSV in UTF-8, or as XLSX or ODS") from error
    if len(csv.records) > MOST_ROWS or any(len(r.cells) > MOST_COLUMNS for r in csv.records):
        raise _too_large(path, path.name)
    rows = tuple(Row(number=r.row, cells=tuple(" ".join(c.split()) for c in r.cells)) for r in csv.records)
    return Grid(name=path.name, rows=rows)


def _too_large(path: Path, sheet: str) -> ImportUnclear:
    return _unclear(
        path,
        f"the sheet '{sheet}' spans more than {MOST_ROWS:,} rows or {MOST_COLUMNS} columns",
        "Delete what lies far below or beside the list, or copy the list into a sheet of its own",
    )


def _read_workbook(path: Path, raw: bytes) -> tuple[Grid, ...]:
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError, SheetTypeEnum, SheetVisibleEnum

    _measure_workbook(path)
    try:
        with CalamineWorkbook.from_path(str(path)) as book:
            grids = []
            for sheet in book.sheets_metadata:
                if sheet.typ != SheetTypeEnum.WorkSheet:
                    continue
                cells = book.get_sheet_by_name(sheet.name).to_python(skip_empty_area=False)
                rows = tuple(
                    Row(number=number, cells=tuple(_cell_text(value) for value in row))
                    for number, row in enumerate(cells, 1)
                )
                hidden = sheet.visible != SheetVisibleEnum.Visible
                grids.append(Grid(name=sheet.name, rows=rows, hidden=hidden))
            return tuple(grids)
    except PasswordError as error:
        raise _locked(path) from error
    except (CalamineError, OSError, ValueError) as error:
        raise _broken(path, error) from error
    except BaseException as error:
        if type(error).__name__ == "PanicException":  # the reader's own way to give up on a broken file
            raise _broken(path, error) from error
        raise


def _broken(path: Path, error: BaseException) -> ImportUnclear:
    text = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
    return _unclear(
        path, f"it is broken or incomplete ({text})", "Ask for it again, or save it anew as XLSX, ODS or CSV"
    )


def _cell_text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time().isoformat() == "00:00:00" else value.isoformat(" ")
    if isinstance(value, date):
        return value.isoformat()
    return " ".join(str(value).split())


def _measure_workbook(path: Path) -> None:
    """Refuse what cannot be an input list, by a streaming pass that keeps nothing."""
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
            if sum(info.file_size for info in archive.infolist()) > LARGEST_UNPACKED_BYTES or len(names) > 5_000:
                raise _unclear(path, "unpacked it would fill the memory", "Copy the list into a new file")
            if any(info.flag_bits & 1 for info in archive.infolist()):
                raise _locked(path)
            if "xl/workbook.bin" in names:
                raise _unclear(path, "this is a binary workbook", "Save it as XLSX, ODS or CSV")
            if "content.xml" in names:
                if "META-INF/manifest.xml" in names and b"encryption-data" in archive.read("META-INF/manifest.xml"):
                    raise _locked(path)
                _measure(path, archive, "content.xml", _OdsExtent())
            elif "xl/workbook.xml" in names:
                for name in names:
                    if name.startswith("xl/worksheets/") and name.endswith(".xml"):
                        _measure(path, archive, name, _XlsxExtent())
            else:
                raise _unclear(path, "this archive is no spreadsheet", "Give a file in XLSX, ODS or CSV")
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, expat.ExpatError, KeyError) as error:
        raise _broken(path, error) from error


def _measure(path: Path, archive: zipfile.ZipFile, name: str, extent: _OdsExtent | _XlsxExtent) -> None:
    parser = expat.ParserCreate()
    parser.StartElementHandler = extent.start
    parser.EndElementHandler = extent.end
    parser.CharacterDataHandler = extent.text

    def refuse_doctype(*_: object) -> None:
        raise _unclear(
            path, "it declares entities of its own, which no spreadsheet needs", "Save it anew as XLSX or ODS"
        )

    parser.StartDoctypeDeclHandler = refuse_doctype
    with archive.open(name) as stream:
        while chunk := stream.read(_CHUNK_BYTES):
            parser.Parse(chunk)
            if extent.last_row > MOST_ROWS or extent.last_column > MOST_COLUMNS or extent.cells > MOST_CELLS:
                raise _too_large(path, extent.sheet or name)
        parser.Parse(b"", True)
    if extent.last_row > MOST_ROWS or extent.last_column > MOST_COLUMNS or extent.cells > MOST_CELLS:
        raise _too_large(path, extent.sheet or name)


class _XlsxExtent:
    """Where the cells of one worksheet lie (ECMA-376 part 1, 18.3.1.4 and 18.3.1.73)."""

    def __init__(self) -> None:
        self.sheet, self.last_row, self.last_column, self.cells = "", 0, 0, 0
        self._row = self._column = 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        local = tag.rpartition(":")[2]
        if local == "row":
            given = attributes.get("r", "")
            self._row = int(given) if given.isdigit() else self._row + 1
            self._column = 0
        elif local == "c":
            letters = attributes.get("r", "").rstrip("0123456789")
            digits = attributes.get("r", "")[len(letters) :]
            self._column = _column_number(letters) if letters else self._column + 1
            self.cells += 1
            self.last_row = max(self.last_row, int(digits) if digits else self._row)
            self.last_column = max(self.last_column, self._column)

    def end(self, tag: str) -> None: ...

    def text(self, data: str) -> None: ...


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters[:8].upper():
        number = number * 26 + (ord(letter) - 64 if "A" <= letter <= "Z" else 10**6)
    return number


class _OdsExtent:
    """Where the filled cells of all tables lie, repetitions counted (OpenDocument 1.3 part 3, 9.1 and 19.675 f.)."""

    def __init__(self) -> None:
        self.sheet, self.last_row, self.last_column, self.cells = "", 0, 0, 0
        self._row = self._rows = self._column = self._columns = self._widest = self._filled_in_row = 0
        self._filled = False

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        local = tag.rpartition(":")[2]
        if local == "table":
            self.sheet, self._row = attributes.get("table:name", ""), 0
        elif local == "table-row":
            self._rows = _repeat(attributes.get("table:number-rows-repeated"))
            self._column = self._widest = self._filled_in_row = 0
        elif local in ("table-cell", "covered-table-cell"):
            self._columns = _repeat(attributes.get("table:number-columns-repeated"))
            self._filled = "office:value-type" in attributes or "table:formula" in attributes

    def text(self, data: str) -> None:
        self._filled = self._filled or bool(data.strip())

    def end(self, tag: str) -> None:
        local = tag.rpartition(":")[2]
        if local in ("table-cell", "covered-table-cell"):
            self._column += self._columns
            if self._filled:
                self._widest = self._column
                self._filled_in_row += self._columns
            self._filled = False
        elif local == "table-row":
            self._row += self._rows
            if self._widest:
                self.last_row = max(self.last_row, self._row)
                self.last_column = max(self.last_column, self._widest)
                self.cells += self._rows * self._filled_in_row


def _repeat(text: str | None) -> int:
    return max(1, int(text)) if text and text.isdigit() and len(text) < 12 else 1
