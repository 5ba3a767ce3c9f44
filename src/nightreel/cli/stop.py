"""``nightreel stop``: end the running take, once it is confirmed by its name."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from nightreel.control import Client

PATIENCE_S = 180.0


@click.command(short_help="stop the running take (has to be confirmed)")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--confirm", default="", metavar="TAKE-NAME", help="The name of the take that shall end.")
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def command(show: Path, confirm: str, as_json: bool) -> None:
    """End the running take of SHOW and complete its files. Without --confirm TAKE-NAME nothing is stopped."""
    from nightreel.control import Client, socket_path
    from nightreel.units import format_time

    with Client(socket_path(show)) as client:
        client.ask("stop", confirm=confirm)
        last = _wait(client)
    if as_json:
        click.echo(json.dumps(last, ensure_ascii=False, indent=1))
        return
    click.echo(f"Stopped: {last['take']}, {format_time(last['seconds'])}")
    for place in last["destinations"]:
        trouble = f": {place['trouble']}" if place["trouble"] else ""
        holes = f", {place['hole_frames']} frames missing here" if place["hole_frames"] else ""
        click.echo(f"  {place['name']:<9} {place['state']}{trouble}{holes}  {place['folder']}")
    gaps = last["gaps"]
    click.echo(
        f"  missing   {gaps['frames']} frames in {gaps['count']} gaps" if gaps["count"] else "  missing   nothing"
    )


def _wait(client: Client) -> dict[str, Any]:
    """The last status before the recorder ends."""
    from nightreel.errors import FailureError, RecorderGone

    give_up_s = time.monotonic() + PATIENCE_S
    last: dict[str, Any] = client.ask("status")
    while last["state"] != "closed":
        if time.monotonic() > give_up_s:
            raise FailureError("the recorder is still closing the take", where=last["take"], now="Look again: --status")
        time.sleep(0.05)
        try:
            last = client.ask("status")
        except RecorderGone:
            break
    return last
