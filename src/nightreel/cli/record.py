"""``nightreel record``: start a take, or look at the running one. Leaving the view never stops anything."""

from __future__ import annotations

import json
import shutil
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from nightreel.capture import Launched, RecordRequest
    from nightreel.control import Client

REFRESH_S = 0.25


@click.command(short_help="record a take; --status shows the running one")
@click.argument("show", type=click.Path(path_type=Path))
@click.option(
    "--from",
    "source",
    default="",
    help="Where the audio comes from: device:NAME, jack:NAME, aes67:SDP-FOLDER[@CARD,CARD], "
    "files:FOLDER, stage:demo. Default: the device of the show's link.",
)
@click.option("--name", default="evening", show_default=True, help="What the take is called, after the date.")
@click.option("--mirror", "mirrors", multiple=True, help="A folder on another disk for a second copy; may be repeated.")
@click.option("--length", default="", help="How long it will be (2h30m), to be checked against the free space.")
@click.option("--link", default="", help="Whose sends the source delivers, where the patch uses several links.")
@click.option("--encoding", default="", help="pcm16, pcm24, pcm32 or float32. Default: as the show says.")
@click.option("--arm", is_flag=True, help="Keep the last seconds ready; a second `record` (or --go) then writes them.")
@click.option("--go", is_flag=True, help="Start the armed recorder; the seconds before are included.")
@click.option("--pre-roll", "preroll_s", default=30.0, show_default=True, help="Seconds kept while armed.")
@click.option("--ring", "ring_s", default=20.0, show_default=True, help="Seconds a disk may stall without loss.")
@click.option("--checkpoint", "checkpoint_s", default=1.0, show_default=True, help="Seconds between checkpoints.")
@click.option("--segment", default="", help="Begin new files after so long (1h); the samples go on without a break.")
@click.option("--reserve", default=200.0, show_default=True, help="MB left free on a disk while another one goes on.")
@click.option("--polyphonic", is_flag=True, help="One file of all lines instead of one file a line.")
@click.option("--measure/--no-measure", "measured", default=True, help="Measure levels meanwhile (default) or later.")
@click.option("--status", is_flag=True, help="Show the running take.")
@click.option("--plain", is_flag=True, help="No full-screen view: say it once and leave.")
@click.option("--json", "as_json", is_flag=True, help="Say it once, as JSON.")
def command(show: Path, status: bool, plain: bool, as_json: bool, go: bool, length: str, **wishes: Any) -> None:
    """Record every patched line of SHOW into a new take folder.

    The recorder runs by itself: closing this terminal, Ctrl-C or a second recorder do not stop it. It stops with
    `nightreel stop SHOW --confirm TAKE-NAME`. `nightreel mark SHOW` marks a moment, `nightreel record SHOW --status`
    shows how it goes.
    """
    from nightreel.capture.launch import launch
    from nightreel.control import Client, socket_path
    from nightreel.errors import RecorderGone

    if not status:
        running = _running(show)
        if running is None and not go:
            _warn_of_returns(show)
            launched = launch(_request(show, length=length, **wishes))
            _say_launched(launched, as_json=as_json)
        elif running is None:
            raise RecorderGone("no recorder is armed for this show", where=str(show), now="Arm one with --arm")
        elif running["state"] == "armed":
            with Client(socket_path(show)) as client:
                client.ask("start")
        else:
            _refuse_second(running, show)
    with Client(socket_path(show)) as client:
        if as_json:
            click.echo(json.dumps(client.ask("status"), ensure_ascii=False, indent=1))
        elif plain or not sys.stdout.isatty():
            from nightreel.capture.screen import plain_text

            click.echo(plain_text(client.ask("status")))
        else:
            watch(client, show)


