"""Aligned columns for the terminal, at most 100 wide: long cells are cut, the last column goes on in the next row."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence

WIDEST = 100


def width_of(text: str) -> int:
    """Cells of the terminal that a text takes: wide scripts count double, combining marks nothing."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def cut(text: str, width: int) -> str:
    """The text in at most ``width`` cells, control characters shown as blanks."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    if width_of(clean) <= width:
        return clean
    while clean and width_of(clean) > width - 3:
        clean = clean[:-1]
    return clean + "..."


def format_columns(headers: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()) -> str:
    """A table as text. The last column gets what is left of the line.

    right : places of columns set flush right (numbers)
    """
    table = [list(headers), *(list(row) for row in rows)]
    last = len(headers) - 1
    widths = [min(28, max(width_of(row[place]) for row in table)) for place in range(last)]
    left = max(10, WIDEST - sum(widths) - 2 * last)
    lines = []
    for row in table:
        cells = []
        for place in range(last):
            text = cut(row[place], widths[place])
            blanks = " " * (widths[place] - width_of(text))
            cells.append(blanks + text if place in right else text + blanks)
        text = cut(row[last], 10 * left)
        first, *more = textwrap.wrap(text, left) or [""]
        lines.append("  ".join((*cells, first)).rstrip())
        lines += [" " * (WIDEST - left) + piece for piece in more]
    return "\n".join(lines)
