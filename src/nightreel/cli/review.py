"""``nightreel review``: what is wrong with a take, on which line, when, and what to do."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import click

from nightreel.errors import RequestError


@click.command(short_help="say what is wrong with a take, on which line, when, and what to do")
@click.argument("place", type=click.Path(path_type=Path))
@click.argument("take", default="last")
@click.option("--json", "as_json", is_flag=True, help="Print the whole review as JSON.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the reports (made when missing).")
@click.option(
    "--against", type=click.Path(path_type=Path), help="Another night to compare with: a take, or a show's last one."
)
@click.option("--show", "show_folder", type=click.Path(path_type=Path), help="A show whose input list names the files.")
@click.option("--pdf", is_flag=True, help="Write review.pdf as well.")
@click.option("--workers", type=click.IntRange(0, 256), default=0, help="Threads to measure with; 0 = one a core.")
def command(
    place: Path,
    take: str,
    as_json: bool,
    out: Path | None,
    against: Path | None,
    show_folder: Path | None,
    pdf: bool,
    workers: int,
) -> None:
    """Review a take: PLACE is a show folder (TAKE a name or 'last'), a take folder, or any folder of sound files.

    Prints the verdict and the five worst findings. The full report goes into the take's folder (review.html,
    review.json). For a folder of files that Nightreel did not record, nothing is written there: --out names a place
    for the reports. The exit status is 0 when the review was made, whatever it found.
    """
    from nightreel.review.command import run_review
    from nightreel.review.record import review_as_json
    from nightreel.review.summary import summary_text

    if not place.exists():
        raise RequestError(
            "there is no such folder", where=str(place), now="Name a show, a take or a folder of sound files"
        )
    outcome = run_review(
        place,
        take,
        out=out,
        against=against,
        show=show_folder,
        pdf=pdf,
        workers=workers,
        tell=None if as_json else Bar().tell,
    )
    if as_json:
        click.echo(review_as_json(outcome.review), nl=False)
    else:
        click.echo(summary_text(outcome.review, reports=[str(p) for p in outcome.reports]), nl=False)
        if outcome.nights:
            from nightreel.review.nights import change_table

            click.echo(f"\nAgainst the other night (tonight minus then):\n{change_table(outcome.nights.lines)}")
        if not outcome.reports:
            click.echo("No report written: this is not a take of ours. Name a folder for it with --out.")


class Bar:
    """One line on stderr with the share done and the time left; silent when stderr is no terminal."""

    def __init__(self) -> None:
        self._started = time.monotonic()
        self._told = 0.0
        self._on = sys.stderr.isatty()

    def tell(self, done: int, total: int) -> None:
        now = time.monotonic()
        if not self._on or (now - self._told < 0.5 and done < total):
            return
        self._told = now
        share = done / max(total, 1)
        left = (now - self._started) * (1 - share) / max(share, 1e-6)
        filled = round(share * 30)
        end = "\n" if done >= total else ""
        sys.stderr.write(f"\r[{'#' * filled}{'.' * (30 - filled)}] {share:4.0%}  about {left:.0f} s left  {end}")
        sys.stderr.flush()
