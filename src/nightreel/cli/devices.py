"""``nightreel devices``: the sound devices of this machine, and the streams announced on its networks."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nightreel.errors import AlreadyThere, ArgumentInvalid
from nightreel.units import format_rate

if TYPE_CHECKING:
    from nightreel.ports.aes67.sdp import StreamDescription

NONE_HERE = """\
This machine has no sound device that Nightreel can reach.

  - A USB interface or desk: connect it, install its driver, run this again.
  - JACK: start the server, then run this again.
  - Network audio (AES67) needs no sound device: nightreel devices --listen 30
  - To try things out without hardware: nightreel demo"""


@click.command(short_help="list sound devices, and streams announced on the network")
@click.option(
    "--listen", "listen_s", type=float, default=0.0, help="Hear what is announced on the network, for so many seconds."
)
@click.option("--card", default="", help="The address of the network card to listen on.")
@click.option("--save", type=click.Path(path_type=Path), help="Save what is announced as SDP files in this folder.")
@click.option("--json", "as_json", is_flag=True, help="Print the same as JSON.")
def command(listen_s: float, card: str, save: Path | None, as_json: bool) -> None:
    """List the sound devices of this machine: sends come from the desk, returns go to it.

    With --listen the network is listened to instead, for streams announced by SAP; most senders repeat themselves
    every 30 seconds or less. The saved folder is what `record --from aes67:FOLDER` takes.
    """
    if listen_s > 0:
        _listen(listen_s, card, save, as_json=as_json)
        return
    if save is not None or card:
        raise ArgumentInvalid("--card and --save belong to --listen", now="Add --listen 30")
    from nightreel.ports.devices import list_devices

    devices = list_devices()
    if as_json:
        facts = [
            {
                "name": device.name,
                "driver": device.driver,
                "sends": device.sends,
                "returns": device.returns,
                "default_rate_hz": device.default_rate_hz,
                "rates_hz": list(device.rates_hz),
            }
            for device in devices
        ]
        click.echo(json.dumps({"devices": facts}, ensure_ascii=False))
        return
    if not devices:
        click.echo(NONE_HERE)
        return
    click.echo(f"{'sends':>5} {'returns':>7}  device")
    for device in devices:
        offered = ", ".join(f"{rate_hz / 1000:g}" for rate_hz in device.rates_hz)
        click.echo(f"{device.sends:>5} {device.returns:>7}  {device}")
        click.echo(f"{'':15}{offered} kHz" if offered else f"{'':15}busy, or none of the usual rates")
    click.echo(f"\nName one in full or in part where a device is asked for; {format_rate(48_000)} is the usual rate.")


def _listen(seconds: float, card: str, save: Path | None, *, as_json: bool) -> None:
    import textwrap

    from nightreel.ports.aes67.announce import listen
    from nightreel.ports.aes67.clocks import read_clock_health

    if not as_json:
        click.echo(f"Listening for {seconds:g} s ...", err=True)
    streams = sorted(listen(seconds=seconds, interface=card), key=_by_name)
    files = _save(streams, save) if save is not None else []
    clock = read_clock_health()
    if as_json:
        facts = [
            {
                "name": one.name,
                "encoding": one.encoding,
                "rate_hz": one.rate_hz,
                "channels": one.channels,
                "packet_time_ms": one.packet_time_ms,
                "addresses": [f"{to.address}:{to.port}" for to in one.destinations],
                "reference_clock": one.reference_clock,
                "origin": one.origin,
            }
            for one in streams
        ]
        heard = {"streams": facts, "saved": [str(path) for path in files], "clock": clock.sentence()}
        click.echo(json.dumps(heard, ensure_ascii=False))
        return
    first = 1
    for one in streams:
        places = ", ".join(f"{to.address}:{to.port}" for to in one.destinations)
        click.echo(
            f"{_plain(one.name)[:50]:<50}  {one.channels} ch {one.encoding} {format_rate(one.rate_hz)}, "
            f"{one.packet_time_ms:g} ms"
        )
        click.echo(f"    {places}; sends {first} to {first + one.channels - 1} if all are recorded in this order")
        first += one.channels
    if not streams:
        click.echo("No stream was announced. Listen longer, name the card with --card, or get the desk's SDP files.")
    click.echo(textwrap.fill(clock.sentence(), 98))
    if files:
        click.echo(f"Saved {len(files)} files. Record them: nightreel record SHOW --from aes67:{save}")


def _plain(text: str) -> str:
    """What strangers announce must not steer the terminal."""
    return "".join(ch if ch.isprintable() else "?" for ch in text)


def _by_name(stream: StreamDescription) -> tuple[list[tuple[int, str]], str]:
    from nightreel.ports.aes67.files import natural_order

    return natural_order(Path(stream.name.replace("/", " "))), stream.destinations[0].address


def _save(streams: Sequence[StreamDescription], folder: Path) -> list[Path]:
    """One file a stream; nothing is written where one of that name is there already."""
    from nightreel.disk import make_folder_new, safe_name, write_new_text
    from nightreel.ports.aes67.sdp import serialise

    if not streams:
        return []
    files: dict[Path, str] = {}
    for stream in streams:
        path = folder / safe_name(f"{stream.name}.sdp")
        if path in files:  # two streams of one name
            path = folder / safe_name(f"{stream.name} {stream.destinations[0].address}.sdp")
        files[path] = serialise(stream)
    there = next((path for path in files if path.exists()), None)
    if there is not None:
        raise AlreadyThere("a description of that name is there already", where=str(there), now="Name a new folder")
    if not folder.is_dir():
        make_folder_new(folder)
    for path, text in files.items():
        write_new_text(path, text)
    return list(files)
