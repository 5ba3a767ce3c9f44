"""``nightreel mark``: name this moment of the running take."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command(short_help="mark this moment of the running take")
@click.argument("show", type=click.Path(path_type=Path))
@click.argument("name", default="")
@click.option("--next-song", type=click.IntRange(1), help="Let this number of the set list be the next song; no mark.")
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def command(show: Path, name: str, next_song: int | None, as_json: bool) -> None:
    """Mark this moment of the running take of SHOW.

    Without NAME the next song of the set list begins here. A title of the set list moves the set list to that song;
    any other name is a mark that ends the running song. When this returns, the mark is on disk.
    """
    from nightreel.control import Client, socket_path
    from nightreel.units import format_time

    with Client(socket_path(show)) as client:
        if next_song is not None:
            result = client.ask("song", next=next_song)
            words = f"Next song: {result['next'] or 'none, the set list is at its end'}"
        else:
            result = client.ask("mark", name=name)
            words = f"Marked at {format_time(result['seconds'])}: {result['mark']['name']}"
    click.echo(json.dumps(result, ensure_ascii=False) if as_json else words)
