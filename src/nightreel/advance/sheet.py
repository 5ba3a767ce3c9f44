"""What a sheet is: a titled table of plain text, the same for PDF, HTML and CSV."""

from __future__ import annotations

from dataclasses import dataclass

from nightreel.show.model import Port

NOTHING = "–"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One table. ``numeric`` columns are right-aligned, ``strong`` ones set in bold."""

    key: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()
    strong: tuple[int, ...] = ()
    note: str = ""


def span_text(first: int, count: int) -> str:
    """``65–72``, or ``65`` alone."""
    return str(first) if count == 1 else f"{first}–{first + count - 1}"


def port_text(port: Port | None) -> str:
    return NOTHING if port is None else f"{port.link} {port.number}"
