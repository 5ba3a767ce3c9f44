"""``nightreel devices``: the sound devices of this machine, and what each can do."""

from __future__ import annotations

import json

import click

from nightreel.units import format_rate

NONE_HERE = """\
This machine has no sound device that Nightreel can reach.

  - A USB interface or desk: connect it, install its driver, run this again.
  - JACK: start the server, then run this again.
  - Network audio (AES67) needs no sound device: see docs/capture.md.
  - To try things out without hardware: nightreel demo"""


@click.command(short_help="list the sound devices of this machine")
@click.option("--json", "as_json", is_flag=True, help="Print the same as JSON.")
def command(as_json: bool) -> None:
    """List the sound devices of this machine: sends come from the desk, returns go to it."""
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
