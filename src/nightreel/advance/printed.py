"""The sheets as PDF, HTML and CSV. Text and bytes come out; writing them is the caller's."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files

from nightreel.advance.checklists import Checklist, checklists
from nightreel.advance.plan import Plan
from nightreel.advance.sheet import Sheet
from nightreel.advance.sheets import all_sheets
from nightreel.advance.verdict import summary_facts, verdict_of
from nightreel.paper import html
from nightreel.paper.pdf import typeset

# Columns that take the room that is left, by head; all others are as wide as their content.
_WIDE = {
    "Name": 3,
    "Notes": 3,
    "Because": 3,
    "What speaks against it": 4,
    "Verdict": 3,
    "From": 4,
    "Stretch": 3,
    "Option": 2,
}
_OWN_PAGE = ("lines",)
_SMALL = ("options", "media", "limits", "figures")  # wide tables for the desk at home, not for the head torch
_BOX_TO_TICK = ("OK", "Done")
# Rows that one page holds at 11 and at 9.5 pt below a heading (seen on rendered pages); longer tables go on overleaf.
_ROWS_A_PAGE = {"a4": (42, 50), "us-letter": (38, 45)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What stands on every page: date of the plan, version (a hash of what it was made from)."""

    date: str
    version: str


def pdf_of(plan: Plan, heading: Heading, *, paper: str = "a4", extra: Sequence[Sheet] = ()) -> bytes:
    """All sheets in one PDF; ``paper`` is Typst's name (``a4``, ``us-letter``)."""
    source = files("nightreel.advance").joinpath("sheets.typ").read_text(encoding="utf-8")
    sheets = [*extra, *all_sheets(plan)]
    data: dict[str, object] = {
        "frame": {
            "paper": paper,
            "title": "plan and patch",
            "show": plan.show.name,
            "version": heading.version,
            "date": heading.date,
            "note": "Check the version against the show before patching.",
        },
        "summary": {
            "verdict": verdict_of(plan),
            "facts": [list(fact) for fact in summary_facts(plan)],
            "warnings": list(plan.warnings),
            "suggestions": [str(s) for s in plan.suggestions],
        },
        "sheets": [_sheet_data(sheet, paper) for sheet in sheets],
        "checklists": [
            {"phase": c.phase, "steps": list(c.steps), "cautions": list(c.cautions)} for c in checklists(plan)
        ],
    }
    return typeset(source, data)


def html_of(plan: Plan, heading: Heading, *, extra: Sequence[Sheet] = ()) -> str:
    """The same as one self-contained page."""
    parts = [html.verdict(verdict_of(plan), state="warn" if plan.warnings else "good")]
    facts = {name: f"{value}  ({known})" if known else value for name, value, known in summary_facts(plan)}
    parts.append(html.facts(facts))
    if plan.warnings:
        parts.append("<h2>Look at this first</h2><ul>")
        parts.extend(f"<li>{html.text(words)}</li>" for words in plan.warnings)
        parts.append("</ul>")
    if plan.suggestions:
        parts.append("<h2>What would make room</h2><ul>")
        parts.extend(f"<li>{html.text(s)}</li>" for s in plan.suggestions)
        parts.append("</ul>")
    for sheet in (*extra, *all_sheets(plan)):
        parts.append(f"<h2>{html.text(sheet.title)}</h2>")
        if sheet.note:
            parts.append(f'<p class="quiet">{html.text(sheet.note)}</p>')
        rows = [_ticks(sheet, row) for row in sheet.rows]
        parts.append(html.table(sheet.heads, rows, numeric=sheet.numeric, strong=sheet.strong))
    parts.append("<h2>The day</h2>")
    parts.extend(_checklist_html(c) for c in checklists(plan))
    return html.page(
        f"{plan.show.name}: plan and patch",
        "\n".join(parts),
        subtitle=f"{heading.date}, version {heading.version}",
        footer=f"Nightreel, {heading.date}, version {heading.version}",
    )


def csv_of(sheet: Sheet) -> str:
    """RFC 4180, with CR LF; the first row holds the heads."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(sheet.heads)
    writer.writerows(sheet.rows)
    return out.getvalue()


def _sheet_data(sheet: Sheet, paper: str) -> Mapping[str, object]:
    for_the_desk = sheet.key.startswith(("gestures", "lines", "ports ", "box ", "changes"))
    return {
        "title": sheet.title,
        "heads": list(sheet.heads),
        "rows": [_ticks(sheet, row) for row in sheet.rows],
        "numeric": list(sheet.numeric),
        "strong": list(sheet.strong),
        "note": sheet.note,
        "widths": [_WIDE.get(head, 0) for head in sheet.heads],
        "size": _size_pt(sheet, paper),
        "boost": 1.12 if for_the_desk else 1.0,
        "page": sheet.key in _OWN_PAGE or sheet.key.startswith(("ports ", "box ")),
    }


def _size_pt(sheet: Sheet, paper: str) -> float:
    at_11, at_9_5 = _ROWS_A_PAGE[paper]
    small = sheet.key in _SMALL or at_11 < len(sheet.rows) <= at_9_5
    return 9.5 if small else 11


def _ticks(sheet: Sheet, row: Sequence[str]) -> list[str]:
    return ["☐" if head in _BOX_TO_TICK else cell for head, cell in zip(sheet.heads, row, strict=True)]


def _checklist_html(checklist: Checklist) -> str:
    cautions = "".join(html.caution(words) for words in checklist.cautions)
    steps = "".join(f'<li class="box">{html.text(words)}</li>' for words in checklist.steps)
    return f"<h3>{html.text(checklist.phase)}</h3>{cautions}<ul class='plain'>{steps}</ul>"
