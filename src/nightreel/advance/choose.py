"""Which lines to carry when not all fit: exactly, by priority, and never half a stereo pair.

Lines of priority 1 count above any number of priority 2, and so on. Pairs take two ports, single lines one. With only
these two sizes, the best choice holds the best p pairs and the best single lines beside them, for some p: trying every
p finds it for certain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from nightreel.show.model import Line

LOWEST_PRIORITY = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """Lines that go together: one line, or the two of a stereo pair (lower number first)."""

    lines: tuple[Line, ...]

    @property
    def size(self) -> int:
        return len(self.lines)

    @property
    def numbers(self) -> tuple[int, ...]:
        return tuple(line.number for line in self.lines)


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Line numbers carried and left out, in order."""

    carried: tuple[int, ...]
    left_out: tuple[int, ...]


def units_of(lines: Sequence[Line]) -> tuple[Unit, ...]:
    """Singles and pairs in the order of their (lower) line number."""
    by_number = {line.number: line for line in lines}
    units = []
    for line in sorted(lines, key=lambda x: x.number):
        partner = by_number.get(line.partner) if line.partner is not None else None
        if partner is None:
            units.append(Unit(lines=(line,)))
        elif line.number < partner.number:
            units.append(Unit(lines=(line, partner)))
    return tuple(units)


def choose_lines(lines: Sequence[Line], ports: int) -> Choice:
    """The best set of lines for ``ports`` ports.

    Best: most lines of priority 1, then most of priority 2 and so on; among equals the lower line numbers.
    """
    units = units_of(lines)
    if len(lines) <= ports:
        return Choice(carried=tuple(sorted(n for u in units for n in u.numbers)), left_out=())
    # One number orders all choices: a digit for each priority in base len(lines) + 1, so no count ever carries over.
    base = len(lines) + 1
    worth = [sum(base ** (LOWEST_PRIORITY - line.priority) for line in u.lines) for u in units]
    order = range(len(units))
    singles = sorted((k for k in order if units[k].size == 1), key=lambda k: -worth[k])  # stable: lower lines first
    pairs = sorted((k for k in order if units[k].size == 2), key=lambda k: -worth[k])
    pair_sums = list(accumulate((worth[k] for k in pairs), initial=0))
    single_sums = list(accumulate((worth[k] for k in singles), initial=0))
    best = (-1, 0)
    for p in range(min(len(pairs), ports // 2), -1, -1):
        value = pair_sums[p] + single_sums[min(len(singles), ports - 2 * p)]
        if value > best[0]:
            best = (value, p)
    taken = pairs[: best[1]] + singles[: ports - 2 * best[1]]
    carried = {n for k in taken for n in units[k].numbers}
    return Choice(
        carried=tuple(sorted(carried)),
        left_out=tuple(sorted(line.number for line in lines if line.number not in carried)),
    )
