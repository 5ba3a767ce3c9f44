"""Sends and returns for the lines: free of clashes, few gestures, and as few moves as possible.

In this order, each exactly before the next is looked at:

1. every line gets a send; as many lines as possible that are returned at soundcheck get a return, by priority;
2. a line's return has the number of its send, wherever enough ports are free both ways;
3. stereo partners lie side by side on an odd port and the even one above it;
4. of the patch that stands already as much stays as can;
5. what has to be assigned takes the fewest gestures;
6. among equals the earlier link and the lower port.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from nightreel.advance.choose import choose_lines
from nightreel.advance.gestures import Gesture, Move, gestures_for, gestures_of, moves_between
from nightreel.advance.keep import Kept, keep_most
from nightreel.advance.pack import Atom, Hole, Kind, Packing
from nightreel.advance.search import pack
from nightreel.errors import PlanImpossible
from nightreel.show.model import AtSoundcheck, Line, Port


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """The ports of one link that are there, each way, and those that belong to others."""

    link: str
    sends: int
    returns: int
    sends_in_use: frozenset[int] = frozenset()
    returns_in_use: frozenset[int] = frozenset()

    @property
    def free_sends(self) -> frozenset[int]:
        return frozenset(range(1, self.sends + 1)) - self.sends_in_use

    @property
    def free_returns(self) -> frozenset[int]:
        return frozenset(range(1, self.returns + 1)) - self.returns_in_use


@dataclass(frozen=True, slots=True, kw_only=True)
class Allocation:
    """The patch that was found, and how it compares with the one before.

    cost, bound : cuts beyond the lines' own (see pack.cut_cost) and the least any plan needs; equal when proven
    split_pairs : lower line numbers of pairs that had to lie apart or off the odd-even raster
    without_return : lines returned at soundcheck that found no return
    crossed : lines whose return has another number than their send
    """

    sends: Mapping[int, Port]
    returns: Mapping[int, Port]
    gestures: tuple[Gesture, ...]
    moves: tuple[Move, ...]
    change_gestures: tuple[Gesture, ...]
    cost: int
    bound: int
    split_pairs: tuple[int, ...] = ()
    without_return: tuple[int, ...] = ()
    crossed: tuple[int, ...] = ()

    @property
    def proven(self) -> bool:
        return self.cost == self.bound

    @property
    def moved_lines(self) -> tuple[int, ...]:
        """Lines that had a port and have another one now."""
        return tuple(sorted({m.line for m in self.moves if m.before is not None and m.after is not None}))


@dataclass(slots=True)
class _Work:
    """What is free while the allocation grows."""

    sends: set[Port] = field(default_factory=set)
    returns: set[Port] = field(default_factory=set)
    cost: int = 0
    bound: int = 0

    def count(self, packing: Packing) -> None:
        self.cost += packing.cost
        self.bound += packing.bound


def allocate(lines: Sequence[Line], spaces: Sequence[Space], *, keep: bool = True) -> Allocation:
    """Ports for every line (all of them must fit: see :func:`nightreel.advance.choose.choose_lines`).

    ``keep`` holds on to the patch that the lines have already; without it the patch is made anew. Raises
    PlanImpossible when there are fewer free sends than lines.
    """
    links = [space.link for space in spaces]
    work = _Work(
        sends={Port(link=s.link, number=n) for s in spaces for n in s.free_sends},
        returns={Port(link=s.link, number=n) for s in spaces for n in s.free_returns},
    )
    if len(lines) > len(work.sends):
        raise PlanImpossible(
            f"{len(lines)} lines need a send, {len(work.sends)} are free",
            now="Free some ports, add a link or leave lines out",
        )
    by_number = {line.number: line for line in lines}
    wanting = [line for line in lines if line.soundcheck_use is AtSoundcheck.RETURNED]
    with_return = set(choose_lines(wanting, len(work.returns)).carried)
    both_free = work.sends & work.returns
    aligned = set(choose_lines([x for x in wanting if x.number in with_return], len(both_free)).carried)

    kept = keep_most(lines, with_return, aligned, work.sends, work.returns, keep=keep)
    sends = dict(kept.sends)
    returns = dict(kept.returns)
    sends.update(_place_sends(by_number, aligned, kept, work, links))
    taken = set(sends.values())
    for number in sorted(with_return - set(returns)):
        same = sends[number]
        if number in aligned and same in work.returns and same not in returns.values():
            returns[number] = same
    returns.update(
        _place_returns(by_number, with_return - set(returns), work.returns - set(returns.values()), taken, work, links)
    )

    before_sends = {line.number: line.send for line in lines if line.send is not None}
    before_returns = {line.number: line.return_port for line in lines if line.return_port is not None}
    moves = (
        *moves_between("send", before_sends, sends),
        *moves_between("return", before_returns, returns),
    )
    return Allocation(
        sends=dict(sorted(sends.items())),
        returns=dict(sorted(returns.items())),
        gestures=(*gestures_of("send", sends), *gestures_of("return", returns)),
        moves=moves,
        change_gestures=gestures_for(moves),
        cost=work.cost,
        bound=work.bound,
        split_pairs=_split_pairs(by_number, sends),
        without_return=tuple(sorted(line.number for line in wanting if line.number not in returns)),
        crossed=tuple(n for n, port in sorted(returns.items()) if sends[n] != port),
    )


def _place_sends(
    by_number: Mapping[int, Line], aligned: set[int], kept: Kept, work: _Work, links: Sequence[str]
) -> dict[int, Port]:
    """Ports for every line that kept none."""
    free = work.sends - set(kept.sends.values())
    usable_both = free & (work.returns - set(kept.returns.values()))
    missing = [by_number[n] for n in sorted(by_number) if n not in kept.sends]
    placed: dict[int, Port] = {}
    # A newcomer whose partner stayed goes beside it, where that is possible.
    for line in missing:
        seat = _seat_beside(line, kept.sends)
        if seat in free and (line.number not in aligned or seat in usable_both):
            placed[line.number] = seat
            free.discard(seat)
            usable_both.discard(seat)
    rest = [line for line in missing if line.number not in placed]
    try:
        packing = _pack_lines(rest, aligned, free, usable_both, links)
    except PlanImpossible:
        if not placed:
            raise
        # The seats beside partners were somebody else's only chance: all newcomers are placed anew.
        free |= set(placed.values())
        usable_both = free & (work.returns - set(kept.returns.values()))
        placed = {}
        packing = _pack_lines(missing, aligned, free, usable_both, links)
    work.count(packing)
    placed.update(_ports_of(packing))
    return placed


def _pack_lines(
    lines: Sequence[Line], aligned: set[int], free: set[Port], usable_both: set[Port], links: Sequence[str]
) -> Packing:
    """Pairs that find no place side by side are let go one after the other, the least important first."""
    holes = _holes(free, usable_both, links)
    numbers = {line.number: line for line in lines}
    pairs = sorted(
        (min(line.priority, numbers[line.partner].priority), line.number, line.partner)
        for line in lines
        if line.partner in numbers and line.number < line.partner
    )
    together = {number: partner for _, number, partner in pairs}
    while True:
        try:
            return pack(_atoms(lines, aligned, together), holes)
        except PlanImpossible:
            if not together:
                raise
            together.popitem()  # the last is the least important


def _place_returns(
    by_number: Mapping[int, Line],
    wanted: Iterable[int],
    free: set[Port],
    taken: set[Port],
    work: _Work,
    links: Sequence[str],
) -> dict[int, Port]:
    """Returns of their own for lines whose send number is not free as a return; ports without a send first."""
    lines = [by_number[n] for n in sorted(wanted)]
    if not lines:
        return {}
    alone = {port for port in free if port in taken or port not in work.sends}
    chosen = alone if len(alone) >= len(lines) else free
    packing = _pack_lines(lines, set(by_number), chosen, chosen, links)
    work.count(packing)
    return _ports_of(packing)


def _ports_of(packing: Packing) -> dict[int, Port]:
    return {
        number: Port(link=run.link, number=run.port + k) for run in packing.runs for k, number in enumerate(run.numbers)
    }


def _seat_beside(line: Line, sends: Mapping[int, Port]) -> Port | None:
    partner = sends.get(line.partner) if line.partner is not None else None
    if partner is None or line.partner is None:
        return None
    upper = line.number > line.partner
    if partner.number % 2 != (1 if upper else 0):
        return None
    return Port(link=partner.link, number=partner.number + (1 if upper else -1))


def _atoms(lines: Sequence[Line], aligned: set[int], together: Mapping[int, int]) -> list[Atom]:
    upper = set(together.values())
    atoms = []
    for line in lines:
        if line.number in upper:
            continue
        partner = together.get(line.number)
        atoms.append(
            Atom(
                number=line.number,
                size=1 if partner is None else 2,
                both=line.number in aligned or partner in aligned,
                far=None if partner in (None, line.number + 1) else partner,
            )
        )
    return atoms


def _holes(free: set[Port], usable_both: set[Port], links: Sequence[str]) -> list[Hole]:
    holes: list[Hole] = []
    for link in links:
        start: int | None = None
        previous = 0
        kind = Kind.BOTH
        for number in sorted(port.number for port in free if port.link == link):
            this = Kind.BOTH if Port(link=link, number=number) in usable_both else Kind.ONE
            if start is None or number != previous + 1 or this is not kind:
                if start is not None:
                    holes.append(Hole(link=link, first=start, size=previous - start + 1, kind=kind))
                start, kind = number, this
            previous = number
        if start is not None:
            holes.append(Hole(link=link, first=start, size=previous - start + 1, kind=kind))
    return holes


def _split_pairs(by_number: Mapping[int, Line], sends: Mapping[int, Port]) -> tuple[int, ...]:
    split = []
    for number, line in sorted(by_number.items()):
        if line.partner is None or line.partner < number or line.partner not in sends or number not in sends:
            continue
        left, right = sends[number], sends[line.partner]
        if left.number % 2 != 1 or right != Port(link=left.link, number=left.number + 1):
            split.append(number)
    return tuple(split)
