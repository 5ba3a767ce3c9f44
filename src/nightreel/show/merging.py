"""Bring an imported list into a show: what is new, what would change, what stays. Values only."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from nightreel.show.model import Line


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A line that stands in both: ``fields`` maps what differs to (now, imported)."""

    before: Line
    after: Line
    fields: Mapping[str, tuple[object, object]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Merge:
    """``lines`` is the outcome; lines of the show that the list does not name stay as they are."""

    lines: tuple[Line, ...]
    added: tuple[Line, ...]
    changed: tuple[Change, ...]
    same: tuple[Line, ...]
    only_in_show: tuple[Line, ...]


def merge_lines(present: Iterable[Line], imported: Iterable[Line], fields: Iterable[str]) -> Merge:
    """Match by number. Of a line in both only the ``fields`` that the list states are taken from it."""
    present = tuple(present)
    by_number = {line.number: line for line in present}
    stated = tuple(sorted(fields))
    added: list[Line] = []
    changed: list[Change] = []
    same: list[Line] = []
    after = dict(by_number)
    for line in imported:
        before = by_number.get(line.number)
        if before is None:
            added.append(line)
            after[line.number] = line
            continue
        differing = {name: (getattr(before, name), getattr(line, name)) for name in stated}
        differing = {name: values for name, values in differing.items() if values[0] != values[1]}
        if not differing:
            same.append(before)
            continue
        merged = replace(before, **{name: values[1] for name, values in differing.items()})
        changed.append(Change(before=before, after=merged, fields=differing))
        after[line.number] = merged
    named = {line.number for line in (*added, *same)} | {change.after.number for change in changed}
    only = tuple(line for line in present if line.number not in named)
    return Merge(
        lines=tuple(after.values()), added=tuple(added), changed=tuple(changed), same=tuple(same), only_in_show=only
    )
