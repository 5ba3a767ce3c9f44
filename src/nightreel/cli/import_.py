"""``nightreel import``: bring in an input list from CSV, XLSX or ODS, showing how it was understood."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nightreel.cli.columns import cut, format_columns
from nightreel.cli.lines import line_facts
from nightreel.errors import ConfirmationMissing

if TYPE_CHECKING:
    from nightreel.show.imports import ImportedList
    from nightreel.show.merging import Merge


@click.command(short_help="bring in an input list from CSV, XLSX or ODS")
@click.argument("sheet", metavar="LIST", type=click.Path(path_type=Path))
@click.argument("folder", metavar="SHOW", type=click.Path(path_type=Path))
@click.option("--sheet", "tab", help="Which sheet of the file; the one that looks most like a list unless given.")
@click.option("--dry-run", is_flag=True, help="Show what would be done, and write nothing.")
@click.option("--replace", "may_replace", is_flag=True, help="Let the list change lines that the show has already.")
@click.option("--yes", is_flag=True, help="Write without asking, open questions included.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(
    sheet: Path, folder: Path, tab: str | None, dry_run: bool, may_replace: bool, yes: bool, as_json: bool
) -> None:
    """Bring the input list LIST into SHOW.

    Shows how every column and row was understood and what is open, then adds the lines. Lines that the show has already
    are changed only with --replace; none is ever removed.
    """
    from nightreel.show.files import load_show, save_lines
    from nightreel.show.imports import read_input_list
    from nightreel.show.merging import merge_lines

    show = load_show(folder)
    found = read_input_list(sheet, sheet=tab)
    merge = merge_lines(show.lines, found.lines, found.fields)
    problems = () if dry_run else _refusals(found, merge, may_replace=may_replace, yes=yes)
    if not as_json:
        click.echo(describe(found))
        click.echo()
        click.echo(describe_merge(merge))
    if problems:
        raise ConfirmationMissing(problems[0], now=problems[1])
    if not dry_run and not yes and not as_json and sys.stdin.isatty():
        click.confirm(f"Write this to {folder}?", abort=True)
    replace(show, lines=merge.lines)  # raises ShowInvalid before anything is written, also in a dry run
    written = not dry_run and bool(merge.added or merge.changed)
    if written:
        save_lines(folder, merge.lines)
    if as_json:
        click.echo(json.dumps({**_facts(found, merge), "written": written}, ensure_ascii=False))
    elif dry_run:
        click.echo("Dry run: nothing was written.")
    else:
        click.echo(f"Written to {folder}." if written else "Nothing to write: the show says the same already.")


def _refusals(found: ImportedList, merge: Merge, *, may_replace: bool, yes: bool) -> tuple[str, str] | tuple[()]:
    if merge.changed and not may_replace:
        count = len(merge.changed)
        what = f"the list would change {count} line{'s' if count > 1 else ''} of the show; nothing was written"
        return what, "Look at the differences, then add --replace"
    if found.questions and not yes and not sys.stdin.isatty():
        count = len(found.questions)
        what = f"{count} question{'s are' if count > 1 else ' is'} open; nothing was written"
        return what, "Look at them, then add --yes"
    return ()


def describe(found: ImportedList) -> str:
    """How the list was understood, as text."""
    header = f"headers in row {found.header_row}" if found.header_row else "no headers"
    parts = [f"{found.source}, sheet '{found.sheet}', {header}", ""]
    columns = [(c.letter, c.header or "-", c.field or "(kept as note)", c.why) for c in found.columns]
    parts += [format_columns(("col", "header", "taken for", "because"), columns), ""]
    names = {line.number: line for line in found.lines}
    rows = []
    for reading in found.rows:
        if reading.made.value == "empty":
            continue
        what = ", ".join(names[n].name for n in reading.lines if n in names) or cut(reading.text, 28)
        numbers = _run(reading.lines)
        role = names[reading.lines[0]].role.value if reading.lines and reading.lines[0] in names else ""
        rows.append((str(reading.row), reading.made.value, numbers, what, role, reading.why))
    parts.append(format_columns(("row", "is", "line", "name", "role", "why"), rows, right=(0,)))
    if found.questions:
        parts += ["", f"Please look at {'these' if len(found.questions) > 1 else 'this'}:"]
        parts += [f"  ? {question}" for question in found.questions]
    return "\n".join(parts)


def _run(numbers: tuple[int, ...]) -> str:
    if len(numbers) > 2 and numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"{numbers[0]}-{numbers[-1]}"
    return ", ".join(map(str, numbers))


def describe_merge(merge: Merge) -> str:
    """What the list does to the show, as text."""
    parts = [
        f"{len(merge.added)} new, {len(merge.changed)} changed, {len(merge.same)} the same, "
        f"{len(merge.only_in_show)} only in the show (kept)."
    ]
    for change in merge.changed:
        parts.append(f"  line {change.before.number} '{change.before.name}'")
        for name, (before, after) in change.fields.items():
            parts.append(cut(f"    {name}: {_shown(before)} -> {_shown(after)}", 100))
    return "\n".join(parts)


def _shown(value: object) -> str:
    return "-" if value in (None, "") else "yes" if value is True else "no" if value is False else str(value)


def _facts(found: ImportedList, merge: Merge) -> dict[str, object]:
    return {
        "source": found.source,
        "sheet": found.sheet,
        "header_row": found.header_row,
        "columns": [
            {"letter": c.letter, "header": c.header, "field": c.field or None, "why": c.why} for c in found.columns
        ],
        "rows": [
            {"row": r.row, "text": r.text, "is": r.made.value, "lines": list(r.lines), "why": r.why} for r in found.rows
        ],
        "lines": [line_facts(line) for line in found.lines],
        "questions": list(found.questions),
        "added": [line.number for line in merge.added],
        "changed": [
            {"line": c.before.number, "fields": {k: [_shown(a), _shown(b)] for k, (a, b) in c.fields.items()}}
            for c in merge.changed
        ],
        "same": [line.number for line in merge.same],
        "only_in_show": [line.number for line in merge.only_in_show],
    }
