"""``nightreel recover``: make a take whole after a crash or a power cut."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from nightreel.capture.recover import Recovery


@click.command(short_help="make a take whole after a crash or a power cut")
@click.argument("show", type=click.Path(path_type=Path))
@click.argument("take", default="last")
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def command(show: Path, take: str, as_json: bool) -> None:
    """Recover TAKE (a name, or 'last') of SHOW, and its mirrors where they are within reach.

    SHOW may also be a take folder itself. Every file is extended to its last whole frame, all lines get one length,
    and what is missing is listed. It may be interrupted and run again; nothing that was recorded is cut.
    """
    from nightreel.capture.recover import recover
    from nightreel.errors import NightreelError
    from nightreel.take import FACTS_NAME, find_take

    folder = show if (show / FACTS_NAME).is_file() else find_take(_require_show(show), take)
    _refuse_running(show, folder)
    results = [recover(folder)]
    notes = []
    for other in results[0].other_places:
        try:
            results.append(recover(other))
        except NightreelError as error:
            notes.append(f"mirror: {error}")
    if as_json:
        click.echo(json.dumps({"takes": [_as_dict(r) for r in results], "notes": notes}, ensure_ascii=False, indent=1))
        return
    for result in results:
        click.echo(_words(result))
    for note in notes:
        click.echo(note)


def _require_show(show: Path) -> Path:
    from nightreel.errors import ShowMissing

    if not show.is_dir():
        raise ShowMissing("there is no such folder", where=str(show), now="Name the show's folder")
    return show


def _refuse_running(show: Path, folder: Path) -> None:
    """A take that is being written needs no recovery, and must not get one."""
    from nightreel.control import Client, socket_path
    from nightreel.errors import RecorderBusy, RecorderGone

    home = folder.parent.parent if (show / "take.json").is_file() else show
    try:
        with Client(socket_path(home)) as client:
            running = client.ask("hello")
    except RecorderGone:
        return
    if running["take"] == folder.name:
        raise RecorderBusy(
            "Still recording: this take is being written right now", where=str(folder), now="Stop it first"
        )


def _words(result: Recovery) -> str:
    from nightreel.units import format_position

    rows = [f"{result.folder}: {format_position(result.frames, result.rate_hz)} of every line"]
    if not result.changed:
        rows.append("  it was whole already; nothing has been changed")
    else:
        unsure = result.frames - result.confirmed_frames
        rows.append(
            f"  the last {unsure / result.rate_hz:.2f} s came after the last checkpoint: sound after a crash of the "
            "recorder, to be listened to after a power cut"
            if unsure
            else "  all of it was confirmed by the disk"
        )
    for line, frames in result.filled_frames.items():
        rows.append(f"  line {line} got {frames / result.rate_hz:.3f} s less than the others: silence, listed as a gap")
    missing = sum(gap.frames for gap in result.gaps)
    rows.append(f"  gaps: {len(result.gaps)}, {missing} frames" if result.gaps else "  gaps: none")
    if result.journal_bad_lines:
        rows.append(f"  the journal has {result.journal_bad_lines} damaged lines, which were passed over")
    rows += [f"  not mended: {problem}" for problem in result.problems]
    return "\n".join(rows)


def _as_dict(result: Recovery) -> dict[str, Any]:
    from nightreel.take.facts import gap_json

    return {
        "folder": str(result.folder),
        "take": result.name,
        "frames": result.frames,
        "rate_hz": result.rate_hz,
        "confirmed_frames": result.confirmed_frames,
        "filled_frames": result.filled_frames,
        "gaps": [gap_json(gap) for gap in result.gaps],
        "problems": list(result.problems),
        "changed": result.changed,
        "journal_bad_lines": result.journal_bad_lines,
    }
