"""Where plans are kept: a dated folder each under ``sheets/``; nothing there is ever written over."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from nightreel.advance.desk_sheets import change_sheets
from nightreel.advance.difference import Difference, compare_records
from nightreel.advance.plan import Plan
from nightreel.advance.printed import Heading, csv_of, html_of, pdf_of
from nightreel.advance.record import plan_dict, version_of
from nightreel.advance.returns_sdp import sdp_files
from nightreel.advance.sheet import Sheet
from nightreel.advance.sheets import all_sheets
from nightreel.disk import make_folder_new, safe_name, write_new_bytes, write_new_text
from nightreel.errors import AlreadyThere, ArgumentInvalid

SHEETS = "sheets"
PLAN_FILE = "plan.json"
PAPERS = {"a4": "a4", "letter": "us-letter"}
_MOST_A_DAY = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """The folder of a plan; ``new`` is False when an equal plan was there already and nothing was written.

    ``difference`` is what changed against the plan before.
    """

    folder: Path
    new: bool
    difference: Difference | None = None


def list_plans(show_folder: Path) -> tuple[Path, ...]:
    """Folders of kept plans, the oldest first."""
    sheets = show_folder / SHEETS
    if not sheets.is_dir():
        return ()
    found = [path for path in sheets.glob("plan-*") if (path / PLAN_FILE).is_file()]
    return tuple(sorted(found, key=_age))


def read_plan(path: Path) -> dict[str, Any]:
    """A kept ``plan.json`` (or the folder that holds it); raises ArgumentInvalid for anything else."""
    file = path / PLAN_FILE if path.is_dir() else path
    try:
        record = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ArgumentInvalid(
            "no plan can be read there", where=str(file), now="Name a folder under sheets/"
        ) from error
    if not isinstance(record, dict):
        raise ArgumentInvalid("this is not a plan of Nightreel's", where=str(file), now="Name a folder under sheets/")
    return record


def write_plan(
    show_folder: Path,
    plan: Plan,
    *,
    today: date,
    papers: Sequence[str] = ("a4", "letter"),
    against: Path | None = None,
) -> Written:
    """Sheets of every kind in a new dated folder; everything is made in memory before the first byte is written.

    The plan is compared with the one in ``against``, or with the latest that was kept; the difference is on the sheets.
    """
    version = version_of(plan)
    kept = list_plans(show_folder)
    if kept and against is None and read_plan(kept[-1]).get("version") == version:
        return Written(folder=kept[-1], new=False)
    older = against or (kept[-1] if kept else None)
    difference = compare_records(read_plan(older), plan_dict(plan), where=str(older)) if older is not None else None
    extra: tuple[Sheet, ...] = ()
    if older is not None and difference is not None:
        extra = change_sheets(difference, against=older.parent.name if older.is_file() else older.name)
    heading = Heading(date=today.isoformat(), version=version)
    record = json.dumps(
        {"version": version, "made": today.isoformat(), **plan_dict(plan)}, ensure_ascii=False, indent=1
    )
    pdfs = {f"sheets-{name}.pdf": pdf_of(plan, heading, paper=PAPERS[name], extra=extra) for name in papers}
    page = html_of(plan, heading, extra=extra)
    tables = {f"{safe_name(sheet.key)}.csv": csv_of(sheet) for sheet in (*extra, *all_sheets(plan))}
    sdp = sdp_files(plan)

    sheets = show_folder / SHEETS
    if not sheets.is_dir():
        make_folder_new(sheets)
    folder = _new_folder(sheets, today)
    for name, text in tables.items():
        write_new_text(folder / name, text)
    if sdp:
        make_folder_new(folder / "returns")
        for name, text in sdp.items():
            write_new_text(folder / "returns" / name, text)
    for name, data in pdfs.items():
        write_new_bytes(folder / name, data)
    write_new_text(folder / "sheets.html", page)
    write_new_text(folder / PLAN_FILE, record + "\n")  # last: a folder with a plan.json is complete
    return Written(folder=folder, new=True, difference=difference)


def _new_folder(sheets: Path, today: date) -> Path:
    for number in range(1, _MOST_A_DAY):
        folder = sheets / f"plan-{today.isoformat()}-{number}"
        try:
            make_folder_new(folder)
        except AlreadyThere:
            continue
        return folder
    raise AlreadyThere(f"{_MOST_A_DAY} plans of one day are enough", where=str(sheets), now="Move old ones away")


def _age(path: Path) -> tuple[str, int]:
    day, _, number = path.name.removeprefix("plan-").rpartition("-")
    return day, int(number) if number.isdigit() else 0
