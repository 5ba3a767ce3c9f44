"""``nightreel handover``: split, name, tag, package, copy and verify a take."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import click

from nightreel.units import RATES_HZ, Encoding


@click.command(short_help="split, name, tag, package, copy and verify a take")
@click.argument("place", type=click.Path(path_type=Path))
@click.argument("take", default="last")
@click.option("--to", "to", type=click.Path(path_type=Path), multiple=True, help="Destination folder; may be repeated.")
@click.option("--whole", "cut", flag_value="whole", help="Every line in one file (the default).")
@click.option("--songs", "cut", flag_value="songs", help="One file a song and line.")
@click.option("--everything", "cut", flag_value="everything", help="Songs, and what lies between them.")
@click.option("--template", default="", help="How files are named: tokens in braces, see docs/handover.md.")
@click.option("--name", default="", help="Name of the package; else the take's name.")
@click.option("--lines", default="", help="Only these lines: 1-8,12.")
@click.option("--mix", is_flag=True, help="Add a stereo mix for listening.")
@click.option("--rate", "rate_hz", type=click.Choice([str(r) for r in RATES_HZ]), help="Convert to this rate in Hz.")
@click.option("--encoding", type=click.Choice([e.value for e in Encoding]), help="Convert to this kind of sample.")
@click.option("--flac", is_flag=True, help="FLAC instead of WAVE files.")
@click.option("--plan", "plan_only", is_flag=True, help="Say what would be made, check the places, write nothing.")
@click.option("--while-recording", is_flag=True, help="Even while a take of this show is being recorded.")
@click.option("--check", is_flag=True, help="PLACE is a package made before: read it and compare every byte.")
@click.option("--json", "as_json", is_flag=True, help="Print the receipt (or the plan, or the check) as JSON.")
def command(
    place: Path,
    take: str,
    to: tuple[Path, ...],
    cut: str | None,
    template: str,
    name: str,
    lines: str,
    mix: bool,
    rate_hz: str | None,
    encoding: str | None,
    flac: bool,
    plan_only: bool,
    while_recording: bool,
    check: bool,
    as_json: bool,
) -> None:
    """Hand a take over: PLACE is a show folder (TAKE a name or 'last'), a take, or a folder of sound files.

    Makes a BagIt package at the first destination, copies it to the others and reads every byte back. Nothing is
    ever overwritten. Interrupted? Run the same command again: it goes on where it was.
    """
    bar = Bar(on=sys.stderr.isatty() and not as_json)
    if check:
        check_package(place, as_json=as_json, bar=bar)
        return
    from nightreel.errors import ArgumentInvalid
    from nightreel.handover.command import parse_lines, run_handover
    from nightreel.handover.model import Cut, Request
    from nightreel.handover.receipt import plan_json, plan_text, receipt_json, receipt_text

    if not to and not plan_only:
        raise ArgumentInvalid("no destination was given", now="Name one with --to, or see the plan with --plan")
    request = Request(
        destinations=to,
        cut=Cut(cut or "whole"),
        template=template,
        name=name,
        lines=parse_lines(lines),
        rate_hz=int(rate_hz) if rate_hz else None,
        encoding=Encoding(encoding) if encoding else None,
        flac=flac,
        mix=mix,
    )
    done = run_handover(place, take, request, plan_only=plan_only, while_recording=while_recording, tell=bar.tell)
    bar.end()
    if done.outcome is None:
        click.echo(plan_json(done.facts, done.plan) if as_json else plan_text(done.facts, done.plan), nl=False)
    elif as_json:
        click.echo(receipt_json(done.facts, done.outcome), nl=False)
    else:
        click.echo(receipt_text(done.facts, done.outcome), nl=False)
        for path in done.receipts:
            if path.suffix == ".html":
                click.echo(f"  Receipt: {path}")


def check_package(folder: Path, *, as_json: bool, bar: Bar) -> None:
    """Say what is wrong with a package; raises ProofFailed when anything is."""
    from nightreel.errors import ProofFailed
    from nightreel.handover.bag import check_bag, require_bag
    from nightreel.handover.receipt import check_json
    from nightreel.units import format_size

    total = require_bag(folder)
    read = 0

    def moved(size_bytes: int) -> None:
        nonlocal read
        read += size_bytes
        bar.tell("reading", min(read, total), total)

    found = check_bag(folder, moved=moved)
    bar.end()
    if as_json:
        click.echo(check_json(folder, found), nl=False)
    elif found.problems:
        for problem in found.problems[:20]:
            click.echo(f"  {problem}")
        if len(found.problems) > 20:
            click.echo(f"  and {len(found.problems) - 20} more")
    if found.problems:
        if as_json:
            sys.exit(ProofFailed.exit_status)
        raise ProofFailed(
            f"{len(found.problems)} fault{'s' if len(found.problems) > 1 else ''} in this package",
            where=str(folder),
            now="Use another copy of it, or hand the take over again",
        )
    if not as_json:
        click.echo(f"Complete and right: {found.files} files, {format_size(found.size_bytes)}, every byte read")


class Bar:
    """One line on stderr with what is being done and the share done; silent when stderr is no terminal."""

    def __init__(self, *, on: bool) -> None:
        self._on = on
        self._told = 0.0
        self._shown = False

    def tell(self, what: str, done: int, total: int) -> None:
        now = time.monotonic()
        if not self._on or now - self._told < 0.25:
            return
        self._told, self._shown = now, True
        sys.stderr.write(f"\r{done / total:4.0%}  {what[:70]:70}")
        sys.stderr.flush()

    def end(self) -> None:
        if self._shown:
            sys.stderr.write("\r" + " " * 78 + "\r")
            sys.stderr.flush()