def watch(client: Client, show: Path) -> None:
    """Full screen until a key or Ctrl-C; the terminal is put back whatever happens."""
    from nightreel.capture.screen import screen
    from nightreel.cli.keypress import watched_keys
    from nightreel.errors import RecorderGone

    said = ""
    sys.stdout.write("\x1b[?1049h\x1b[?25l")
    try:
        with watched_keys() as keys:
            while True:
                current = client.ask("status")
                size = shutil.get_terminal_size((100, 24))
                rows = screen(current, height=size.lines)
                sys.stdout.write("\x1b[H" + "\n".join(row[: size.columns] + "\x1b[K" for row in rows) + "\x1b[J")
                sys.stdout.flush()
                key = keys.pressed()
                if key == "m":
                    client.ask("mark", source="keyboard")
                if key in ("q", "\x03"):
                    said = f"The recording goes on. Watch it again: nightreel record {show} --status"
                    return
                if current["state"] == "closed":
                    said = f"Closed: {current['take']}"
                    return
                time.sleep(REFRESH_S)
    except RecorderGone:
        said = "The recorder has ended."
    finally:
        sys.stdout.write("\x1b[?25h\x1b[?1049l")
        sys.stdout.flush()
        if said:
            click.echo(said)


def _running(show: Path) -> dict[str, Any] | None:
    from nightreel.control import Client, socket_path
    from nightreel.errors import RecorderGone

    if not show.is_dir():
        return None
    try:
        with Client(socket_path(show)) as client:
            return client.ask("hello")
    except RecorderGone:
        return None


def _refuse_second(running: dict[str, Any], show: Path) -> None:
    from nightreel.errors import RecorderBusy

    raise RecorderBusy(
        f"Still recording: the take {running['take']} is {running['state']} already (process {running['pid']})",
        where=str(show),
        now=f"Watch it with `nightreel record {show} --status`",
    )


def _request(
    show: Path,
    *,
    source: str,
    length: str,
    segment: str,
    reserve: float,
    arm: bool,
    mirrors: tuple[str, ...],
    **rest: Any,
) -> RecordRequest:
    from nightreel.capture import RecordRequest
    from nightreel.units import parse_length_s

    return RecordRequest(
        show=str(show),
        source=source or source_of_show(show, rest["link"]),
        mirrors=tuple(str(Path(m).absolute()) for m in mirrors),
        length_s=parse_length_s(length) if length else None,
        segment_s=parse_length_s(segment) if segment else None,
        reserve_bytes=round(reserve * 1e6),
        armed=arm,
        **rest,
    )


def source_of_show(show: Path, link_name: str) -> str:
    """The device that show.toml names for the link."""
    from nightreel.errors import ArgumentInvalid
    from nightreel.show.files import load_show

    loaded = load_show(show)
    used = {line.send.link for line in loaded.recorded_lines if line.send is not None}
    links = [link for link in loaded.links if link.device and (link.name == link_name or link.name in used)]
    if len(links) == 1 or (link_name and links):
        device = links[0].device
        return device if ":" in device else f"device:{device}"
    raise ArgumentInvalid(
        "no source is named, and the show's link has no device",
        where=str(show),
        now="Say --from device:NAME (`nightreel devices` lists them), jack:NAME, aes67:SDP-FOLDER, files:FOLDER "
        "or stage:demo",
    )


def _warn_of_returns(show: Path) -> None:
    """A desk that still listens to last night's take would be recorded instead of tonight's stage."""
    from nightreel.errors import TakeDamaged
    from nightreel.soundcheck.back_to_live import read_open

    try:
        opened = read_open(show)
    except TakeDamaged as error:  # no reason not to record
        click.echo(f"Note: {error}", err=True)
        return
    if opened is not None:
        click.echo(f"{opened.banner}.", err=True)
        click.echo("Recording all the same. Prove it: nightreel soundcheck SHOW --back-to-live", err=True)


def _say_launched(launched: Launched, *, as_json: bool) -> None:
    for warning in launched.warnings:
        click.echo(f"Note: {warning}", err=True)
    if not as_json:
        click.echo(f"{launched.state.capitalize()}: {launched.take} in {launched.folder}")
