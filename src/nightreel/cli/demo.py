"""``nightreel demo``: one invented night from end to end, by the same commands an engineer types."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import textwrap
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightreel.errors import AlreadyThere, ProofFailed

if TYPE_CHECKING:
    from nightreel.demo.night import DemoNight
    from nightreel.demo.verdict import Verdict

SPEED = 4.0
BEFORE_END_S = 1.0  # the engineer stops a moment before the last sound has faded
TAKE_PATIENCE_S = 600.0


@click.command(short_help="run one invented night from end to end")
@click.argument("folder", type=click.Path(path_type=Path), default="demo-show")
@click.option("--seed", default=1, show_default=True, help="Another seed, another performance.")
@click.option("--scale", default=0.6, show_default=True, help="Length of the night; 1 is about 105 seconds of music.")
@click.option("--speed", default=SPEED, show_default=True, help="How much faster than real time the band plays.")
@click.option("--again", is_flag=True, help="Remove an earlier demo show of this name first.")
def command(folder: Path, seed: int, scale: float, speed: float, again: bool) -> None:
    """Play one night of the Saltmarsh Lanterns through every part of Nightreel, without hardware.

    The night has planted troubles. At the end, what was planted is compared with what was found; the exit status is 1
    when one was missed. The show FOLDER stays, to be explored with every other command.
    """
    from nightreel.demo.stage import RECIPE_NAME, start_show

    if again and (folder / RECIPE_NAME).is_file():
        shutil.rmtree(folder)
    if folder.exists():
        raise AlreadyThere("this folder is there already", where=str(folder), now="Give another name, or --again")
    night = start_show(folder, seed=seed, scale=scale)
    click.echo(f"{night.show.tour}: {night.show.name}. 32 lines, {len(night.songs)} songs, six planted troubles.")

    _title("1  Advance: what is needed, and does it fit?")
    _nightreel("advance", folder)
    _title("2  Line check: prove every path, before doors")
    _nightreel("line-check", folder, "--through", f"demo:{folder}@max", "--confirm-muted", allowed=(0, 1))
    _title("3  Show: record, with a mark as each song begins")
    take = _record(folder, night, speed)
    _title("4  Review: what is wrong with the take, and what to do about it")
    _nightreel("review", folder)
    _title("5  Soundcheck: tomorrow, the second song back through the desk")
    _nightreel("soundcheck", folder, "--song", 2, "--through", f"demo:{folder}@max", "--confirm-muted")
    click.echo("\nThe desk is switched back to the stage, and that is proven:\n")
    _nightreel("soundcheck", folder, "--back-to-live", "--through", f"demo-live:{folder}@max")
    _title("6  Handover: songs split, tagged, mixed for listening, packaged, copied and read back")
    (folder / "handovers").mkdir()
    _nightreel("handover", folder, "--songs", "--mix", "--to", folder / "handovers")
    _title("7  What was planted, and what was found")
    verdict = _judge(folder, night, take)
    _say_verdict(verdict, folder, take)
    if not verdict.passed:
        raise ProofFailed(f"{len(verdict.missed)} planted troubles were missed, {len(verdict.alarms)} false alarms")


def _title(words: str) -> None:
    click.echo(f"\n{words}\n{'-' * len(words)}")


def _nightreel(*words: object, allowed: tuple[int, ...] = (0,)) -> None:
    """Type a command: show it, run it, show what it says."""
    told = [str(word) for word in words]
    click.echo(f"$ nightreel {' '.join(told)}\n")
    done = subprocess.run([sys.executable, "-m", "nightreel", *told], capture_output=True, text=True, check=False)
    click.echo(textwrap.indent((done.stdout + done.stderr).rstrip(), "    "))
    if done.returncode not in allowed:
        raise ProofFailed(f"nightreel {told[0]} ended with exit status {done.returncode}", now="See what it said above")


def _record(folder: Path, night: DemoNight, speed: float) -> str:
    """Record the whole night; press the mark as each song begins and when it ends. Returns the take's name."""
    from nightreel.control import Client, socket_path

    _nightreel("record", folder, "--from", f"stage:demo@{speed:g}", "--plain")
    moments = [(song.span.first_frame, "", song.name) for song in night.songs]
    moments += [(song.span.end_frame, "applause", "") for song in night.songs]
    last_frame = night.frames - round(BEFORE_END_S * night.rate_hz)
    with Client(socket_path(folder)) as client:
        take = str(client.ask("status")["take"])
        for frame, name, title in sorted(moments):
            _wait_for(client, min(frame, last_frame))
            if frame < last_frame:
                marked = client.ask("mark", name=name)
                if title:
                    click.echo(f"    marked at {marked['seconds']:5.1f} s: {marked['mark']['name']}")
        _wait_for(client, last_frame)
    click.echo()
    _nightreel("stop", folder, "--confirm", take)
    return take


def _wait_for(client: Any, frame: int) -> None:
    give_up_s = time.monotonic() + TAKE_PATIENCE_S
    while client.ask("status")["frames"] < frame:
        if time.monotonic() > give_up_s:
            raise ProofFailed("the recorder does not get on", now="Look at recorder.log in the take's folder")
        time.sleep(0.01)


def _judge(folder: Path, night: DemoNight, take: str) -> Verdict:
    from nightreel.demo.verdict import judge
    from nightreel.take import find_take

    checks = sorted((folder / "proofs").glob("*.json"))
    review = find_take(folder, take) / "review.json"
    return judge(
        night.truth,
        night.traps,
        line_check=json.loads(checks[-1].read_text()),
        review=json.loads(review.read_text()),
    )


def _say_verdict(verdict: Verdict, folder: Path, take: str) -> None:
    for one in verdict.found:
        where = " and ".join(
            name for name, told in (("line check", one.by_line_check), ("review", one.by_review)) if told
        )
        click.echo(
            f"  {'found ' if one.anywhere else 'MISSED'}  {one.planted.text}" + (f"  ({where})" if where else "")
        )
    for alarm in verdict.alarms:
        click.echo(f"  FALSE ALARM  {alarm}")
    found = sum(one.anywhere for one in verdict.found)
    click.echo(f"\n{found} of {len(verdict.found)} planted troubles found, {len(verdict.alarms)} false alarms.")
    click.echo(f"Explore: {folder}/takes/{take}/review.html, {folder}/sheets/, {folder}/handovers/")
