"""Bring in an input list that somebody else wrote: CSV, XLSX or ODS, with whatever headers it has.

Nothing is refused silently: the result says how each column and each row was understood, what was guessed and why, and
what a person should look at. Nothing is written here.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from nightreel.errors import ImportUnclear
from nightreel.show.imports.columns import find_header, find_layout
from nightreel.show.imports.grids import Grid, read_grids
from nightreel.show.imports.result import ColumnReading, ImportedList, Made, RowReading
from nightreel.show.imports.rows import Reading
from nightreel.show.imports.words import EITHER

__all__ = ["ColumnReading", "ImportedList", "Made", "RowReading", "read_input_list"]


def read_input_list(path: Path, *, sheet: str | None = None) -> ImportedList:
    """Understand the input list in a file; of several sheets the one that looks most like a list, unless named.

    Raises ImportUnclear when there is nothing to be understood, or DiskTrouble.
    """
    grids = [grid for grid in read_grids(path) if any(row.filled for row in grid.rows)]
    grid, questions = _choose(path, grids, sheet)
    layout = find_layout(grid)
    if layout is None:
        raise ImportUnclear(
            f"the sheet '{grid.name}' has no row of headers such as 'Ch, Instrument, Mic', and no column of numbers",
            where=str(path),
            now="Put such a row above the list, or name another sheet with --sheet",
        )
    reading = Reading(layout)
    for block in layout.blocks:
        reading.claim(block, grid.rows)
    for block in layout.blocks:
        reading.read(block, grid.rows)
    if not reading.lines:
        raise ImportUnclear(
            f"the sheet '{grid.name}' has headers, but no row below them makes a line",
            where=str(path),
            now="Check that the list stands below its headers, or name another sheet with --sheet",
        )
    if all(block.place("number") is None for block in layout.blocks):
        questions.append("No column of numbers was found; the lines were numbered in order")
    fields = {name for block in layout.blocks for name in block.places} - {EITHER, "mic", "stand", "box"}
    fields |= {"number", "name", "role", "notes"}
    fields |= {"socket"} if any(block.place("box") is not None for block in layout.blocks) else set()
    fields |= {"group"} if any(line.group for line in reading.lines.values()) else set()
    fields |= {"partner"} if any(line.partner for line in reading.lines.values()) else set()
    fields |= {"phantom"} if any(line.phantom for line in reading.lines.values()) else set()
    return ImportedList(
        source=path.name,
        sheet=grid.name,
        header_row=None if layout.header is None else grid.rows[layout.header].number,
        lines=tuple(line for _, line in sorted(reading.lines.items())),
        columns=tuple(_named(column) for column in layout.columns),
        rows=tuple(sorted(reading.rows, key=lambda reading: reading.row)),
        questions=(*questions, *layout.questions, *reading.questions),
        fields=frozenset(fields),
    )


def _named(column: ColumnReading) -> ColumnReading:
    return replace(column, why=column.why if column.field else f"{column.why}; kept as note")


def _choose(path: Path, grids: list[Grid], sheet: str | None) -> tuple[Grid, list[str]]:
    if not grids:
        raise ImportUnclear("it holds no filled cell", where=str(path), now="Check that it is the right file")
    names = ", ".join(f"'{grid.name}'" for grid in grids)
    if sheet is not None:
        chosen = next((grid for grid in grids if grid.name == sheet), None)
        if chosen is None:
            raise ImportUnclear(f"there is no sheet '{sheet}' in it", where=str(path), now=f"Its sheets: {names}")
        return chosen, []
    shown = [grid for grid in grids if not grid.hidden] or grids
    best = max(shown, key=lambda grid: (find_header(grid)[1], -shown.index(grid)))
    if len(grids) == 1:
        return best, []
    others = ", ".join(f"'{grid.name}'" + (" (hidden)" if grid.hidden else "") for grid in grids if grid is not best)
    return best, [f"Sheet '{best.name}' was read; not read: {others} (--sheet names another)"]
