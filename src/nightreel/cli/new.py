"""``nightreel new``: start a show folder."""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nightreel.errors import ArgumentInvalid
from nightreel.units import RATES_HZ, Encoding, format_rate, parse_length_s

if TYPE_CHECKING:
    from nightreel.show.model import Link

_LINK = re.compile(r"(?P<name>[^=:]+)=(?P<kind>[^:]+):(?P<ways>[^:]+)(?::(?P<device>.+))?")
_WAYS = re.compile(r"(?P<sends>\d{1,5})x(?P<returns>\d{1,5})(?:@(?P<rate>\d+))?")


def read_link(text: str, rate_hz: int) -> Link:
    """``desk=madi:64x64@48000,32x32@96000:card 1``; a capacity without a rate is for the show's.

    Raises ArgumentInvalid.
    """
    from nightreel.show.model import Capacity, Link, LinkKind

    match = _LINK.fullmatch(text.strip())
    ways = [_WAYS.fullmatch(part.strip()) for part in match["ways"].split(",")] if match else []
    if match is None or None in ways:
        raise ArgumentInvalid(
            f"'{text}' does not describe a link",
            where="--link",
            now="Write NAME=KIND:SENDSxRETURNS, such as desk=usb:32x32 or desk=madi:64x64@48000,32x32@96000",
        )
    if match["kind"] not in list(LinkKind):
        raise ArgumentInvalid(
            f"'{match['kind']}' is not a kind of link", where="--link", now=f"Kinds: {', '.join(LinkKind)}"
        )
    capacity = {
        int(way["rate"] or rate_hz): Capacity(sends=int(way["sends"]), returns=int(way["returns"]))
        for way in ways
        if way is not None
    }
    wrong = [rate for rate in capacity if rate not in RATES_HZ]
    if wrong:
        raise ArgumentInvalid(
            f"{wrong[0]} Hz is no sample rate we know", where="--link", now=f"Rates: {', '.join(map(str, RATES_HZ))}"
        )
    return Link(
        name=match["name"].strip(), kind=LinkKind(match["kind"]), capacity=capacity, device=match["device"] or ""
    )


@click.command(short_help="start a show folder")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", help="What the show is called; the folder's name unless given.")
@click.option("--date", type=click.DateTime(["%Y-%m-%d"]), help="Day of the show, 2026-11-28.")
@click.option("--place", default="", help="Where it is.")
@click.option("--tour", default="", help="The tour it belongs to.")
@click.option("--rate", "rate_hz", type=int, default=48_000, show_default=True, help="Sample rate in Hz.")
@click.option(
    "--encoding", type=click.Choice([e.value for e in Encoding]), default="pcm24", show_default=True,
    help="How samples are stored.",
)  # fmt: skip
@click.option("--length", help="How long the show is expected to be, 1h45m.")
@click.option("--link", "links", multiple=True, help="A link: NAME=KIND:SENDSxRETURNS, such as desk=usb:32x32.")
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
def command(
    folder: Path,
    name: str | None,
    date: datetime | None,
    place: str,
    tour: str,
    rate_hz: int,
    encoding: str,
    length: str | None,
    links: tuple[str, ...],
    as_json: bool,
) -> None:
    """Start a show in FOLDER: show.toml for the settings, inputs.csv for the lines. Nothing is ever overwritten."""
    from nightreel.show.files import create_show

    show = create_show(
        folder,
        name=name or folder.resolve().name,
        date=date.date() if date else None,
        place=place,
        tour=tour,
        rate_hz=rate_hz,
        encoding=Encoding(encoding),
        links=[read_link(text, rate_hz) for text in links],
        expected_length_s=parse_length_s(length) if length else None,
    )
    if as_json:
        facts = {"folder": str(folder), "name": show.name, "rate_hz": show.rate_hz, "encoding": show.encoding.value}
        click.echo(json.dumps({**facts, "links": [link.name for link in show.links]}, ensure_ascii=False))
        return
    click.echo(f"Started '{show.name}' in {folder}, {format_rate(show.rate_hz)}, {show.encoding.value}.")
    click.echo("Next: fill in inputs.csv with any spreadsheet, or bring a list in:")
    click.echo(f"  nightreel import LIST.xlsx {folder}")
