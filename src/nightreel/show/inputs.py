"""``inputs.csv`` to lines and back. Rows and columns that we do not know or do not change stay as they were written.

Bytes in, text out; no file is touched. The format stands in docs/formats/show.md.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from nightreel.show.fields import (
    FieldInvalid,
    read_gain_db,
    read_port,
    read_role,
    read_soundcheck,
    read_whole,
    read_yes,
    write_gain_db,
    write_yes,
)
from nightreel.show.model import Line, Port
from nightreel.show.text import CsvText, Record, TextUnreadable, parse_csv

FILE = "inputs.csv"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the input list: its attribute of a line, and how its cells are read and written.

    ``usual`` is the value of a blank or missing cell.
    """

    attribute: str
    read: Callable[[str, Collection[str]], object]
    write: Callable[[object], str]
    usual: object


def _text(text: str, links: Collection[str]) -> str:
    return text.strip()


def _optional_whole(text: str, links: Collection[str]) -> int | None:
    return read_whole(text) if text.strip() else None


def _string(value: object) -> str:
    return "" if value is None else str(value)


COLUMNS: Mapping[str, Column] = {
    "number": Column("number", lambda text, links: read_whole(text), _string, None),
    "name": Column("name", _text, _string, ""),
    "role": Column("role", lambda text, links: read_role(text), _string, read_role("")),
    "socket": Column("socket", _text, _string, ""),
    "gain_db": Column(
        "gain_db",
        lambda text, links: read_gain_db(text),
        lambda value: write_gain_db(value if isinstance(value, float) else None),
        None,
    ),
    "phantom": Column("phantom", lambda text, links: read_yes(text), lambda value: write_yes(value is True), False),
    "partner": Column("partner", _optional_whole, _string, None),
    "priority": Column(
        "priority", lambda text, links: read_whole(text) if text.strip() else 5, lambda v: "" if v == 5 else str(v), 5
    ),
    "group": Column("group", _text, _string, ""),
    "send": Column("send", read_port, _string, None),
    "return": Column("return_port", read_port, _string, None),
    "soundcheck": Column("at_soundcheck", lambda text, links: read_soundcheck(text), _string, None),
    "notes": Column("notes", _text, _string, ""),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """An input list taken apart.

    places : for each known column, where it stands (from 0)
    lines : what the rows say, in their order
    rows : the record of each line (index into ``csv.records``)
    header : index of the header's record, None in a file without one
    """

    csv: CsvText
    places: Mapping[str, int]
    header: int | None
    lines: tuple[Line, ...]
    rows: tuple[int, ...]
    problems: tuple[str, ...]

    def row_of(self, place: int) -> int:
        """The spreadsheet row of ``lines[place]``."""
        return self.csv.records[self.rows[place]].row


def read_inputs(raw: bytes, links: Collection[str]) -> Inputs:
    """Take an input list apart; every problem is collected with its row and column, none is raised.

    links : names of the show's links
    """
    try:
        csv = parse_csv(raw)
    except TextUnreadable as error:
        sentence = f"{FILE}: {error.args[0]}; save it again as CSV in UTF-8"
        empty = parse_csv(b"")
        return Inputs(csv=empty, places={}, header=None, lines=(), rows=(), problems=(sentence,))
    header = next((i for i, r in enumerate(csv.records) if not r.is_empty and not _is_remark(r)), None)
    if header is None:
        return Inputs(csv=csv, places={}, header=None, lines=(), rows=(), problems=())
    places, problems = _find_columns(csv.records[header])
    lines: list[Line] = []
    rows: list[int] = []
    if "number" in places:
        for index in range(header + 1, len(csv.records)):
            record = csv.records[index]
            if record.is_empty or _is_remark(record, places["number"]):
                continue
            line = _read_line(record, places, links, problems)
            if line is not None:
                lines.append(line)
                rows.append(index)
    return Inputs(csv=csv, places=places, header=header, lines=tuple(lines), rows=tuple(rows), problems=tuple(problems))


def _is_remark(record: Record, number_place: int = 0) -> bool:
    """A row that begins with # and carries no line number is somebody's remark."""
    return record.cells[0].lstrip().startswith("#") and not _cell(record, number_place).strip().isdigit()


def _cell(record: Record, place: int) -> str:
    return record.cells[place] if place < len(record.cells) else ""


def _find_columns(record: Record) -> tuple[dict[str, int], list[str]]:
    places: dict[str, int] = {}
    problems: list[str] = []
    for place, cell in enumerate(record.cells):
        name = cell.strip().lower().replace(" ", "_")
        if name not in COLUMNS:
            continue
        if name in places:
            problems.append(f"{FILE} row {record.row}: column '{name}' stands twice; rename or remove one")
        else:
            places[name] = place
    if "number" not in places:
        problems.append(
            f"{FILE} row {record.row}: there is no column 'number'. The header of this file names the columns "
            f"{', '.join(COLUMNS)} (only number is required); 'nightreel import' reads sheets with other headers"
        )
    return places, problems


def _read_line(record: Record, places: Mapping[str, int], links: Collection[str], problems: list[str]) -> Line | None:
    """The line of a row; a cell that cannot be read adds a problem and counts as blank. None without a number."""
    values: dict[str, object] = {"name": ""}
    for name, place in places.items():
        column, text = COLUMNS[name], _cell(record, place)
        if name == "number" and not text.strip():
            problems.append(f"{FILE} row {record.row}, column number: blank; number the line, or empty the whole row")
            continue
        try:
            values[column.attribute] = column.read(text, links)
        except FieldInvalid as error:
            problems.append(f"{FILE} row {record.row}, column {name}: {error.args[0]}")
    if "number" not in values:
        return None
    return Line(**values)  # type: ignore[arg-type]  # each column reads what its attribute holds


def tidy(line: Line) -> Line:
    """The line as the input list can hold it: text without blanks around it, gain to 0.01 dB."""

    def port(value: Port | None) -> Port | None:
        return None if value is None else replace(value, link=value.link.strip())

    return replace(
        line,
        name=line.name.strip(),
        socket=line.socket.strip(),
        group=line.group.strip(),
        notes=line.notes.strip(),
        gain_db=None if line.gain_db is None else round(float(line.gain_db), 2),
        send=port(line.send),
        return_port=port(line.return_port),
    )


def edit_inputs(raw: bytes, links: Collection[str], lines: Iterable[Line]) -> str:
    """The file with these lines in it: changed cells written, lines gone removed, new ones appended in order.

    A row belongs to the line of its number, else to a new number of the same name. Raises nothing of its own for a
    sound file; a file with problems must be mended first (``read_inputs`` lists them).
    """
    inputs = read_inputs(raw, links)
    wanted = [tidy(line) for line in lines]
    owners = _match_rows(inputs.lines, wanted)
    header = list(inputs.csv.records[inputs.header].cells) if inputs.header is not None else list(COLUMNS)
    places = dict(inputs.places) if inputs.header is not None else {name: i for i, name in enumerate(COLUMNS)}
    for name, column in COLUMNS.items():
        if name not in places and any(getattr(line, column.attribute) != column.usual for line in wanted):
            places[name] = len(header)
            header.append(name)
    out: list[str] = []
    for index, record in enumerate(inputs.csv.records):
        if index == inputs.header:
            out.append(record.raw if list(record.cells) == header else inputs.csv.compose(header))
        elif index in inputs.rows:
            place = inputs.rows.index(index)
            if place in owners:
                out.append(_edit_row(inputs.csv, record, places, inputs.lines[place], owners[place]))
        else:
            out.append(record.raw)
    if inputs.header is None:
        out.append(inputs.csv.compose(header))
    kept = set(owners.values())
    for line in wanted:
        if line not in kept:
            cells = [""] * len(header)
            for name, place in places.items():
                cells[place] = COLUMNS[name].write(getattr(line, COLUMNS[name].attribute))
            out.append(inputs.csv.compose(cells))
    for i, text in enumerate(out[:-1]):
        if not text.endswith(("\n", "\r")):
            out[i] = text + inputs.csv.line_end
    return inputs.csv.form.restore("".join(out))


def _match_rows(present: Sequence[Line], wanted: Sequence[Line]) -> dict[int, Line]:
    """Which wanted line each present one becomes; present ones that go are missing."""
    by_number = {line.number: line for line in wanted}
    owners = {place: by_number[line.number] for place, line in enumerate(present) if line.number in by_number}
    taken = {line.number for line in owners.values()}
    for place, line in enumerate(present):
        if place in owners or not line.name:
            continue
        heir = next((w for w in wanted if w.number not in taken and w.name == line.name), None)
        if heir is not None:
            owners[place] = heir
            taken.add(heir.number)
    return owners


def _edit_row(csv: CsvText, record: Record, places: Mapping[str, int], present: Line, wanted: Line) -> str:
    cells = list(record.cells)
    for name, place in places.items():
        column = COLUMNS[name]
        value = getattr(wanted, column.attribute)
        if value == getattr(present, column.attribute):
            continue
        cells.extend([""] * (place + 1 - len(cells)))
        cells[place] = column.write(value)
    return record.raw if cells == list(record.cells) else csv.compose(cells)
