"""``nightreel lines``: the show's lines and their patch, and what contradicts itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nightreel.cli.columns import format_columns
from nightreel.show.fields import write_gain_db
from nightreel.units import format_rate

if TYPE_CHECKING:
    from nightreel.show.model import Line


def line_facts(line: Line) -> dict[str, object]:
    """A line as JSON shows it, under the names of the input list's columns."""
    return {
        "number": line.number,
        "name": line.name,
        "role": line.role.value,
        "socket": line.socket,
        "gain_db": line.gain_db,
        "phantom": line.phantom,
        "partner": line.partner,
        "priority": line.priority,
        "group": line.group,
        "send": str(line.send) if line.send else None,
        "return": str(line.return_port) if line.return_port else None,
        "soundcheck": line.soundcheck_use.value,
        "notes": line.notes,
    }


@click.command(short_help="print the show's lines and their patch")
@click.argument("folder", metavar="SHOW", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the same as JSON.")
def command(folder: Path, as_json: bool) -> None:
    """Print the lines of SHOW and their patch. Where the show contradicts itself, every problem is listed instead."""
    from nightreel.show.files import read_show

    document = read_show(folder)
    show = document.show
    lines = sorted(show.lines, key=lambda line: line.number)
    if as_json:
        facts = {"show": show.name, "rate_hz": show.rate_hz, "lines": [line_facts(line) for line in lines]}
        click.echo(json.dumps({**facts, "notes": list(document.notes)}, ensure_ascii=False))
        return
    if lines:
        rows = [
            (
                str(line.number), line.name, line.role.value, line.socket or "-", write_gain_db(line.gain_db) or "-",
                "yes" if line.phantom else "-", str(line.partner or "-"), str(line.send or "-"),
                str(line.return_port or "-"), line.soundcheck_use.value,
            )
            for line in lines
        ]  # fmt: skip
        headers = ("line", "name", "role", "socket", "gain", "48V", "pair", "send", "return", "soundcheck")
        click.echo(format_columns(headers, rows, right=(0, 4, 6)))
        click.echo()
    unpatched = [line for line in lines if line.send is None]
    click.echo(f"'{show.name}': {len(lines)} lines at {format_rate(show.rate_hz)}. No contradictions.")
    if unpatched:
        numbers = ", ".join(str(line.number) for line in unpatched[:12]) + (", ..." if len(unpatched) > 12 else "")
        click.echo(f"Without a send, so not recorded: {len(unpatched)} ({numbers}). 'nightreel advance' plans a patch.")
    for note in document.notes:
        click.echo(f"Note: {note}")
