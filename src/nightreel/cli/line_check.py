"""``nightreel line-check``: prove every path with identification signals."""

from __future__ import annotations

import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nightreel.errors import ArgumentInvalid, ConfirmationMissing, ProofFailed

if TYPE_CHECKING:
    from nightreel.linecheck import ExpectedPatch, Explanation, Identified, LineCheck
    from nightreel.show.model import Show


@click.command(short_help="prove every path with identification signals")
@click.argument("show_folder", metavar="SHOW", type=click.Path(path_type=Path))
@click.option(
    "--through", help="Where the desk is: device:NAME, jack:CLIENT, aes67:SENDS+RETURNS, or stage (simulated)."
)
@click.option("--link", help="The link to check; by default the one most lines use.")
@click.option("--confirm-muted", is_flag=True, help="State that amplifiers, in-ear transmitters and wedges are muted.")
@click.option(
    "--ceiling",
    "ceiling_dbfs",
    type=float,
    default=-30.0,
    show_default=True,
    help="Highest level of the signals, in dBFS; they start at -60 and ramp.",
)
@click.option("--announce", is_flag=True, help="Announce the return flows on the network meanwhile (SAP).")
@click.option("--by-ear", is_flag=True, help="Line by line: somebody taps or speaks at each microphone in turn.")
@click.option("--known", is_flag=True, help="Only print what earlier checks have proven.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(
    show_folder: Path,
    through: str | None,
    link: str | None,
    confirm_muted: bool,
    ceiling_dbfs: float,
    announce: bool,
    by_ear: bool,
    known: bool,
    as_json: bool,
) -> None:
    """Sound every return of SHOW at once, each with its own code, and say what arrives on which send.

    Set the desk so that its channels listen to their returns, as for a soundcheck. Takes about five seconds. Signals
    start at -60 dBFS and ramp to the ceiling. Any key or Ctrl-C stops them at once; they stop by themselves when a
    send gets louder than it should. The exit status is 0 when every line is proven, 1 when one is not.

    With --by-ear nothing is played: the stage hand goes from microphone to microphone in the order of the input list.
    """
    from nightreel.cli.network_returns import network_returns
    from nightreel.linecheck import Method, expected_patch, explain
    from nightreel.linecheck.proofs import LineCheck, as_dict, write_check
    from nightreel.show.files import load_show

    show = load_show(show_folder)
    if known:
        _print_known(show_folder, [(line.number, line.name) for line in show.lines], as_json=as_json)
        return
    if through is None:
        raise ArgumentInvalid("where the desk is was not said", now="Add --through device:NAME, jack:CLIENT or stage")
    if by_ear:
        _by_ear(show_folder, show, through, link, as_json=as_json)
        return
    expected = expected_patch(show, link)
    with network_returns(through, show, show_folder, link=expected.link, announce=announce):
        identified = _identify(show_folder, through, expected, confirm_muted, ceiling_dbfs, quiet=as_json)
    at = datetime.now().astimezone()
    told = explain(
        identified.matrix,
        expected,
        return_numbers=expected.return_numbers,
        at=at,
        lost_frames=sum(gap.frames for gap in identified.gaps),
        before_dbfs=identified.before_dbfs,
    )
    check = LineCheck(
        at=at,
        method=Method.SIGNALS,
        through=through,
        statements=told.statements,
        proofs=told.proofs,
        clock_offset_ppm=round(identified.matrix.clock_offset_ppm, 3),
    )
    kept = write_check(show_folder, check)
    if as_json:
        click.echo(json.dumps({**as_dict(check), "kept": str(kept)}, ensure_ascii=False, allow_nan=False))
    else:
        _print_verdict(check, told, kept)
    if not told.all_proven:
        sys.exit(1)


def _by_ear(show_folder: Path, show: Show, through: str, link: str | None, *, as_json: bool) -> None:
    from nightreel.capture.sources import find_source
    from nightreel.cli.by_ear import check_by_ear
    from nightreel.linecheck import Method, Outcome
    from nightreel.linecheck.ear import begin_by_ear
    from nightreel.linecheck.proofs import LineCheck, as_dict, write_check

    state = begin_by_ear(show, link)
    source = find_source(
        through,
        show=show,
        show_folder=show_folder,
        rate_hz=show.rate_hz,
        channels=max(line.send_number for line in state.lines),
    ).open()
    state = check_by_ear(source, state)
    check = LineCheck(
        at=datetime.now().astimezone(), method=Method.EAR, through=through, statements=(), proofs=state.proofs
    )
    if not check.proofs:
        raise ProofFailed("no line was heard; nothing was kept", now="Check that the sends arrive, and begin again")
    kept = write_check(show_folder, check)
    if as_json:
        click.echo(json.dumps({**as_dict(check), "kept": str(kept)}, ensure_ascii=False, allow_nan=False))
    else:
        proven = sum(proof.outcome is Outcome.PROVEN for proof in check.proofs)
        click.echo(f"\n{proven} of {len(state.lines)} lines heard where they belong.")
        for proof in check.proofs:
            if proof.outcome is not Outcome.PROVEN:
                click.echo(
                    f"  - line {proof.line} {proof.name}: {proof.outcome}{'; ' if proof.note else ''}{proof.note}"
                )
        click.echo(f"Kept with the show: {kept.parent.name}/{kept.name}")
    if any(proof.outcome is not Outcome.PROVEN for proof in check.proofs) or len(check.proofs) < len(state.lines):
        sys.exit(1)


