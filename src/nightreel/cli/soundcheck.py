"""``nightreel soundcheck``: play a take back through its returns, command the player, come back to live."""

from __future__ import annotations

import json
import sys
import textwrap
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightreel.errors import ArgumentInvalid, ConfirmationMissing, ProofFailed

if TYPE_CHECKING:
    from nightreel.ports.protocols import Duplex
    from nightreel.show.model import Show
    from nightreel.soundcheck import ReturnPlan
    from nightreel.soundcheck.back_to_live import Live, Open
    from nightreel.soundcheck.levels import Trim
    from nightreel.soundcheck.session import Section
    from nightreel.take import Take


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """The options as they came."""

    show_folder: Path
    take_name: str
    through: str | None
    song: str
    mark: str
    span: str
    loop_on: bool
    live: str
    returned: str
    silent: str
    start_db: float
    level_db: float
    rise_s: float
    tempo: float
    beats: int
    apply_trims: bool
    convert: bool
    plan_only: bool
    confirm_muted: bool
    announce: bool
    as_json: bool


@click.command(short_help="play a take back through its returns")
@click.argument("show_folder", metavar="SHOW", type=click.Path(path_type=Path))
@click.argument("take_name", metavar="TAKE", default="last")
@click.option("--through", help="Where to play: device:NAME, jack:CLIENT, aes67:SENDS+RETURNS, stage, or files:FOLDER.")
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
@click.option("--tempo", type=float, default=0.0, help="Beats a minute, for jumps at the next bar.")
@click.option("--beats", type=click.IntRange(1, 32), default=4, show_default=True, help="Beats in a bar.")
@click.option("--apply-trims", is_flag=True, help="Apply the trims shown, from that night's preamps to now.")
@click.option("--convert", is_flag=True, help="Convert a take of another rate to the show's while it plays.")
@click.option("--plan-only", is_flag=True, help="Print the plan and write the sheets; play nothing.")
@click.option("--confirm-muted", is_flag=True, help="State that in-ear transmitters are muted and the stage is warned.")
@click.option("--announce", is_flag=True, help="Announce the return flows on the network while playing (SAP).")
@click.option("--tell", default="", help="Tell the running player: stop, go, next, 'jump 12:30 at mark', status, ...")
@click.option("--back-to-live", is_flag=True, help="Prove that no send carries a return any more (needs --through).")
@click.option("--by-take", is_flag=True, help="With --back-to-live: seconds of the take 40 dB down instead of noise.")
@click.option("--waive", default="", help="Take the banner down without proof; say why.")
@click.option("--json", "as_json", is_flag=True, help="Print plan and outcome as JSON.")
def command(tell: str, back_to_live: bool, by_take: bool, waive: str, **options: Any) -> None:
    """Play TAKE of SHOW through the returns its lines are patched to, so that the desk can be set without the band.

    Roles decide which lines are returned and which stay live; --live, --return and --silent change that. Two sheets
    are written into the show's folder sheets/: what to switch, and how to get back. Playback starts 30 dB low.
    Any key that means nothing else stops it within 20 ms. The player goes on when a client of it is closed.
    """
    wanted = Wanted(**options)
    if tell:
        _tell(wanted, tell)
    elif waive:
        _waive(wanted, waive)
    elif back_to_live:
        _prove_live(wanted, by_take=by_take)
    else:
        _soundcheck(wanted)


