"""Which row is the header, and what each column holds."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from nightreel.show.imports.grids import Grid, Row
from nightreel.show.imports.result import ColumnReading
from nightreel.show.imports.words import EITHER, Meaning, find_meaning, plain

_SEARCHED_ROWS = 60
_SEVERAL = ("notes", "mic", "stand")  # fields that more than one column may feed
_NUMBER = re.compile(r"^(?:ch|in|no|nr|#)?[.\s]*\d{1,4}(?:\s*[-–/+&]\s*\d{1,4})?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One list on the sheet: columns ``first`` to before ``end``; ``places`` by field, and what feeds notes.

    Lists are often laid out in two halves side by side; each half is a block under the same header.
    """

    first: int
    end: int
    places: Mapping[str, tuple[int, ...]]
    kept: tuple[int, ...]

    def place(self, name: str) -> int | None:
        places = self.places.get(name, ())
        return places[0] if places else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The sheet's columns as understood. ``header`` is an index into ``grid.rows``, None where there is none."""

    header: int | None
    headers: tuple[str, ...]
    blocks: tuple[Block, ...]
    columns: tuple[ColumnReading, ...]
    questions: tuple[str, ...]


def letter(place: int) -> str:
    """Column 0 is A, as spreadsheets name them."""
    text = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        text = chr(65 + rest) + text
    return text


def find_header(grid: Grid) -> tuple[int | None, int]:
    """Index of the row with the most distinct known words, and how many; None below two, or one that is a name."""
    best: tuple[int | None, int] = (None, 0)
    filled_rows = [i for i, row in enumerate(grid.rows) if row.filled][:_SEARCHED_ROWS]
    for index in filled_rows:
        meanings = [m for place in grid.rows[index].filled if (m := find_meaning(grid.rows[index].cells[place]))]
        score = len({m.field for m in meanings if m.rank < 2}) * 2 + len({m.field for m in meanings if m.rank == 2})
        names = {m.field for m in meanings} & {"name", "number", EITHER}
        alone = len(grid.rows[index].filled) == 1 and any(m.field == "name" and m.rank == 0 for m in meanings)
        if names and (score >= 4 or alone) and score > best[1]:
            best = (index, score)
    return best


def find_layout(grid: Grid) -> Layout | None:
    """Understand the columns of a sheet; None when nothing in it looks like an input list."""
    header, _ = find_header(grid)
    if header is None:
        return _guess_layout(grid)
    cells = grid.rows[header].cells
    meanings = {place: m for place in grid.rows[header].filled if (m := find_meaning(cells[place])) is not None}
    width = max(len(row.cells) for row in grid.rows)
    below = grid.rows[header + 1 :]
    used = [place for place in range(width) if _cell(cells, place) or any(_cell(r.cells, place) for r in below)]
    blocks: list[Block] = []
    columns: list[ColumnReading] = []
    questions: list[str] = []
    for first, end in _split(cells, meanings, width):
        inside = {place: m for place, m in meanings.items() if first <= place < end}
        block, readings, asked = _assign(first, end, inside, cells, below, used)
        blocks.append(block)
        columns.extend(readings)
        questions.extend(asked)
    return Layout(
        header=header, headers=cells, blocks=tuple(blocks), columns=tuple(columns), questions=tuple(questions)
    )


def _cell(cells: Sequence[str], place: int) -> str:
    return cells[place] if place < len(cells) else ""


def _split(cells: Sequence[str], meanings: Mapping[int, Meaning], width: int) -> list[tuple[int, int]]:
    """Where the same header stands again (number and name both), a second list begins beside the first."""
    kinds = {place: (m.field, plain(cells[place])) for place, m in meanings.items()}
    counts = Counter(kinds.values())
    repeated = [kind for kind, count in counts.items() if count > 1 and kind[0] in ("number", "name", EITHER)]
    if len(repeated) < 2:
        return [(0, width)]
    lead = min((place for place, kind in kinds.items() if kind in repeated), default=0)
    starts = [place for place, kind in sorted(kinds.items()) if kind == kinds[lead]]
    return list(zip([0, *starts[1:]], [*starts[1:], width], strict=True))


