"""``nightreel rehearse``: a timed burn-in of one's own rig with the real recorder, ending in a verdict."""

from __future__ import annotations

import json
import os
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from nightreel.control import Client


@click.command(short_help="burn the recording rig in for a while; ends in a verdict with numbers")
@click.argument("show", type=click.Path(path_type=Path))
@click.option("--from", "source", default="", help="As for `record`. Default: the device of the show's link.")
@click.option("--for", "length", default="10m", show_default=True, help="How long; a set's length tells the most.")
@click.option("--mirror", "mirrors", multiple=True, help="As for `record`.")
@click.option("--link", default="", help="As for `record`.")
@click.option("--ring", "ring_s", default=20.0, show_default=True, help="As for `record`.")
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def command(show: Path, source: str, length: str, mirrors: tuple[str, ...], as_json: bool, **wishes: Any) -> None:
    """Record SHOW for a while exactly as on the night, then read everything back and judge.

    Do it with the device, the disks, the cables and the other programs of the night. The take stays in the show folder
    under the name 'rehearsal' and may be deleted. The exit status is 1 when the rig has not passed.
    """
    from nightreel.capture import RecordRequest, launch
    from nightreel.capture.rehearsal import RehearsalLog, judge
    from nightreel.cli.record import source_of_show
    from nightreel.control import Client, socket_path
    from nightreel.units import parse_length_s

    wanted_s = parse_length_s(length)
    places = tuple(str(Path(m).absolute()) for m in mirrors)
    launched = launch(
        RecordRequest(
            show=str(show),
            source=source or source_of_show(show, wishes["link"]),
            name="rehearsal",
            mirrors=places,
            **wishes,
        )
    )
    log = RehearsalLog()
    began_s, cpu_before = time.monotonic(), _cpu_s(launched.pid)
    with Client(socket_path(show)) as client:
        memory = _follow(client, log, launched.pid, wanted_s, tell=not as_json)
        cpu_after, took_s = _cpu_s(launched.pid), time.monotonic() - began_s
        client.ask("stop", confirm=launched.take)
        _wait_closed(client)
    cores = None if cpu_before is None or cpu_after is None else (cpu_after - cpu_before) / took_s
    folders = [launched.folder, *(Path(p) / launched.take for p in places)]
    unreadable = [words for folder in folders for words in _read_back(folder)]
    measured = log.result(wanted_s=wanted_s, cpu_cores=cores, memory_bytes=memory, unreadable=unreadable)
    verdict = judge(measured)
    passed = all(line.passed for line in verdict)
    if as_json:
        body = {"passed": passed, "take": launched.take, "verdict": [asdict(v) for v in verdict], **asdict(measured)}
        click.echo(json.dumps(body, ensure_ascii=False, indent=1))
    else:
        click.echo(f"{'PASSED' if passed else 'NOT PASSED'}: {launched.take}")
        for line in verdict:
            click.echo(f"  {'ok  ' if line.passed else 'NOT '} {line.name:<28} {line.figure}  (limit: {line.limit})")
            if not line.passed:
                click.echo(f"       {line.now}")
        for words in measured.alerts:
            click.echo(f"  said meanwhile: {words}")
        click.echo(f"The take may be deleted: {launched.folder}")
    if not passed:
        sys.exit(1)


def _follow(client: Client, log: Any, pid: int, wanted_s: float, *, tell: bool) -> int | None:
    """Ask each half second until the time is over; the most memory the recorder has used."""
    memory: int | None = None
    told_s = time.monotonic()
    while True:
        status = client.ask("status")
        log.take(status)
        found = _memory_bytes(pid)
        memory = found if memory is None or (found is not None and found > memory) else memory
        if status["seconds"] >= wanted_s or status["state"] != "recording":
            return memory
        if tell and sys.stderr.isatty() and time.monotonic() - told_s > 1.0:
            told_s = time.monotonic()
            sys.stderr.write(
                f"\r{status['seconds']:.0f} of {wanted_s:.0f} s, {status['gaps']['frames']} frames missing "
            )
            sys.stderr.flush()
        time.sleep(min(0.5, max(0.05, wanted_s - status["seconds"])))


def _wait_closed(client: Client) -> None:
    from nightreel.errors import RecorderGone

    try:
        while client.ask("status")["state"] != "closed":
            time.sleep(0.05)
    except RecorderGone:
        return


def _read_back(folder: Path) -> list[str]:
    """What cannot be read of a take, in words."""
    from nightreel.errors import NightreelError
    from nightreel.take import open_take

    try:
        with open_take(folder) as take:
            problems = [f"line {m.line}: {m.why}" for m in take.missing]
            for first in range(0, take.frames, take.rate_hz * 10):
                take.read(take.lines, first, min(take.rate_hz * 10, take.frames - first))
            return problems
    except NightreelError as error:
        return [str(error)]


def _cpu_s(pid: int) -> float | None:
    """Processor time of a process so far (Linux, proc(5): utime and stime)."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return None
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _memory_bytes(pid: int) -> int | None:
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except OSError:
        return None
    return pages * os.sysconf("SC_PAGE_SIZE")