def _identify(
    show_folder: Path, through: str, expected: ExpectedPatch, confirm_muted: bool, ceiling_dbfs: float, *, quiet: bool
) -> Identified:
    from nightreel.cli.keypress import watched_keys
    from nightreel.cli.through import open_duplex
    from nightreel.linecheck import MUTE_CAUTION, Stopped, identify
    from nightreel.show.files import load_show

    if not confirm_muted:
        if quiet or not sys.stdin.isatty():
            raise ConfirmationMissing(
                "nobody has confirmed that amplifiers, in-ear transmitters and wedges are muted. " + MUTE_CAUTION,
                now="Mute them, then add --confirm-muted",
            )
        click.echo(_wrapped(MUTE_CAUTION, ""))
        if click.prompt("Type 'muted' when all of that is done", default="", show_default=False).strip() != "muted":
            raise ConfirmationMissing("the muting was not confirmed; nothing was played")
    elif not quiet:
        click.echo(_wrapped(MUTE_CAUTION, "") + "\n")
    duplex = open_duplex(
        through,
        load_show(show_folder),
        sends=max(line.send_number for line in expected.lines),
        returns=max(expected.return_numbers),
        link=expected.link,
    )
    latencies = getattr(duplex, "latency_frames", (0, 0, 0))
    with watched_keys() as keys:
        duplex.start()
        try:
            outcome = identify(
                duplex,
                expected.return_numbers,
                amplifiers_muted=True,
                ceiling_dbfs=ceiling_dbfs,
                ahead_frames=latencies[2],
                stop=lambda: keys.pressed() != "",
            )
        finally:
            duplex.stop()
    if isinstance(outcome, Stopped):
        raise ProofFailed(
            outcome.reason,
            now="Find the loop before you check again" if outcome.by_itself else "Nothing was kept; check again",
        )
    return outcome


def _print_verdict(check: LineCheck, told: Explanation, kept: Path) -> None:
    from nightreel.linecheck import Outcome, Weight

    proven = sum(proof.outcome is Outcome.PROVEN for proof in check.proofs)
    click.echo(f"{proven} of {len(check.proofs)} lines proven from return to send.\n")
    titles = {Weight.WRONG: "Wrong", Weight.LOOK: "Look at", Weight.FACT: "Good to know"}
    most = 12
    for weight in Weight:
        statements = [statement for statement in told.statements if statement.weight is weight]
        if not statements:
            continue
        click.echo(titles[weight])
        for statement in statements[:most]:
            click.echo(_wrapped(statement.text, "  - "))
            if statement.remedy:
                click.echo(_wrapped(statement.remedy, "    "))
        if len(statements) > most:
            click.echo(f"  and {len(statements) - most} more, in {kept.name}")
    click.echo(f"\nKept with the show: {kept.parent.name}/{kept.name}")


def _print_known(show_folder: Path, lines: list[tuple[int, str]], *, as_json: bool) -> None:
    from nightreel.linecheck import latest_proofs, proven_stations, read_checks

    checks = read_checks(show_folder)
    latest = latest_proofs(checks)
    rows = []
    for number, name in lines:
        proofs = [proof for (line, _), proof in latest.items() if line == number]
        newest = max(proofs, key=lambda proof: proof.at, default=None)
        rows.append(
            {
                "line": number,
                "name": name,
                "stations": list(proven_stations(checks, number)),
                "outcome": newest.outcome if newest else "not checked",
                "at": newest.at.isoformat() if newest else "",
                "note": newest.note if newest else "",
            }
        )
    if as_json:
        click.echo(json.dumps({"lines": rows}, ensure_ascii=False))
        return
    for row in rows:
        stations = ", ".join(row["stations"]) if isinstance(row["stations"], list) else ""
        when = str(row["at"])[:16].replace("T", " ")
        known = f"proven: {stations}" if stations else f"{row['outcome']} {row['note']}".strip()
        click.echo(f"{row['line']:>4}  {str(row['name'])[:24]:<24}  {known:<44}  {when}"[:100].rstrip())


def _wrapped(text: str, lead: str) -> str:
    import textwrap

    return textwrap.fill(text, 98, initial_indent=lead, subsequent_indent=" " * len(lead))
