"""``nightreel advance``: plan rate, links, ports and storage; write the sheets; put the patch into the show."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import click


@click.command(short_help="plan rate, links, ports and storage; print patch sheets")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--apply", "apply_patch", is_flag=True, help="Write the patch into the show's input list.")
@click.option("--repatch", is_flag=True, help="Make the patch anew instead of keeping the present one.")
@click.option(
    "--what-if",
    "changes",
    multiple=True,
    metavar="THING=VALUE",
    help="Show what a change would do (rate=96000, lines=+6, length=3h, depth=float32); writes nothing. Repeatable.",
)
@click.option("--compare", type=click.Path(path_type=Path), help="An older plan (its folder); default: the last one.")
@click.option("--paper", type=click.Choice(["a4", "letter", "both"]), default="both", show_default=True)
@click.option("--no-sheets", is_flag=True, help="Print the verdict only; write nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(
    show: Path,
    apply_patch: bool,
    repatch: bool,
    changes: tuple[str, ...],
    compare: Path | None,
    paper: str,
    no_sheets: bool,
    as_json: bool,
) -> None:
    """Plan SHOW (a show folder): what fits, what does not, and what to patch.

    Sheets go to SHOW/sheets/plan-DATE-N as PDF, HTML and CSV; older plans stay as they are.
    """
    from nightreel.advance.folder import write_plan
    from nightreel.advance.plan import make_plan
    from nightreel.advance.record import plan_dict, version_of
    from nightreel.advance.verdict import screen
    from nightreel.advance.wishes import wishes_from
    from nightreel.show.files import SETTINGS_FILE, load_show, save_show

    document = load_show(show)
    wishes = wishes_from((show / SETTINGS_FILE).read_text(encoding="utf-8"))
    plan = make_plan(document, wishes, keep=not repatch)
    folder = ""
    if not no_sheets:
        papers = ("a4", "letter") if paper == "both" else (paper,)
        written = write_plan(show, plan, today=date.today(), papers=papers)
        folder = str(written.folder) if written.new else f"{written.folder} (unchanged)"
    if apply_patch:
        save_show(show, plan.patched)
    if as_json:
        click.echo(json.dumps({"version": version_of(plan), "sheets": folder, **plan_dict(plan)}, ensure_ascii=False))
        return
    click.echo(screen(plan, folder=folder))
    if apply_patch:
        click.echo("The patch stands in the show's input list.")
