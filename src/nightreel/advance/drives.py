"""Measurements of drives, kept with the show beside its plans, and used by the next plan as *measured* figures."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from nightreel.disk import make_folder_new, safe_name, write_new_text
from nightreel.disk.drive import DriveReport
from nightreel.errors import AlreadyThere
from nightreel.show.model import Show

SHEETS = "sheets"
PREFIX = "drive"
FORMAT = 1
_MOST_A_DAY = 1000


def needed_bytes_per_s(show: Show) -> int:
    """What a take of the show writes each second: its recorded lines, or all lines where none is patched yet."""
    lines = len(show.recorded_lines) or len(show.lines)
    return lines * show.rate_hz * show.encoding.sample_bytes


def save_measurement(show_folder: Path, medium: str, report: DriveReport, *, today: date) -> Path:
    """Keep a measurement under a name of its own; older ones stay."""
    sheets = show_folder / SHEETS
    if not sheets.is_dir():
        make_folder_new(sheets)
    text = json.dumps(
        {"format": FORMAT, "medium": medium, "date": today.isoformat(), **report.as_dict()},
        ensure_ascii=False,
        indent=1,
    )
    for number in range(1, _MOST_A_DAY):
        path = sheets / f"{PREFIX}-{safe_name(medium)}-{today.isoformat()}-{number}.json"
        try:
            write_new_text(path, text + "\n")
        except AlreadyThere:
            continue
        return path
    raise AlreadyThere("too many measurements of one day", where=str(sheets), now="Move old ones away")


def measured_rates(show_folder: Path) -> Mapping[str, tuple[float, float | None, str]]:
    """By medium: sustained and reading rate in bytes/s and the date of its latest measurement.

    A file that cannot be read is passed over: it is a help, not a need.
    """
    found: dict[str, tuple[tuple[str, int], tuple[float, float | None, str]]] = {}
    for path in (show_folder / SHEETS).glob(f"{PREFIX}-*.json"):
        try:
            record = json.loads(path.read_text(encoding="utf-8"))
            age = (str(record["date"]), int(path.stem.rpartition("-")[2]))
            read = record["read_bytes_per_s"]
            rates = (
                float(record["sustained_bytes_per_s"]),
                None if read is None else float(read),
                str(record["date"]),
            )
            medium = str(record["medium"])
        except (OSError, ValueError, KeyError, TypeError):
            continue
        if medium not in found or age > found[medium][0]:
            found[medium] = (age, rates)
    return {medium: rates for medium, (_, rates) in found.items()}
