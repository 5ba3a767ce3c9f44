"""Runs of lines in holes of free ports: what fits into a hole, and on which ports it then lies.

A *hole* is a stretch of free ports side by side, all of one kind. A *run* is a stretch of lines, consecutive in number,
put on consecutive ports: the desk assigns it in one gesture. Stereo partners sit on an odd port and the even one above.

Where inside a hole a run comes to lie can be left open until all runs are known: a hole needs to know only how many
ports its runs fill and how their ends fit together odd to even (:class:`Fill`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple


class Kind(Enum):
    """What a port offers: both ways under one number, or one way only."""

    BOTH = "both"
    ONE = "one"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """``size`` free ports from ``first`` on, on one link."""

    link: str
    first: int
    size: int
    kind: Kind = Kind.BOTH


@dataclass(frozen=True, slots=True, kw_only=True)
class Atom:
    """One line, or a stereo pair: ``size`` consecutive lines from ``number``.

    both : needs a port that serves both ways
    far : number of the partner where it is not the next line; no run goes on behind such a pair
    """

    number: int
    size: int = 1
    both: bool = True
    far: int | None = None

    @property
    def next_number(self) -> int | None:
        """The line with which a run could go on."""
        return self.number + self.size if self.far is None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """``lines`` consecutive line numbers from ``line`` on ports from ``port`` of ``link``; the last may be ``far``."""

    line: int
    lines: int
    link: str
    port: int
    far: int | None = None

    @property
    def numbers(self) -> tuple[int, ...]:
        """Line numbers in the order of their ports."""
        plain = range(self.line, self.line + self.lines)
        return tuple(plain) if self.far is None else (*plain[:-1], self.far)


@dataclass(frozen=True, slots=True, kw_only=True)
class Packing:
    """The runs, the cost of their cuts, and the least that any plan could cost; ``proven`` when both are equal."""

    runs: tuple[Run, ...]
    cost: int
    bound: int

    @property
    def proven(self) -> bool:
        return self.cost == self.bound


class Fill(NamedTuple):
    """The runs inside one hole, as far as their parities matter.

    length : ports filled
    up, down : runs that begin odd and leave the next port even, and the other way round
    free : runs of odd length without a pair, which may begin anywhere
    odd, even : whether runs of even length have to begin on an odd, on an even port
    """

    length: int = 0
    up: int = 0
    down: int = 0
    free: int = 0
    odd: bool = False
    even: bool = False

    def plus(self, length: int, begins_odd: bool | None) -> Fill:
        """With one more run; ``begins_odd`` is None for a run without pairs."""
        toggles = length % 2 == 1
        return Fill(
            self.length + length,
            self.up + (toggles and begins_odd is True),
            self.down + (toggles and begins_odd is False),
            self.free + (toggles and begins_odd is None),
            self.odd or (not toggles and begins_odd is True),
            self.even or (not toggles and begins_odd is False),
        )

    def used(self, starts_odd: bool) -> int:
        """Ports needed in a hole that starts odd or even, with the empty ports that parity costs.

        Walking up the hole, each run of odd length and each empty port changes odd to even or back, so these changes
        alternate in direction. The fewest changes that hold all runs say how many must be empty ports.
        """
        first, second = (self.up, self.down) if starts_odd else (self.down, self.up)
        runs = first + second + self.free
        changes = max(runs, 2 * first - 1, 2 * second)
        if changes == 0 and (self.even if starts_odd else self.odd):
            changes = 1
        return self.length + changes - runs


def cut_cost(before: Atom, after: Atom) -> int:
    """Gestures added by ending a run between two lines: one for the sends, one more where both have returns."""
    if after.number != before.next_number:
        return 0  # not consecutive: no run could go on here
    return 2 if before.both and after.both else 1


def cells_of(hole: Hole) -> int:
    """Odd-even pairs of ports inside a hole."""
    first = hole.first + (hole.first % 2 == 0)
    return max(0, (hole.first + hole.size - first) // 2)


def arrange(hole: Hole, waiting: list[tuple[int, int, bool | None, int | None]]) -> list[Run]:
    """Runs (line, length, begins_odd, far) on ports: the lowest line that leaves a way for the rest comes next."""
    port = hole.first
    end = hole.first + hole.size
    placed = []
    while waiting:
        for item in sorted(waiting, key=lambda run: run[0]):
            line, length, begins_odd, far = item
            skip = int(begins_odd is not None and begins_odd != (port % 2 == 1))
            rest = Fill()
            for other in waiting:
                if other is not item:
                    rest = rest.plus(other[1], other[2])
            after = port + skip + length
            if after + rest.used(after % 2 == 1) <= end:
                placed.append(Run(line=line, lines=length, link=hole.link, port=port + skip, far=far))
                port = after
                waiting.remove(item)
                break
        else:
            # No run fits right here: the way that exists begins with an empty port.
            port += 1
            assert port < end, "a fill that fits has an arrangement"
    return placed
