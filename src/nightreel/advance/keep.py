"""What stays of a patch that stands already: as many lines as can, so long as all the others still find a place.

Lines that have to go are counted by what they would free (a single port, a whole odd-even pair of ports, both ways or
one), and the smallest number of moves that makes room is found by trying none, one, two and so on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

from nightreel.show.model import Line, Port

_TRIES = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Ports that lines hold on to."""

    sends: dict[int, Port] = field(default_factory=dict)
    returns: dict[int, Port] = field(default_factory=dict)


def keep_most(
    lines: Sequence[Line], aligned: set[int], free_sends: set[Port], free_returns: set[Port], *, keep: bool
) -> Kept:
    """The assignments that stay.

    A send stays when its port is still there and not in use by others; a return when its port is free as well and, for
    a line in ``aligned``, has the send's number.
    """
    if not keep:
        return Kept()
    sends: dict[int, Port] = {}
    for line in lines:
        if line.send in free_sends and line.send not in sends.values():
            sends[line.number] = line.send
    for number in sorted(aligned & set(sends)):
        if sends[number] not in free_returns:
            del sends[number]  # it needs a port that serves both ways
    sends = _release(lines, aligned, sends, free_sends, free_returns)
    returns: dict[int, Port] = {}
    for line in lines:
        port = line.return_port
        if port is None or port not in free_returns or line.number not in sends or port in returns.values():
            continue
        if port == sends[line.number] or line.number not in aligned:
            returns[line.number] = port
    return Kept(sends=sends, returns=_without_clashes(sends, aligned, returns))


def _without_clashes(sends: dict[int, Port], aligned: set[int], returns: dict[int, Port]) -> dict[int, Port]:
    """A return kept elsewhere gives way to the line whose send has that number."""
    owed = {sends[number] for number in aligned & set(sends)}
    return {n: port for n, port in returns.items() if port == sends[n] or port not in owed}


def _release(
    lines: Sequence[Line],
    aligned: set[int],
    sends: dict[int, Port],
    free_sends: set[Port],
    free_returns: set[Port],
) -> dict[int, Port]:
    """Let go of as few lines as it takes for the others to fit."""
    if _fits(lines, aligned, sends, free_sends, free_returns):
        return sends
    by_number = {line.number: line for line in lines}
    # Which lines can help: those on a cell that could serve a pair, and those on a port that serves both ways in vain.
    candidates = sorted(sends, key=lambda n: (-by_number[n].priority, -n))
    tries = 0
    for moves in range(1, len(candidates) + 1):
        for gone in combinations(candidates, moves):
            tries += 1
            if tries > _TRIES:
                return {}
            left = {n: port for n, port in sends.items() if n not in gone}
            if _fits(lines, aligned, left, free_sends, free_returns):
                return left
    return {}


def _fits(
    lines: Sequence[Line],
    aligned: set[int],
    sends: dict[int, Port],
    free_sends: set[Port],
    free_returns: set[Port],
) -> bool:
    """Whether the lines without a send find room: pairs whole cells, aligned lines ports that serve both ways."""
    taken = set(sends.values())
    free = free_sends - taken
    both = free & free_returns
    by_number = {line.number: line for line in lines}
    singles_both = singles = pairs_both = pairs = 0
    for line in lines:
        if line.number in sends:
            continue
        partner = by_number.get(line.partner) if line.partner is not None else None
        if partner is not None and partner.number not in sends and abs(partner.number - line.number) == 1:
            if line.number < partner.number:
                needs_both = line.number in aligned or partner.number in aligned
                pairs_both += needs_both
                pairs += not needs_both
            continue
        singles_both += line.number in aligned
        singles += line.number not in aligned
    cells_both = cells_one = 0
    for port in free:
        above = Port(link=port.link, number=port.number + 1)
        if port.number % 2 == 1 and above in free:
            cells_both += port in both and above in both
            cells_one += port not in both and above not in both
    from_one = min(pairs, cells_one)
    return (
        cells_both >= pairs_both + pairs - from_one
        and len(both) - 2 * (pairs_both + pairs - from_one) >= singles_both
        and len(free) >= 2 * (pairs_both + pairs) + singles_both + singles
    )