def _assign(
    first: int,
    end: int,
    meanings: Mapping[int, Meaning],
    header: Sequence[str],
    below: Sequence[Row],
    used: Sequence[int],
) -> tuple[Block, list[ColumnReading], list[str]]:
    """Give each field its column: exact words before near ones, then the fuller column, then the left one."""
    fields = {place: m.field for place, m in meanings.items()}
    why = {place: m.why for place, m in meanings.items()}
    filled = {place: [text for row in below if (text := _cell(row.cells, place))] for place in range(first, end)}
    for place, name in list(fields.items()):
        numeric = _share(filled[place])
        if name == EITHER:
            fields[place] = "number" if numeric > 0.5 else "name"
            why[place] = f"known word; its cells are {'numbers' if numeric > 0.5 else 'words'}"
        elif name == "number" and filled[place] and numeric < 0.3 and "name" not in fields.values():
            fields[place] = "name"
            why[place] = "its cells are words, not numbers"
        elif name == "box" and numeric > 0.9 and "socket" not in fields.values():
            fields[place] = "socket"
            why[place] = "known word; its cells are numbers"
    places: dict[str, tuple[int, ...]] = {}
    questions: list[str] = []
    for name in dict.fromkeys(fields.values()):
        rivals = [place for place, other in fields.items() if other == name]
        rivals.sort(key=lambda p: (meanings[p].rank, -len(set(filled[p])), p))
        if name in _SEVERAL:
            places[name] = tuple(sorted(rivals))
            continue
        places[name] = (rivals[0],)
        for loser in rivals[1:]:
            del fields[loser]
            why[loser] = f"could be {name} too; column {letter(rivals[0])} was taken, this one is kept in the notes"
            if filled[loser]:
                questions.append(
                    f"Columns {letter(rivals[0])} ('{header[rivals[0]]}') and {letter(loser)} ('{header[loser]}') "
                    f"could both be the {_in_words(name)}; {letter(rivals[0])} was taken, "
                    f"{letter(loser)} goes to the notes"
                )
    kept = tuple(place for place in used if first <= place < end and place not in fields and filled[place])
    readings = [
        ColumnReading(
            letter=letter(place),
            header=_cell(header, place),
            field=fields.get(place, ""),
            why=why.get(place, "not a known word" if _cell(header, place) else "no header"),
        )
        for place in used
        if first <= place < end
    ]
    return Block(first=first, end=end, places=places, kept=kept), readings, questions


def _in_words(name: str) -> str:
    return {"gain_db": "gain", "return_port": "return", "at_soundcheck": "use at soundcheck"}.get(name, name)


def _share(texts: Sequence[str]) -> float:
    return sum(bool(_NUMBER.match(text)) for text in texts) / len(texts) if texts else 0.0


def _guess_layout(grid: Grid) -> Layout | None:
    """Without a header: a column of rising numbers is the number, the column with the most different words the name."""
    rows = [row for row in grid.rows if row.filled]
    if len(rows) < 2:
        return None
    width = max(len(row.cells) for row in rows)
    texts = {place: [text for row in rows if (text := _cell(row.cells, place))] for place in range(width)}
    numeric = [place for place in range(width) if len(texts[place]) >= 2 and _share(texts[place]) > 0.7]
    number = next((p for p in numeric if _rises(texts[p])), None)
    words = [p for p in range(width) if p not in numeric and len(texts[p]) >= 2]
    if number is None or not words:
        return None
    name = max(words, key=lambda p: (len(set(texts[p])), -p))
    fields = {number: "number", name: "name"}
    why = {number: "no header; its cells are rising numbers", name: "no header; its cells are the most varied words"}
    used = [place for place in range(width) if texts[place]]
    columns = tuple(
        ColumnReading(letter=letter(p), header="", field=fields.get(p, ""), why=why.get(p, "no header")) for p in used
    )
    kept = tuple(place for place in used if place not in fields)
    block = Block(first=0, end=width, places={"number": (number,), "name": (name,)}, kept=kept)
    question = (
        f"No row of headers was found; column {letter(number)} was taken for the number and {letter(name)} for the name"
    )
    return Layout(header=None, headers=(), blocks=(block,), columns=columns, questions=(question,))


def _rises(texts: Sequence[str]) -> bool:
    numbers = [int(match[0]) for text in texts if (match := re.search(r"\d+", text))]
    return len(numbers) >= 2 and all(a < b for a, b in pairwise(numbers))
