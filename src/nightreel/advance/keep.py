"""What stays of a patch that stands already: as many lines as can, so long as all the others still find a place.

Only two things can be short: ports that serve both ways, and cells (an odd port and the even one above it) for stereo
pairs. Lines that stand alike in their cell free the same thing, so it is enough to try how many of each sort go: none,
one, two and so on, until the others fit. The first number that works is the smallest.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from nightreel.show.model import Line, Port

_TRIES = 5_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Ports that lines hold on to."""

    sends: dict[int, Port] = field(default_factory=dict)
    returns: dict[int, Port] = field(default_factory=dict)


def keep_most(
    lines: Sequence[Line],
    with_return: set[int],
    aligned: set[int],
    free_sends: set[Port],
    free_returns: set[Port],
    *,
    keep: bool,
) -> Kept:
    """The assignments that stay.

    A send stays when its port is still there and not in use by others; a return when its line is one of those that get
    one (``with_return``), its port is free as well and, for a line in ``aligned``, has the send's number.
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
    # Where even an empty patch has no room for every pair, pairs count as single lines.
    whole = _fits(lines, aligned, {}, free_sends, free_returns, whole=True)
    sends = _release(lines, aligned, sends, free_sends, free_returns, whole=whole)
    returns: dict[int, Port] = {}
    for line in lines:
        port = line.return_port
        if port is None or port not in free_returns or port in returns.values():
            continue
        if line.number not in sends or line.number not in with_return:
            continue
        if port == sends[line.number] or line.number not in aligned:
            returns[line.number] = port
    returns = _without_clashes(sends, aligned, returns)
    crossed = {port for number, port in returns.items() if port != sends[number]}
    if crossed and not _fits(lines, aligned, sends, free_sends, free_returns - crossed, whole=whole):
        returns = {number: port for number, port in returns.items() if port == sends[number]}
    return Kept(sends=sends, returns=returns)


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
    *,
    whole: bool,
) -> dict[int, Port]:
    """Let go of as few lines as it takes for the others to fit."""
    if _fits(lines, aligned, sends, free_sends, free_returns, whole=whole):
        return sends
    sorts = _sorts(lines, aligned, sends, free_sends, free_returns)
    tries = 0
    for moves in range(1, len(sends) + 1):
        for gone in _choices(sorts, moves):
            tries += 1
            if tries > _TRIES:
                return {}
            left = {n: port for n, port in sends.items() if n not in gone}
            if _fits(lines, aligned, left, free_sends, free_returns, whole=whole):
                return left
    return {}


def _sorts(
    lines: Sequence[Line],
    aligned: set[int],
    sends: Mapping[int, Port],
    free_sends: set[Port],
    free_returns: set[Port],
) -> list[list[tuple[int, ...]]]:
    """Groups of lines to let go, those alike together, the least important first: single lines, and both of a cell."""
    by_number = {line.number: line for line in lines}
    holders = {port: number for number, port in sends.items()}
    found: dict[object, list[tuple[int, ...]]] = {}
    for port, number in sorted(holders.items(), key=lambda item: (-by_number[item[1]].priority, -item[1])):
        beside = Port(link=port.link, number=port.number + (1 if port.number % 2 else -1))
        other = holders.get(beside)

        def stands(p: Port, n: int | None) -> tuple[object, ...]:
            partner = by_number[n].partner if n is not None else None
            return (p in free_sends, p in free_returns, n in aligned, n is not None, partner in sends)

        alike = (stands(port, number), stands(beside, other), by_number[number].partner == other)
        found.setdefault(alike, []).append((number,))
        if other is not None and number > other:
            found.setdefault(("cell", *sorted(map(str, alike))), []).append((other, number))
    return list(found.values())


def _choices(sorts: Sequence[list[tuple[int, ...]]], moves: int) -> Iterator[set[int]]:
    """Every way to let go of exactly so many lines, by how many groups of each sort."""
    if not sorts:
        if moves == 0:
            yield set()
        return
    first, rest = sorts[0], sorts[1:]
    size = len(first[0])
    for count in range(min(len(first), moves // size), -1, -1):
        gone = {n for group in first[:count] for n in group}
        for more in _choices(rest, moves - count * size):
            if not gone & more:
                yield gone | more


def _fits(
    lines: Sequence[Line],
    aligned: set[int],
    sends: dict[int, Port],
    free_sends: set[Port],
    free_returns: set[Port],
    *,
    whole: bool,
) -> bool:
    """Whether the lines without a send find room: aligned lines ports that serve both ways, pairs cells (if whole)."""
    taken = set(sends.values())
    free = free_sends - taken
    both = free & free_returns
    by_number = {line.number: line for line in lines}
    singles_both = singles = pairs_both = pairs = 0
    for line in lines:
        if line.number in sends:
            continue
        partner = by_number.get(line.partner) if line.partner is not None else None
        if whole and partner is not None and partner.number not in sends:
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
