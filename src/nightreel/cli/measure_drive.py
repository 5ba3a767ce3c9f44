"""``nightreel measure-drive``: what a drive really writes, with a verdict for a show."""

from __future__ import annotations

import json
import sys
from datetime import date
from pathlib import Path

import click


@click.command(short_help="measure what a drive really writes")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--show", type=click.Path(path_type=Path), help="Judge the drive for this show's take.")
@click.option("--medium", default="", help="Keep the result with the show, for the medium of this name.")
@click.option("--seconds", default=20.0, show_default=True, help="How long to write.")
@click.option("--gigabytes", default=8.0, show_default=True, help="Stop after so much, whichever comes first.")
@click.option("--json", "as_json", is_flag=True, help="Print the same as JSON.")
def command(folder: Path, show: Path | None, medium: str, seconds: float, gigabytes: float, as_json: bool) -> None:
    """Measure the drive that holds FOLDER: sustained rate, worst second, how long a sync takes, reading back.

    Writes as the recorder does, into a temporary folder that is removed afterwards. Use the drive, cable and port of
    the night; a long measurement (--seconds 300 --gigabytes 200) shows what remains when the drive's cache is full.
    """
    from nightreel.advance.drives import needed_bytes_per_s, save_measurement
    from nightreel.disk.drive import judge_drive, measure_drive
    from nightreel.errors import ArgumentInvalid
    from nightreel.show.files import load_show

    document = load_show(show) if show is not None else None
    if medium and document is None:
        raise ArgumentInvalid("--medium needs a show to keep the result with", now="Add --show FOLDER")
    if medium and document and all(m.name != medium for m in document.media):
        known = ", ".join(m.name for m in document.media) or "none"
        raise ArgumentInvalid(f"the show has no medium '{medium}'", now=f"Its media: {known}")
    watched = sys.stderr.isatty() and not as_json
    report = measure_drive(
        folder, seconds=seconds, most_bytes=int(gigabytes * 1e9), progress=_show_progress if watched else None
    )
    if watched:
        click.echo("\r" + " " * 40 + "\r", err=True, nl=False)
    verdict = judge_drive(report, needed_bytes_per_s(document)) if document is not None else None
    kept = ""
    if show is not None and medium:
        kept = str(save_measurement(show, medium, report, today=date.today()))
    if as_json:
        body = {
            **report.as_dict(),
            "good": verdict.good if verdict else None,
            "needed_bytes_per_s": verdict.needed_bytes_per_s if verdict else None,
            "reasons": list(verdict.reasons) if verdict else [],
            "kept": kept,
        }
        click.echo(json.dumps(body, ensure_ascii=False))
        return
    if verdict is not None:
        words = "Good for this show" if verdict.good else "Not good enough: " + "; ".join(verdict.reasons)
        click.echo(f"{words}. The take writes {verdict.needed_bytes_per_s / 1e6:.1f} MB/s.\n")
    mb = report.written_bytes / 1e6
    click.echo(
        f"  sustained      {report.sustained_bytes_per_s / 1e6:9.1f} MB/s   ({mb:.0f} MB in {report.seconds:.1f} s)"
    )
    click.echo(f"  worst second   {report.worst_second_bytes / 1e6:9.1f} MB")
    click.echo(
        f"  sync           {report.sync_median_s * 1000:9.1f} ms     longest {report.sync_longest_s * 1000:.1f} ms "
        f"of {report.syncs}, {report.files} files each"
    )
    if report.read_bytes_per_s is not None:
        click.echo(f"  reading back   {report.read_bytes_per_s / 1e6:9.1f} MB/s")
    if report.reached != "time":
        click.echo(f"\nEnded early for want of {report.reached}: the figures may still be those of the drive's cache.")
    if kept:
        click.echo(f"Kept: {kept}")


def _show_progress(seconds: float, written_bytes: int) -> None:
    click.echo(f"\rmeasuring: {seconds:.0f} s, {written_bytes / 1e9:.2f} GB written", err=True, nl=False)
