"""Two plans side by side: the figures that differ, the lines that move, the gestures that it takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from nightreel.advance.gestures import Gesture, Move, gestures_for, moves_between, spans_of
from nightreel.advance.plan import Plan
from nightreel.advance.record import patch_of, plan_dict
from nightreel.advance.verdict import wrapped
from nightreel.units import format_rate, format_size, format_time


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """figures : name, before, now, of what differs. Sorted as people read a plan."""

    figures: tuple[tuple[str, str, str], ...]
    moves: tuple[Move, ...]
    gestures: tuple[Gesture, ...]
    names: Mapping[int, str]

    @property
    def empty(self) -> bool:
        return not self.figures and not self.moves

    @property
    def moved_lines(self) -> int:
        """Lines that had a port and have another."""
        return len({m.line for m in self.moves if m.before is not None and m.after is not None})

    @property
    def words(self) -> str:
        """``7 gestures, 3 lines moved``."""
        lines = self.moved_lines
        new = len({m.line for m in self.moves if m.before is None})
        gone = len({m.line for m in self.moves if m.after is None})
        parts = [_count(len(self.gestures), "gesture"), f"{_count(lines, 'line')} moved"]
        if new:
            parts.append(f"{_count(new, 'line')} patched anew")
        if gone:
            parts.append(f"{_count(gone, 'line')} taken out")
        return ", ".join(parts)


def compare_plans(before: Plan, after: Plan) -> Difference:
    return compare_records(plan_dict(before), plan_dict(after))


def compare_records(before: Mapping[str, Any], after: Mapping[str, Any], *, where: str = "plan.json") -> Difference:
    """From plans as plain data; raises ArgumentInvalid when ``before`` is none of ours."""
    sends_before, returns_before = patch_of(before, where=where)
    sends_after, returns_after = patch_of(after)
    moves = (
        *moves_between("send", sends_before, sends_after),
        *moves_between("return", returns_before, returns_after),
    )
    figures = [
        (name, old, new)
        for (name, old), (_, new) in zip(_readable(before), _readable(after), strict=True)
        if old != new
    ]
    names = {int(line["number"]): str(line["name"]) for record in (before, after) for line in record["lines"]}
    return Difference(figures=tuple(figures), moves=moves, gestures=gestures_for(moves), names=names)


def _readable(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    lines = len(record["lines"])
    storage = record["storage"]
    found = [
        ("rate", format_rate(record["rate_hz"])),
        ("depth", str(record["encoding"])),
        ("lines carried", f"{lines - len(record['left_out'])} of {lines}"),
        ("left out", spans_of(record["left_out"]) or "none"),
        ("spare ports", str(record["spare"])),
        ("length", format_time(record["length_s"])),
        ("storage", format_size(storage["bytes"])),
        ("storage with margin", format_size(storage["bytes_with_margin"])),
        ("writing rate", f"{format_size(storage['bytes_per_s'])}/s"),
        ("gestures from nothing", str(len(record["gestures"]))),
        ("lines returned", str(sum(c["does"] == "returned" for c in record["soundcheck"]))),
    ]
    drives = [
        f"{m['name']}: {'not known' if m['fits'] is None else 'fits' if m['fits'] else 'too small'}"
        for m in record["media"]
    ]
    found.append(("drives", "; ".join(drives) or "none"))
    copies = [m["copy_s"] + m["verify_s"] for m in record["media"]]
    found.append(("copy and read back", format_time(max(copies, default=0))))
    flows = sum(len(n["flows"]) for n in record["networks"])
    load = sum(f["bits_per_s"] for n in record["networks"] for f in n["flows"] if f["way"] == "send")
    found.append(("network flows", str(flows)))
    found.append(("network load to the computer", f"{load / 1e6:.1f} Mbit/s"))
    return found


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def difference_dict(difference: Difference) -> dict[str, Any]:
    """A difference for ``--json``."""
    return {
        "words": difference.words,
        "figures": [{"name": name, "before": old, "now": new} for name, old, new in difference.figures],
        "moves": [
            {"line": m.line, "way": m.way, "before": str(m.before or ""), "now": str(m.after or "")}
            for m in difference.moves
        ],
        "gestures": [str(g) for g in difference.gestures],
    }


def difference_screen(difference: Difference) -> str:
    """What differs: figures, then gestures, then the lines that move; at most 100 columns."""
    if difference.empty:
        return "Nothing changes."
    out = [difference.words + "."]
    if difference.figures:
        width = max(len(name) for name, _, _ in difference.figures)
        for name, old, new in difference.figures:
            out.extend(wrapped(f"{old}  ->  {new}", f"  {name:<{width}}  "))
    shown = difference.gestures[:12]
    out += [f"  {k:>3}. {gesture}" for k, gesture in enumerate(shown, 1)]
    if len(difference.gestures) > len(shown):
        out.append(f"       and {len(difference.gestures) - len(shown)} more")
    return "\n".join(out)
