"""From rows to lines: each row is turned into one line, a pair, several, a section, or a stated reason why not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from nightreel.show.fields import FieldInvalid, read_gain_db, read_role, read_yes
from nightreel.show.imports.columns import Block, Layout
from nightreel.show.imports.grids import Row
from nightreel.show.imports.guesses import UNUSED, Numbers, are_sides, guess_role, read_numbers, stem_of_pair
from nightreel.show.imports.result import Made, RowReading
from nightreel.show.imports.words import find_meaning, plain
from nightreel.show.inputs import COLUMNS
from nightreel.show.model import Line

_DASHES = ("", "-", "–", "—")


@dataclass(slots=True)
class Reading:
    """Lines, row readings and questions gathered while going down a list."""

    layout: Layout
    lines: dict[int, Line] = field(default_factory=dict)
    rows: list[RowReading] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)
    section: str = ""
    claimed: set[int] = field(default_factory=set)  # numbers that some row of the sheet names itself

    def read(self, block: Block, rows: Sequence[Row]) -> None:
        """Go down one block. Rows above the header are text."""
        self.section = ""
        body = [row for index, row in enumerate(rows) if self.layout.header is None or index > self.layout.header]
        for row in rows[: len(rows) - len(body)]:
            if block.first == 0:
                made = Made.HEADER if row is rows[self.layout.header or 0] else Made.TEXT if row.filled else Made.EMPTY
                self.rows.append(RowReading(row=row.number, text=_text(row, block), made=made))
        previous: Row | None = None
        for row in body:
            self._read_row(block, row, previous)
            if any(_cell(row, place) for place in range(block.first, block.end)):
                previous = row
        self._settle_sections()
        self._join_sides()

    def claim(self, block: Block, rows: Sequence[Row]) -> None:
        """Remember which numbers the sheet gives itself, so that a stereo row does not take its neighbour's."""
        place = block.place("number")
        start = 0 if self.layout.header is None else self.layout.header + 1
        for row in rows[start:]:
            numbers = read_numbers(_cell(row, place)) if place is not None else None
            name = block.place("name")
            if numbers and (name is None or plain(_cell(row, name)) not in UNUSED):
                self.claimed.update(numbers.numbers)

    def _read_row(self, block: Block, row: Row, previous: Row | None) -> None:
        name_place, number_place = block.place("name"), block.place("number")
        name, number_text = _cell(row, name_place), _cell(row, number_place)
        filled = [place for place in range(block.first, block.end) if _cell(row, place)]
        if not filled:
            self._say(row, block, Made.EMPTY)
            return
        if self._is_header_again(row, filled):
            self._say(row, block, Made.HEADER, why="the header once more")
            return
        numbers = read_numbers(number_text)
        why: list[str] = []
        if number_place is not None and numbers is None:
            if len(filled) == 1 or not name:
                self._read_text(row, block, number_text, name, len(filled))
                return
            if number_text:
                self.questions.append(f"Row {row.number}: '{number_text}' is not a line number; the row was left out")
                self._say(row, block, Made.NOT_READ, why=f"'{number_text}' is not a line number")
                return
            numbers = Numbers((self._next_number(row, name, previous, name_place),))
            why.append("no number in the row")
            self.questions.append(f"Row {row.number} ('{name}') has no number; it became line {numbers.numbers[0]}")
        elif numbers is None:
            numbers = Numbers((max(self.lines, default=0) + 1,))
        if not name and self._is_other_half(numbers, row, previous, name_place):
            return
        if plain(name) in UNUSED:
            note = "no name" if not name else f"'{name}'"
            self._say(row, block, Made.UNUSED, why=f"{note}: no line was made of number {number_text or '?'}")
            return
        self._make_lines(block, row, name, numbers, why)

    def _is_header_again(self, row: Row, filled: Sequence[int]) -> bool:
        headers = self.layout.headers
        same = [place for place in filled if place < len(headers) and plain(headers[place]) == plain(row.cells[place])]
        meant = [place for place in filled if (m := find_meaning(row.cells[place])) is not None and m.rank == 0]
        return len(same) >= 2 or (len(filled) >= 3 and len(meant) == len(filled))

    def _read_text(self, row: Row, block: Block, number_text: str, name: str, filled: int) -> None:
        text = name or number_text
        if text and filled == 1 and len(text) <= 40:
            self.section = text
            self._say(row, block, Made.SECTION, why=f"what follows is taken for the group '{text}'")
        else:
            why = "no name and no number" if filled > 1 else "a text on its own"
            self._say(row, block, Made.TEXT, why=why)
            if filled > 1:
                self.questions.append(
                    f"Row {row.number} has neither name nor number; it was left out: {_text(row, block)}"
                )

    def _next_number(self, row: Row, name: str, previous: Row | None, name_place: int | None) -> int:
        last = self.rows[-1].lines[-1] if self.rows and self.rows[-1].lines else 0
        if previous is not None and last and are_sides(_cell(previous, name_place), name):
            return last + 1
        return max(self.claimed | set(self.lines), default=0) + 1

    def _is_other_half(self, numbers: Numbers, row: Row, previous: Row | None, name_place: int | None) -> bool:
        """A number without a name below a stereo row: its right side (the name cell was merged over both)."""
        if len(numbers.numbers) != 1 or previous is None or not self.rows or not self.rows[-1].lines:
            return False
        last = self.rows[-1].lines[-1]
        stem = stem_of_pair(_cell(previous, name_place))
        if stem is None or numbers.numbers[0] != last + 1 or last not in self.lines or self.lines[last].partner:
            return False
        left = self.lines[last]
        self.lines[last] = replace(left, name=f"{stem} L", partner=last + 1)
        self.lines[last + 1] = replace(left, number=last + 1, name=f"{stem} R", partner=last)
        why = f"the right side of '{stem}' in the row above"
        self.rows.append(
            RowReading(
                row=row.number, text=" | ".join(c for c in row.cells if c), made=Made.LINE, lines=(last + 1,), why=why
            )
        )
        return True

    def _make_lines(self, block: Block, row: Row, name: str, numbers: Numbers, why: list[str]) -> None:
        if numbers.why:
            why.append(numbers.why)
            self.questions.append(f"Row {row.number} ('{name}'): {numbers.why}; read as {_listed(numbers.numbers)}")
        wanted = list(numbers.numbers)
        stem = stem_of_pair(name)
        says_stereo, partner_why = self._stereo_cell(block, row)
        pair = numbers.is_pair
        if len(wanted) == 1 and (stem or says_stereo):
            right = wanted[0] + 1
            if right in self.claimed or right in self.lines:
                why.append(f"marked as stereo, but {right} is another line: kept mono")
                self.questions.append(
                    f"Row {row.number} ('{name}') is marked as stereo, but {right} is another line; it was kept mono"
                )
            else:
                wanted.append(right)
                pair = True
                self.claimed.add(right)
                why.append(f"{partner_why or 'stereo by its name'}: takes {wanted[0]} and {right}")
        given: list[int] = []
        for number in wanted:
            if number in self.lines:
                free = max(self.claimed | set(self.lines)) + 1
                self.questions.append(
                    f"Row {row.number} ('{name}') has number {number}, which '{self.lines[number].name}' has already; "
                    f"it became line {free}"
                )
                why.append(f"number {number} was taken")
                number = free
                self.claimed.add(free)
            given.append(number)
            self.lines[number] = Line(number=number, name=name)
        names = self._names(stem or name, name, given, pair)
        for place, number in enumerate(given):
            self.lines[number] = self._fill(block, row, number, names[place], why)
        if pair and len(given) == 2:
            self.lines[given[0]] = replace(self.lines[given[0]], partner=given[1])
            self.lines[given[1]] = replace(self.lines[given[1]], partner=given[0])
        if len(given) > 2:
            self.questions.append(f"Row {row.number} ('{name}') covers {len(given)} numbers and became as many lines")
        made = Made.PAIR if pair else Made.LINE if len(given) == 1 else Made.SEVERAL
        self._say(row, block, made, tuple(given), "; ".join(dict.fromkeys(w for w in why if w)))

    def _names(self, stem: str, name: str, given: Sequence[int], pair: bool) -> list[str]:
        if pair and len(given) == 2:
            return [f"{stem} L", f"{stem} R"]
        return [name] if len(given) == 1 else [f"{name} {place}" for place in range(1, len(given) + 1)]

    def _stereo_cell(self, block: Block, row: Row) -> tuple[bool, str]:
        text = _cell(row, block.place("partner"))
        if plain(text) in ("st", "stereo", "estereo", "l r", "lr"):
            return True, f"'{text}' in the stereo column"
        try:
            return read_yes(text), f"'{text}' in the stereo column" if text else ""
        except FieldInvalid:
            return False, ""

    def _fill(self, block: Block, row: Row, number: int, name: str, why: list[str]) -> Line:
        """Everything else the row says; what a field cannot hold goes to the notes and is asked about."""

        def text(key: str) -> str:
            return _cell(row, block.place(key))

        notes = [_cell(row, place) for place in block.places.get("notes", ()) if _cell(row, place)]
        mic = " / ".join(_cell(row, place) for place in block.places.get("mic", ()) if _cell(row, place) not in _DASHES)
        if mic:
            notes.append(f"mic: {mic}")
        notes += [
            f"stand: {_cell(row, place)}" for place in block.places.get("stand", ()) if _cell(row, place) not in _DASHES
        ]
        for place in block.kept:
            if _cell(row, place):
                header = _cell_of(self.layout.headers, place)
                notes.append(f"{header}: {_cell(row, place)}" if header else _cell(row, place))
        line = Line(
            number=number, name=name, group=text("group") or self.section, socket=_socket(text("box"), text("socket"))
        )
        for key, read in (("gain_db", read_gain_db), ("phantom", read_yes)):
            try:
                line = replace(line, **{key: read(text(key))})  # type: ignore[arg-type]
            except FieldInvalid as error:
                self._ask(f"Row {row.number} ('{name}'), {key.removesuffix('_db')}: {error.args[0]}; kept in the notes")
                notes.append(f"{key.removesuffix('_db')}: {text(key)}")
        if not line.phantom and "48v" in plain(mic).replace(" ", ""):
            line = replace(line, phantom=True)
            why.append("phantom guessed from '48V' in the mic/DI column")
        for key in ("priority", "send", "return_port", "at_soundcheck"):
            if text(key):
                column = next(c for c in COLUMNS.values() if c.attribute == key)
                try:
                    line = replace(line, **{key: column.read(text(key), ())})  # type: ignore[arg-type]
                except FieldInvalid as error:
                    self._ask(
                        f"Row {row.number} ('{name}'), {key.partition('_')[0]}: {error.args[0]}; kept in the notes"
                    )
                    notes.append(f"{key.partition('_')[0]}: {text(key)}")
        if text("role"):
            try:
                return replace(line, role=read_role(text("role")), notes="; ".join(notes))
            except FieldInvalid:
                mic = f"{mic} {text('role')}"
        role, reason = guess_role(name, mic)
        why.append(reason)
        return replace(line, role=role, notes="; ".join(notes))

    def _ask(self, question: str) -> None:
        if question not in self.questions:
            self.questions.append(question)

    def _say(self, row: Row, block: Block, made: Made, lines: tuple[int, ...] = (), why: str = "") -> None:
        self.rows.append(RowReading(row=row.number, text=_text(row, block), made=made, lines=lines, why=why))

    def _settle_sections(self) -> None:
        """A text below which no line came was no section."""
        has_line = False
        for index in range(len(self.rows) - 1, -1, -1):
            reading = self.rows[index]
            if reading.lines:
                has_line = True
            elif reading.made is Made.SECTION:
                if not has_line:
                    self.rows[index] = replace(reading, made=Made.TEXT, why="a text with no line below it")
                has_line = False

    def _join_sides(self) -> None:
        """Neighbours named as left and right of one thing are partners."""
        for number in sorted(self.lines):
            left, right = self.lines[number], self.lines.get(number + 1)
            if right is None or left.partner or right.partner or not are_sides(left.name, right.name):
                continue
            self.lines[number] = replace(left, partner=right.number)
            self.lines[right.number] = replace(right, partner=number)
            for index, reading in enumerate(self.rows):
                if reading.lines in ((number,), (number + 1,)):
                    other = number + 1 if reading.lines == (number,) else number
                    why = "; ".join(filter(None, (reading.why, f"stereo partner of {other} by their names")))
                    self.rows[index] = replace(reading, why=why)


def _cell(row: Row, place: int | None) -> str:
    return "" if place is None else _cell_of(row.cells, place)


def _cell_of(cells: Sequence[str], place: int) -> str:
    return cells[place] if place < len(cells) else ""


def _text(row: Row, block: Block) -> str:
    return " | ".join(cell for cell in row.cells[block.first : block.end] if cell)[:80]


def _socket(box: str, socket: str) -> str:
    return f"{box}-{socket}" if box and socket else box or socket


def _listed(numbers: Sequence[int]) -> str:
    return " and ".join(map(str, numbers))
