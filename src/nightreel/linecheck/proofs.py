"""Proofs kept with the show: ``proofs/<date and time>.json``, one file a check, never overwritten, read back by all.

Format, version 1: an object with ``format``, ``at``, ``method``, ``through``, ``clock_offset_ppm``, ``statements`` and
``proofs``; unknown keys are ignored, so later versions may add some.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from nightreel.disk import make_folder_new, write_new_text
from nightreel.errors import AlreadyThere, TakeDamaged
from nightreel.linecheck.model import Kind, Method, Outcome, Proof, Statement, Weight

FOLDER = "proofs"
_FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LineCheck:
    """One check as it is kept."""

    at: datetime
    method: Method
    through: str
    statements: tuple[Statement, ...]
    proofs: tuple[Proof, ...]
    clock_offset_ppm: float | None = None


def as_dict(check: LineCheck) -> dict[str, Any]:
    """The JSON fields, also for ``--json``."""
    proofs = []
    for proof in check.proofs:
        fields = {key: value for key, value in asdict(proof).items() if value not in (None, "")}
        fields["at"] = proof.at.isoformat()
        fields["stations"] = list(proof.stations)
        proofs.append(fields)
    body = {
        "format": _FORMAT,
        "at": check.at.isoformat(),
        "method": check.method,
        "through": check.through,
        "clock_offset_ppm": check.clock_offset_ppm,
        "statements": [asdict(statement) for statement in check.statements],
        "proofs": proofs,
    }
    finite: dict[str, Any] = _finite(body)  # digital silence has no level that JSON could hold
    return finite


def write_check(show_folder: Path, check: LineCheck) -> Path:
    """Keep a check under its date and time; raises AlreadyThere or DiskTrouble."""
    folder = show_folder / FOLDER
    if not folder.is_dir():
        make_folder_new(folder)
    stem = check.at.strftime("%Y-%m-%d-%H%M%S")
    text = json.dumps(as_dict(check), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    for attempt in range(1, 100):
        path = folder / (f"{stem}.json" if attempt == 1 else f"{stem}-{attempt}.json")
        try:
            write_new_text(path, text)
        except AlreadyThere:
            continue
        return path
    raise AlreadyThere("a hundred checks of this second are kept already", where=str(folder))


def read_check(path: Path) -> LineCheck:
    """Raises TakeDamaged for a file that is none of ours or broken."""
    try:
        fields = json.loads(path.read_text(encoding="utf-8"))
        return LineCheck(
            at=datetime.fromisoformat(fields["at"]),
            method=Method(fields["method"]),
            through=str(fields["through"]),
            statements=tuple(_statement(entry) for entry in fields["statements"]),
            proofs=tuple(_proof(entry) for entry in fields["proofs"]),
            clock_offset_ppm=fields.get("clock_offset_ppm"),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise TakeDamaged(
            f"this is not a line check that can be read ({error})",
            where=str(path),
            now="Move it out of the folder proofs/, and check the lines again",
        ) from error


def read_checks(show_folder: Path) -> tuple[LineCheck, ...]:
    """All checks of a show, oldest first; none when there is no folder."""
    paths = sorted((show_folder / FOLDER).glob("*.json"))
    return tuple(sorted((read_check(path) for path in paths), key=lambda check: check.at))


def latest_proofs(checks: Iterable[LineCheck]) -> dict[tuple[int, Method], Proof]:
    """What holds now for each line and method: the newest proof that was not skipped or unclear."""
    latest: dict[tuple[int, Method], Proof] = {}
    for check in sorted(checks, key=lambda check: check.at):
        for proof in check.proofs:
            if proof.outcome not in (Outcome.SKIPPED, Outcome.UNCLEAR):
                latest[proof.line, proof.method] = proof
    return latest


def proven_stations(checks: Iterable[LineCheck], line: int) -> tuple[str, ...]:
    """Stations of a line's path that are proven now, in the order of the path."""
    latest = latest_proofs(checks)
    found = {station for (number, _), proof in latest.items() if number == line for station in proof.stations}
    return tuple(station for station in ("stage socket", "return", "desk channel", "send") if station in found)


def _statement(entry: dict[str, Any]) -> Statement:
    return Statement(
        kind=Kind(entry["kind"]),
        weight=Weight(entry["weight"]),
        text=str(entry["text"]),
        lines=tuple(entry.get("lines", ())),
        sends=tuple(entry.get("sends", ())),
        returns=tuple(entry.get("returns", ())),
        value=entry.get("value"),
        remedy=str(entry.get("remedy", "")),
    )


def _proof(entry: dict[str, Any]) -> Proof:
    known = Proof.__dataclass_fields__
    fields = {key: value for key, value in entry.items() if key in known}
    fields["outcome"] = Outcome(fields["outcome"])
    fields["method"] = Method(fields["method"])
    fields["at"] = datetime.fromisoformat(fields["at"])
    return Proof(**fields)


def _finite(value: Any) -> Any:
    """JSON has no infinity: a level of digital silence becomes null."""
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return value
