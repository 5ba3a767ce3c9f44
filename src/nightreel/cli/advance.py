"""``nightreel advance``: plan rate, links, ports and storage; write the sheets; put the patch into the show."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from nightreel.advance.difference import Difference
    from nightreel.advance.plan import Plan
    from nightreel.show.model import Show


@click.command(short_help="plan rate, links, ports and storage; print patch sheets")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--apply", "apply_patch", is_flag=True, help="Write the patch into the show's input list.")
@click.option("--yes", "confirmed", is_flag=True, help="Apply even though takes were recorded with another patch.")
@click.option(
    "--others",
    multiple=True,
    metavar="LINK:PORTS",
    help="Ports that others use now, such as net:1-70 (net:none for none); lines on them move. Repeatable.",
)
@click.option("--repatch", is_flag=True, help="Make the patch anew instead of keeping the present one.")
@click.option(
    "--what-if",
    "changes",
    multiple=True,
    metavar="THING=VALUE",
    help="Show what a change would do and write nothing: rate=96000, depth=16, lines=+6, length=3h, spare=8, "
    "margin=30%, without=LINK, others=LINK:PORTS, packet=125us, redundant=yes, varispeed=yes. Repeatable.",
)
@click.option(
    "--compare", type=click.Path(path_type=Path), help="Compare with this older plan instead of the last one."
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter", "both"]),
    default="both",
    show_default=True,
    help="Size of the sheets.",
)
@click.option("--no-sheets", is_flag=True, help="Print the verdict only; write nothing.")
@click.option(
    "--devices", "ask_devices", is_flag=True, help="Ask the sound devices of this machine for their channels."
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def command(
    show: Path,
    apply_patch: bool,
    confirmed: bool,
    others: tuple[str, ...],
    repatch: bool,
    changes: tuple[str, ...],
    compare: Path | None,
    paper: str,
    no_sheets: bool,
    ask_devices: bool,
    as_json: bool,
) -> None:
    """Plan SHOW (a show folder): what fits, what does not, and what to patch.

    Sheets go to SHOW/sheets/plan-DATE-N as PDF, HTML and CSV; older plans stay as they are.
    """
    from nightreel.advance.folder import write_plan
    from nightreel.advance.planning import make_plan
    from nightreel.advance.what_if import take_ports, what_if
    from nightreel.advance.wishes import wishes_from
    from nightreel.cli.evidence import gather_evidence
    from nightreel.errors import ArgumentInvalid
    from nightreel.show.files import SETTINGS_FILE, load_show, save_show

    if changes and apply_patch:
        raise ArgumentInvalid("--what-if writes nothing, --apply does", now="Leave one of the two out")
    document = present = load_show(show)
    for ports in others:
        document = take_ports(document, ports)
    wishes = wishes_from((show / SETTINGS_FILE).read_text(encoding="utf-8"))
    evidence = gather_evidence(show, document, ask_devices=ask_devices)
    if changes:
        _, then, difference = what_if(document, wishes, changes, keep=not repatch, evidence=evidence)
        _say(then, difference, folder="", as_json=as_json, heading=", ".join(changes))
        return
    plan = make_plan(document, wishes, keep=not repatch, evidence=evidence)
    if apply_patch:
        _require_unrecorded(show, present, plan, confirmed=confirmed)
    folder, found = "", None
    if not no_sheets:
        papers = ("a4", "letter") if paper == "both" else (paper,)
        written = write_plan(show, plan, today=date.today(), papers=papers, against=compare)
        found = written.difference
        folder = str(written.folder) if written.new else f"{written.folder} (the plan is the same as before)"
    if apply_patch:
        save_show(show, plan.patched)
    _say(plan, found, folder=folder, as_json=as_json)
    if apply_patch and not as_json:
        click.echo("The patch stands in the show's input list.")


def _require_unrecorded(show: Path, present: Show, plan: Plan, *, confirmed: bool) -> None:
    """A take knows its own lines; but the desk may still be patched as it was recorded."""
    from nightreel.errors import ConfirmationMissing
    from nightreel.take.find import list_takes

    takes = list_takes(show)
    after = plan.allocation.sends
    moved = [x.number for x in present.lines if x.send is not None and after.get(x.number) != x.send]
    if takes and moved and not confirmed:
        raise ConfirmationMissing(
            f"{len(takes)} take(s) were recorded already, and this plan moves {len(moved)} lines to other ports",
            where=str(show),
            now="The takes stay as they are and play back by their own line map; add --yes to move the lines",
        )


def _say(plan: Plan, difference: Difference | None, *, folder: str, as_json: bool, heading: str = "") -> None:
    from nightreel.advance.difference import difference_dict, difference_screen
    from nightreel.advance.record import plan_dict, version_of
    from nightreel.advance.verdict import screen

    if as_json:
        body = {"version": version_of(plan), "sheets": folder, **plan_dict(plan)}
        if difference is not None:
            body["difference"] = difference_dict(difference)
        click.echo(json.dumps(body, ensure_ascii=False))
        return
    if heading:
        click.echo(f"What if {heading}\n")
    if difference is not None and heading:
        click.echo(difference_screen(difference))
        click.echo()
    click.echo(screen(plan, folder=folder))
    if difference is not None and not heading and not difference.empty:
        click.echo("\nAgainst the plan before:")
        click.echo(difference_screen(difference))
