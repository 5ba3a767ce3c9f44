"""Writes docs/commands.md from the commands themselves; a test compares, so that the page cannot go stale.

Run: python tools/commands_page.py
"""

from __future__ import annotations

import re
from pathlib import Path

import click

from nightreel.cli.main import COMMANDS, night

PAGE = Path(__file__).parents[1] / "docs" / "commands.md"


def page_text() -> str:
    context = click.Context(night)
    rows = [
        "# Commands",
        "",
        "In the order of the night. Made from the commands themselves (`python tools/commands_page.py`). Exit status:",
        "0 done, 1 it was tried and could not be done, 2 the request cannot be carried out as asked",
        "([errors](errors.md)).",
        "",
    ]
    for name, summary in COMMANDS.items():
        command = night.get_command(context, name)
        assert command is not None
        rows += [f"## nightreel {name}", "", f"{summary[:1].upper()}{summary[1:]}.", ""]
        words = [p.make_metavar(context) for p in command.params if isinstance(p, click.Argument)]
        rows += [f"    nightreel {name} {' '.join(words)} [options]".rstrip(), ""]
        rows += [re.sub(r"\s*\n\s*", " ", part.strip()) + "\n" for part in (command.help or "").split("\n\n")]
        options = [p for p in command.params if isinstance(p, click.Option)]
        if options:
            rows += ["| option | meaning |", "|---|---|"]
            rows += [_row(option, context) for option in options]
            rows.append("")
    return "\n".join(rows)


def _row(option: click.Option, context: click.Context) -> str:
    record = option.get_help_record(context)
    assert record is not None
    left, right = (part.replace("|", "\\|").replace("\n", " ") for part in record)
    return f"| `{left}` | {right} |"


if __name__ == "__main__":
    PAGE.write_text(page_text())
