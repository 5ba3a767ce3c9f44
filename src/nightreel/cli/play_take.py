"""One process that plays a take: device, player, drive, control socket and keys put together, and taken apart again."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from nightreel.cli.keypress import Keys, watched_keys
from nightreel.cli.through import open_sink
from nightreel.control import Server, socket_path
from nightreel.errors import ArgumentInvalid, DeviceTrouble, RequestError
from nightreel.ports.protocols import FrameSink, HasReport
from nightreel.show.model import Show
from nightreel.soundcheck import Drive, Player, ReturnPlan, State
from nightreel.soundcheck.convert import Converted
from nightreel.soundcheck.service import KIND, PlayerService
from nightreel.soundcheck.session import Section, find_holes, player_channels
from nightreel.take import Take, TakeFacts
from nightreel.units import format_rate

KEYS = "space stop or go on   n next   p previous   l loop   + - level   q quit   anything else stops"
_VERB_OF_KEY = {"n": "next", "p": "previous", "q": "quit", "\x03": "quit"}


def play_take(
    show_folder: Path,
    show: Show,
    take: Take,
    plan: ReturnPlan,
    section: Section,
    *,
    through: str,
    trims_db: Mapping[int, float],
    start_db: float,
    level_db: float,
    rise_s: float,
    loop_on: bool,
    convert: bool,
    bar_s: float,
    begins: Callable[[], None],
) -> dict[str, Any]:
    """Play until the end, a failure, or somebody quits; gives the outcome. Raises DeviceTrouble and PlanImpossible.

    ``begins`` is called once everything is open and the next frame sounds.
    """
    reads: Take | Converted = take
    facts, holes = take.facts, find_holes(take)
    if take.rate_hz != show.rate_hz and not through.startswith("files:"):
        if not convert:
            raise RequestError(
                f"the take has {format_rate(take.rate_hz)}, the show {format_rate(show.rate_hz)}",
                now=f"Set show and device to {format_rate(take.rate_hz)}, or add --convert",
            )
        converted = Converted(take, show.rate_hz)
        facts, section = _converted_facts(facts, converted), replace(section, span=converted.span(section.span))
        holes = {line: tuple(converted.span(span) for span in spans) for line, spans in holes.items()}
        reads = converted
    returns = max(line.return_port.number for line in plan.returned if line.return_port)
    sink = open_sink(through, show, rate_hz=facts.rate_hz, returns=returns, link=plan.link)
    player = Player(
        reads,
        player_channels(plan, facts, sink_channels=sink.channels, trims_db=trims_db),
        sink_channels=sink.channels,
        span=section.span,
        loop=section.span if loop_on else None,
        holes=holes,
        start_db=start_db,
        target_db=level_db,
        rise_s=rise_s,
    )
    try:
        player.wait_ready()
        with _started(sink):
            _say_pace(sink)
            drive = Drive(player, sink, patient=through.startswith("files:") or through.endswith("@max"))
            service = PlayerService(player, drive, facts, section, bar_frames=bar_s * facts.rate_hz)
            server = Server(socket_path(show_folder, kind=KIND), service.handle)
            server.start()
            try:
                begins()
                player.start()
                with watched_keys() as keys:
                    _attend(service, player, drive, keys)
            finally:
                server.stop()
                drive.leave()
            status = service.status()
            if not status["trouble"]:
                sink.flush()
    finally:
        player.close()
    if status["trouble"]:
        raise DeviceTrouble(status["trouble"], now="Nothing sounds. Mend it, then start again")
    sent = {"sink": dict(sink.report())} if isinstance(sink, HasReport) else {}
    return status | {"underruns": sink.underruns} | sent


def _say_pace(sink: FrameSink) -> None:
    """Which clock times what is sent, where that is a choice."""
    if isinstance(sink, HasReport) and (pace := sink.report().get("pace")):
        click.echo(pace, err=True)


@contextlib.contextmanager
def _started(sink: FrameSink) -> Iterator[None]:
    sink.start()
    try:
        yield
    finally:
        sink.stop()


def _converted_facts(facts: TakeFacts, converted: Converted) -> TakeFacts:
    """Marks and length in frames of the rate that is played."""
    marks = tuple(replace(mark, frame=converted.place(mark.frame)) for mark in facts.marks)
    return replace(facts, rate_hz=converted.rate_hz, frames=converted.frames, marks=marks, gaps=())


def _attend(service: PlayerService, player: Player, drive: Drive, keys: Keys) -> None:
    """Watch keys and the player until one of them ends it."""
    shown = 0.0
    if sys.stderr.isatty():
        click.echo(KEYS, err=True)
    while drive.running and not service.quit_wanted:
        if player.status().state in (State.ENDED, State.FAILED):
            return
        key = keys.pressed()
        if key:
            try:
                _obey(key, service, player)
            except ArgumentInvalid as error:
                click.echo(f"\n{error}", err=True)
        if sys.stderr.isatty() and time.monotonic() - shown > 0.25:
            shown = time.monotonic()
            click.echo(f"\r{_one_line(service.status())}", err=True, nl=False)
        time.sleep(0.02)


def _obey(key: str, service: PlayerService, player: Player) -> None:
    status = player.status()
    if key in _VERB_OF_KEY:
        service.tell(_VERB_OF_KEY[key])
    elif key == " " and status.state is State.STOPPED:
        service.tell("go")
    elif key == "l":
        service.tell("loop", "off" if status.loop else "on")
    elif key in "+-":
        service.tell("level", str(min(0.0, status.level_db + (3.0 if key == "+" else -3.0))))
    else:
        service.tell("stop")  # a key pressed in fright


def _one_line(status: Mapping[str, Any]) -> str:
    loop = "  loop" if status["loop"] else ""
    place = f"{status['position'][:-2]}  {status['song'][:30]:<30}"
    return f"{status['state']:<21} {place} {status['level_db']:6.1f} dB{loop} "