def _soundcheck(wanted: Wanted) -> None:
    from nightreel.show.files import load_show
    from nightreel.soundcheck import Wishes, back_sheet, parse_entries, plan_returns, switch_sheet, write_sheets
    from nightreel.soundcheck.levels import propose_trims, trims_table
    from nightreel.soundcheck.session import choose_section, find_dead_lines, find_peaks, missing_lines
    from nightreel.take import find_take, open_take

    show = load_show(wanted.show_folder)
    _print_banner(wanted)
    wishes = Wishes(
        live=parse_entries(wanted.live), returned=parse_entries(wanted.returned), silent=parse_entries(wanted.silent)
    )
    with open_take(find_take(wanted.show_folder, wanted.take_name)) as take:
        plan = plan_returns(show, take.facts, wishes, dead_lines=find_dead_lines(take))
        section = choose_section(take.facts, song=wanted.song, mark=wanted.mark, span=wanted.span)
        subtitle = f"take {take.facts.name}; playing {section.name}"
        sheets = write_sheets(wanted.show_folder, (switch_sheet(show, plan), back_sheet(show, plan)), subtitle)
        trims = propose_trims(show, take.facts, plan, peaks_dbtp=find_peaks(take))
        notes = (*plan.warnings, *missing_lines(take, plan))
        if not wanted.as_json:
            _print_plan(plan, section, notes, sheets, take.rate_hz)
            levels = trims_table(trims, applied=wanted.apply_trims)
            click.echo(levels, nl=bool(levels))
        outcome: dict[str, Any] | None = None
        if not wanted.plan_only:
            outcome = _play(wanted, show, take, plan, section, trims)
    if wanted.as_json:
        fields = _plan_json(plan, section, notes, sheets, trims)
        click.echo(json.dumps(fields | ({"outcome": outcome} if outcome else {}), ensure_ascii=False))
    elif outcome:
        click.echo(f"\nEnded at {outcome['position']}.")
        if "sink" in outcome:
            click.echo(f"Sent: {outcome['sink']['summary']}.")
        _print_banner(wanted)


def _play(
    wanted: Wanted, show: Show, take: Take, plan: ReturnPlan, section: Section, trims: tuple[Trim, ...]
) -> dict[str, Any]:
    from nightreel.cli.network_returns import network_returns
    from nightreel.cli.play_take import play_take
    from nightreel.soundcheck.back_to_live import note_returned, returned_lines

    if wanted.through is None:
        raise ArgumentInvalid("where to play was not said", now="Add --through device:NAME, or --plan-only")
    _require_consent(wanted.through, wanted.confirm_muted)
    sends = {line.number: line.send.number for line in show.lines if line.send}

    def begins() -> None:
        if wanted.through and not wanted.through.startswith("files:"):
            note_returned(wanted.show_folder, plan.take, returned_lines(plan, sends), datetime.now().astimezone())

    with network_returns(wanted.through, show, wanted.show_folder, link=plan.link, announce=wanted.announce):
        return play_take(
            wanted.show_folder,
            show,
            take,
            plan,
            section,
            through=wanted.through,
            trims_db={trim.line: trim.trim_db for trim in trims} if wanted.apply_trims else {},
            start_db=wanted.start_db,
            level_db=wanted.level_db,
            rise_s=wanted.rise_s,
            loop_on=wanted.loop_on,
            convert=wanted.convert,
            bar_s=wanted.beats * 60.0 / wanted.tempo if wanted.tempo > 0 else 0.0,
            begins=begins,
        )


def _tell(wanted: Wanted, words: str) -> None:
    from nightreel.control import Client, socket_path
    from nightreel.errors import RecorderGone
    from nightreel.soundcheck.service import KIND

    verb, _, text = words.strip().partition(" ")
    try:
        client = Client(socket_path(wanted.show_folder, kind=KIND))
    except RecorderGone:
        raise RecorderGone(
            "no player is running for this show", now="Start one: nightreel soundcheck SHOW --through DEVICE"
        ) from None
    with client:
        status = client.ask(verb, text=text)
    if wanted.as_json:
        click.echo(json.dumps(status, ensure_ascii=False))
    else:
        loop = f", loop {status['loop'][0]} to {status['loop'][1]}" if status["loop"] else ""
        song = f" ({status['song']})" if status["song"] else ""
        click.echo(f"{status['state']} at {status['position']}{song}, {status['level_db']:.1f} dB{loop}")


def _waive(wanted: Wanted, reason: str) -> None:
    from nightreel.show.files import load_show
    from nightreel.soundcheck.back_to_live import read_open, waive

    load_show(wanted.show_folder)
    if read_open(wanted.show_folder) is None:
        click.echo("Nothing is open: every line is proven live, or none was returned.")
        return
    waive(wanted.show_folder, reason, datetime.now().astimezone())
    click.echo(f"Waived: {reason}")


