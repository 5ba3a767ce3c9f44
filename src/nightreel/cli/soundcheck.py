"""``nightreel soundcheck``: play a take back through its returns."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightreel.errors import ArgumentInvalid, ConfirmationMissing, DeviceTrouble, RequestError

if TYPE_CHECKING:
    from nightreel.show.model import Show
    from nightreel.soundcheck import Drive, Player, ReturnPlan
    from nightreel.soundcheck.session import Section
    from nightreel.take import Take, TakeFacts

KEYS = "space: stop or go on   n: next song   p: back   l: loop on or off   +/-: level   q: quit"


@click.command(short_help="play a take back through its returns")
@click.argument("show_folder", metavar="SHOW", type=click.Path(path_type=Path))
@click.argument("take_name", metavar="TAKE", default="last")
@click.option("--through", help="Where to play: device:NAME, jack:CLIENT, stage (simulated), or files:FOLDER.")
@click.option("--song", default="", help="A song of the take, by number or name.")
@click.option("--mark", default="", help="Play from this mark on.")
@click.option("--span", default="", help="A span of the take, such as 12:30-14:05.")
@click.option("--loop", "loop_on", is_flag=True, help="Loop what is played.")
@click.option("--live", default="", help="Lines or groups that stay live: 1-4,drums.")
@click.option("--return", "returned", default="", help="Lines or groups to play from the take.")
@click.option("--silent", default="", help="Lines or groups that are neither played nor live.")
@click.option("--start-level", "start_db", type=float, default=-30.0, show_default=True, help="dB against the take.")
@click.option("--level", "level_db", type=float, default=0.0, show_default=True, help="dB against the take, at most 0.")
@click.option("--rise", "rise_s", type=float, default=5.0, show_default=True, help="Seconds from start to level.")
@click.option("--plan-only", is_flag=True, help="Print the plan and write the sheets; play nothing.")
@click.option("--confirm-muted", is_flag=True, help="State that in-ear transmitters are muted and the stage is warned.")
@click.option("--json", "as_json", is_flag=True, help="Print the plan, and afterwards the outcome, as JSON.")
def command(
    show_folder: Path,
    take_name: str,
    through: str | None,
    song: str,
    mark: str,
    span: str,
    loop_on: bool,
    live: str,
    returned: str,
    silent: str,
    start_db: float,
    level_db: float,
    rise_s: float,
    plan_only: bool,
    confirm_muted: bool,
    as_json: bool,
) -> None:
    """Play TAKE of SHOW through the returns its lines are patched to, so that the desk can be set without the band.

    Roles decide which lines are returned and which stay live; --live, --return and --silent change that. Two sheets
    are written into the show's folder sheets/: what to switch, and how to get back. Playback starts 30 dB low.
    """
    from nightreel.show.files import load_show
    from nightreel.soundcheck import Wishes, back_sheet, parse_entries, plan_returns, switch_sheet, write_sheets
    from nightreel.soundcheck.session import choose_section, find_dead_lines, missing_lines
    from nightreel.take import find_take, open_take

    show = load_show(show_folder)
    wishes = Wishes(live=parse_entries(live), returned=parse_entries(returned), silent=parse_entries(silent))
    with open_take(find_take(show_folder, take_name)) as take:
        plan = plan_returns(show, take.facts, wishes, dead_lines=find_dead_lines(take))
        section = choose_section(take.facts, song=song, mark=mark, span=span)
        subtitle = f"take {take.facts.name}; playing {section.name}"
        sheets = write_sheets(show_folder, (switch_sheet(show, plan), back_sheet(show, plan)), subtitle)
        notes = (*plan.warnings, *missing_lines(take, plan))
        if not as_json:
            _print_plan(plan, section, notes, sheets, take.facts)
        if plan_only:
            if as_json:
                click.echo(json.dumps(_plan_json(plan, section, notes, sheets), ensure_ascii=False))
            return
        if through is None:
            raise ArgumentInvalid("where to play was not said", now="Add --through device:NAME, or --plan-only")
        _require_consent(through, confirm_muted)
        if take.rate_hz != show.rate_hz and not through.startswith("files:"):
            raise RequestError(
                f"the take has {take.rate_hz} Hz, the show {show.rate_hz} Hz; nothing is converted unasked",
                now="Set rate_hz in show.toml and the device to the take's rate",
            )
        outcome = _play(
            take, plan, section, through, show, start_db=start_db, level_db=level_db, rise_s=rise_s, loop_on=loop_on
        )
    if as_json:
        click.echo(json.dumps({**_plan_json(plan, section, notes, sheets), "outcome": outcome}, ensure_ascii=False))
    else:
        click.echo(f"\nEnded at {outcome['position']}.")
        if not through.startswith("files:"):
            click.echo("The desk still listens to its returns: follow the sheet soundcheck-back-to-live, and prove")
            click.echo("that every line is live again.")


def _play(
    take: Take,
    plan: ReturnPlan,
    section: Section,
    through: str,
    show: Show,
    *,
    start_db: float,
    level_db: float,
    rise_s: float,
    loop_on: bool,
) -> dict[str, Any]:
    from nightreel.cli.keypress import watched_keys
    from nightreel.cli.through import open_sink
    from nightreel.soundcheck import Drive, Player
    from nightreel.soundcheck.session import find_holes, player_channels
    from nightreel.units import format_position

    returns = max(line.return_port.number for line in plan.returned if line.return_port)
    sink = open_sink(through, show, rate_hz=take.rate_hz, returns=returns, link=plan.link)
    player = Player(
        take,
        player_channels(plan, take.facts, sink_channels=sink.channels),
        sink_channels=sink.channels,
        span=section.span,
        loop=section.span if loop_on else None,
        holes=find_holes(take),
        start_db=start_db,
        target_db=level_db,
        rise_s=rise_s,
    )
    try:
        player.wait_ready()
        sink.start()
        try:
            player.start()
            drive = Drive(player, sink, patient=through.startswith("files:") or through.endswith("@max"))
            with watched_keys() as keys:
                _attend(player, drive, keys, take.facts, section)
            drive.leave()
            status = player.status()
            if not status.trouble:
                sink.flush()
        finally:
            sink.stop()
        if status.trouble:
            raise DeviceTrouble(status.trouble, now="Nothing sounds. Mend it, then start again")
        return {
            "state": str(status.state),
            "position": format_position(status.position, take.rate_hz),
            "starvations": status.starvations,
            "underruns": sink.underruns,
        }
    finally:
        player.close()


def _attend(player: Player, drive: Drive, keys: Any, facts: TakeFacts, section: Section) -> None:
    """Watch keys and the player until one of them ends it."""
    from nightreel.soundcheck import State
    from nightreel.soundcheck.session import neighbour_song
    from nightreel.units import format_position

    terminal = sys.stderr
    shown = 0.0
    if terminal.isatty():
        click.echo(KEYS, err=True)
    while drive.running:
        status = player.status()
        if status.state in (State.ENDED, State.FAILED):
            return
        key = keys.pressed()
        if key in ("q", "\x03"):
            drive.stop_now()
            return
        if key == " ":
            if status.state is State.STOPPED:
                player.start()
            else:
                drive.stop_now()
        elif key in ("n", "p"):
            song = neighbour_song(facts, status.position, 1 if key == "n" else -1)
            if song is not None and song.span.first_frame < section.span.end_frame:
                player.jump(song.span.first_frame)
        elif key == "l":
            player.set_loop(None if status.loop else section.span)
        elif key in ("+", "-"):
            player.set_level(min(0.0, status.level_db + (3.0 if key == "+" else -3.0)))
        elif key:
            drive.stop_now()  # any other key is taken for fright
        if terminal.isatty() and time.monotonic() - shown > 0.25:
            shown = time.monotonic()
            place = format_position(status.position, facts.rate_hz)[:-2]
            looped = "  loop" if status.loop else ""
            click.echo(f"\r{status.state:<22} {place}  {status.level_db:6.1f} dB{looped}   ", err=True, nl=False)
        time.sleep(0.02)


def _require_consent(through: str, confirm_muted: bool) -> None:
    from nightreel.soundcheck.cautions import BEFORE_PLAYING, HEARING

    if through.startswith("files:") or confirm_muted:
        return
    text = " ".join((*BEFORE_PLAYING, HEARING))
    if not sys.stdin.isatty():
        raise ConfirmationMissing(
            f"nobody has confirmed that in-ear transmitters are muted and the stage is warned. {text}",
            now="Then add --confirm-muted",
        )
    for line in (*BEFORE_PLAYING, HEARING):
        click.echo(f"Caution: {line}")
    answer: str = click.prompt("Type 'muted' when that is done", default="", show_default=False)
    if answer.strip() != "muted":
        raise ConfirmationMissing("it was not confirmed; nothing was played")


def _print_plan(
    plan: ReturnPlan, section: Section, notes: tuple[str, ...], sheets: tuple[Path, ...], facts: TakeFacts
) -> None:
    from nightreel.show.model import AtSoundcheck
    from nightreel.units import format_time

    seconds = section.span.frames / facts.rate_hz
    click.echo(f"Take {plan.take}: {section.name}, {format_time(seconds)}, over link '{plan.link}'.")
    for use in AtSoundcheck:
        lines = [line for line in plan.lines if line.use is use]
        if lines:
            names = ", ".join(f"{line.line} {line.name}" for line in lines)
            short = names if len(names) < 240 else names[:236].rsplit(",", 1)[0] + " ..."
            click.echo(f"{use!s:>9} ({len(lines)}): {short}")
    for note in notes:
        click.echo(f"     note: {note}")
    click.echo(f"   sheets: {', '.join(path.name for path in sheets if path.suffix == '.html')} in {sheets[0].parent}")


def _plan_json(plan: ReturnPlan, section: Section, notes: tuple[str, ...], sheets: tuple[Path, ...]) -> dict[str, Any]:
    return {
        "take": plan.take,
        "link": plan.link,
        "section": {"name": section.name, "first_frame": section.span.first_frame, "frames": section.span.frames},
        "lines": [
            {
                "line": line.line,
                "name": line.name,
                "use": str(line.use),
                "why": line.why,
                "return": str(line.return_port or ""),
                "warning": line.warning,
            }
            for line in plan.lines
        ],
        "notes": list(notes),
        "sheets": [str(path) for path in sheets],
    }