def _prove_live(wanted: Wanted, *, by_take: bool) -> None:
    from nightreel.cli.through import open_duplex
    from nightreel.show.files import load_show
    from nightreel.soundcheck.back_to_live import note_live, read_open

    show = load_show(wanted.show_folder)
    opened = read_open(wanted.show_folder)
    if opened is None:
        click.echo(json.dumps({"live": True, "lines": []}) if wanted.as_json else "No line is returned.")
        return
    if wanted.through is None:
        raise ArgumentInvalid("where the desk is was not said", now="Add --through device:NAME or jack:CLIENT")
    if not wanted.as_json:
        what = "Some seconds of the take, 40 dB down," if by_take else "A soft noise at -60 dBFS"
        click.echo(f"{what} will sound on every return for four to six seconds. In-ears stay muted until it ends.")
    sends = max((line.send_number or 0 for line in opened.lines), default=1)
    returns = max(line.return_number for line in opened.lines)
    duplex = open_duplex(wanted.through, show, sends=max(sends, 1), returns=returns)
    duplex.start()
    try:
        ahead_frames = getattr(duplex, "latency_frames", (0, 0, 0))[2]
        live = (_live_by_take if by_take else _live_by_code)(wanted, duplex, opened, ahead_frames)
    finally:
        duplex.stop()
    note_live(wanted.show_folder, live, datetime.now().astimezone())
    if wanted.as_json:
        fields = {
            "live": live.proven,
            "lines": [line.line for line, _ in live.still],
            "unclear": [line.line for line in live.unclear],
            "sentences": live.sentences(),
        }
        click.echo(json.dumps(fields, ensure_ascii=False))
    else:
        click.echo("\n".join(live.sentences()))
    if not live.proven:
        sys.exit(1)


def _live_by_code(wanted: Wanted, duplex: Duplex, opened: Open, ahead_frames: int) -> Live:
    from nightreel.linecheck import Stopped, identify
    from nightreel.soundcheck.back_to_live import CODE_DBFS, judge

    returns = [line.return_number for line in opened.lines]
    outcome = identify(duplex, returns, amplifiers_muted=True, ceiling_dbfs=CODE_DBFS, ahead_frames=ahead_frames)
    if isinstance(outcome, Stopped):
        raise ProofFailed(outcome.reason, now="Find out what grew loud, then prove again")
    return judge(outcome.matrix, opened.lines)


def _live_by_take(wanted: Wanted, duplex: Duplex, opened: Open, ahead_frames: int) -> Live:
    from nightreel.soundcheck.by_take import prove_by_take
    from nightreel.take import find_take, open_take

    with open_take(find_take(wanted.show_folder, opened.take)) as take:
        return prove_by_take(duplex, take, opened.lines, ahead_frames=ahead_frames)


def _print_banner(wanted: Wanted) -> None:
    """Red on a terminal, in capitals everywhere; not a word when all is live."""
    from nightreel.soundcheck.back_to_live import read_open

    opened = read_open(wanted.show_folder)
    if opened is not None and not wanted.as_json:
        click.secho(f"{opened.banner}.", fg="white", bg="red", bold=True, err=True)
        click.echo("Prove it with --back-to-live, or take it down with --waive REASON.", err=True)


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
    plan: ReturnPlan, section: Section, notes: tuple[str, ...], sheets: tuple[Path, ...], rate_hz: int
) -> None:
    from nightreel.show.model import AtSoundcheck
    from nightreel.units import format_time

    click.echo(f"Take {plan.take}: {section.name}, {format_time(section.span.frames / rate_hz)}, link '{plan.link}'.")
    for use in AtSoundcheck:
        lines = [line for line in plan.lines if line.use is use]
        if lines:
            names = ", ".join(f"{line.line} {line.name}" for line in lines)
            head = f"{use!s:>9} ({len(lines)}): "
            click.echo(textwrap.fill(names, 100, initial_indent=head, subsequent_indent=" " * len(head)))
    for note in notes:
        click.echo(f"     note: {note}")
    click.echo(f"   sheets: {', '.join(path.name for path in sheets if path.suffix == '.html')} in {sheets[0].parent}")


def _plan_json(
    plan: ReturnPlan, section: Section, notes: tuple[str, ...], sheets: tuple[Path, ...], trims: tuple[Trim, ...]
) -> dict[str, Any]:
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
        "trims": [
            {"line": trim.line, "trim_db": trim.trim_db, "why": trim.why, "warning": trim.warning} for trim in trims
        ],
        "notes": list(notes),
        "sheets": [str(path) for path in sheets],
    }
