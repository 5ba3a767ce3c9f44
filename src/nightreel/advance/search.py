"""The fewest cuts: an exact search for runs of lines in holes of free ports.

The lines are walked in order; each step ends a run somewhere and puts it into a hole. Holes that are alike (kind, size,
odd or even start, what lies in them) count as one, so a state is a small multiset. Three things make the answer exact:

- a lower bound on what is still to come (cuts that stereo parity forces, cuts that the sizes of the holes force and,
  where these do not settle it at once, the relaxed problem of :mod:`nightreel.advance.relaxation`);
- a depth-first search with a budget that begins at the bound and rises by one: the first plan found is the best;
- a memory of what was tried and failed.

Each budget may do ``work_limit`` of work (sorts of holes looked at). Where that is not enough, a beam search gives a
good plan, and the result holds the bound that was proven, so that the sheet can say 'no plan needs more than 2 fewer'
and not 'no plan needs fewer'.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from typing import NamedTuple

from nightreel.advance.pack import Atom, Fill, Hole, Kind, Packing, Run, arrange, cells_of, cut_cost
from nightreel.advance.relaxation import Column, find_prices
from nightreel.errors import PlanImpossible

WORK_LIMIT = 60_000
BEAM = 2
LINES_AT_WORK_LIMIT = 128
ROUNDING = 1e-6  # costs are whole numbers: a bound this close to one counts as it
_NEVER = 10**9


class Place(NamedTuple):
    """Holes alike: what distinguishes one hole from another for the rest of the search.

    owes : its last run ended although it could have gone on for no more cost. That can only be worth while if the room
        it left is used by a later run; otherwise the longer run is as good, and is tried as well.
    """

    both: bool
    size: int
    starts_odd: bool
    cells: int
    fill: Fill
    owes: bool = False


State = tuple[tuple[Place, int], ...]  # (place, how many), sorted


class Step(NamedTuple):
    """A run of the atoms from ``start`` to ``end`` (exclusive) into a hole that looked like ``place``."""

    start: int
    end: int
    place: Place
    after: Place


def pack(atoms: Sequence[Atom], holes: Sequence[Hole], *, work_limit: int = WORK_LIMIT, beam: int = BEAM) -> Packing:
    """The packing with the least cost (:func:`~nightreel.advance.pack.cut_cost`); earlier holes first among equals.

    Raises PlanImpossible when the atoms do not fit at all.
    """
    if not atoms:
        return Packing(runs=(), cost=0, bound=0)
    search = _Search(tuple(atoms), tuple(holes))
    start = _state([_place(hole) for hole in holes])
    least = search.least(0, start)
    if least is None:
        raise PlanImpossible(
            f"{sum(a.size for a in atoms)} lines do not fit into {sum(h.size for h in holes)} free ports",
            now="Free some ports, add a link or leave lines out",
        )
    worst = sum(search.cut)
    # A step costs more the more lines there are: short lists may try more of them in the same time.
    work_limit = work_limit * LINES_AT_WORK_LIMIT // max(LINES_AT_WORK_LIMIT // 4, len(atoms))
    quick = search.within(start, least, work_limit // 4)
    if quick:
        return search.packing(quick, bound=least)
    if quick is not None:
        least += 1
    simple = _one_by_one(search.atoms, search.holes)  # raises where the pairs do not fit at all
    search.learn_prices()
    least = max(least, search.least(0, start) or 0)
    spent = 0
    for budget in range(least, worst + 1):
        outcome = search.within(start, budget, work_limit)
        if outcome:
            return search.packing(outcome, bound=search.cost(outcome))
        if outcome is None:
            break
        least = budget + 1
        spent += search.work
        if spent > 2 * work_limit:
            break
    steps = search.beam(start, beam) or search.beam(start, 8 * beam)
    if steps is None:
        return Packing(runs=simple, cost=worst, bound=least)
    while search.cost(steps) > least and (better := search.within(start, search.cost(steps) - 1, work_limit)):
        steps = better
    if search.cost(steps) > least and better == []:  # nothing is cheaper: this plan is the best
        least = search.cost(steps)
    return search.packing(steps, bound=least)


def _place(hole: Hole) -> Place:
    return Place(hole.kind is Kind.BOTH, hole.size, hole.first % 2 == 1, cells_of(hole), Fill())


def _state(places: Sequence[Place]) -> State:
    counts: dict[Place, int] = {}
    for place in places:
        counts[place] = counts.get(place, 0) + 1
    return tuple(sorted(counts.items()))


def _sort_of(place: Place) -> tuple[bool, int, bool]:
    return place.both, place.size, place.starts_odd


def _moved(state: State, before: Place, after: Place) -> State:
    counts = dict(state)
    counts[before] -= 1
    if not counts[before]:
        del counts[before]
    counts[after] = counts.get(after, 0) + 1
    return tuple(sorted(counts.items()))


class _Search:
    """The lines of one search and what is known about them beforehand."""

    def __init__(self, atoms: tuple[Atom, ...], holes: tuple[Hole, ...]) -> None:
        self.atoms = atoms
        self.holes = holes
        self.work_limit = 0
        self.work = 0
        self.prices: dict[tuple[bool, int, bool], float] = {}  # of a port, by sort of hole
        self.onward: tuple[float, ...] = ()
        self.failed: dict[tuple[int, State], int] = {}
        count = len(atoms)
        self.cut = [0] + [cut_cost(atoms[k - 1], atoms[k]) for k in range(1, count)] + [0]
        self.joined = [False] + [atoms[k].number == atoms[k - 1].next_number for k in range(1, count)]
        # Sums over the atoms from k on.
        self.lines_left = [0] * (count + 1)
        self.both_left = [0] * (count + 1)
        self.pairs_left = [0] * (count + 1)
        self.breaks_left = [0] * (count + 1)  # runs that begin for nothing, after the one that begins at k
        self.cheap_left = [0] * (count + 1)  # places after k where a cut costs one gesture and not two
        for k in range(count - 1, -1, -1):
            last = k + 1 == count
            self.lines_left[k] = self.lines_left[k + 1] + atoms[k].size
            self.both_left[k] = self.both_left[k + 1] + (atoms[k].size if atoms[k].both else 0)
            self.pairs_left[k] = self.pairs_left[k + 1] + (atoms[k].size == 2)
            self.breaks_left[k] = self.breaks_left[k + 1] + (not last and not self.joined[k + 1])
            self.cheap_left[k] = self.cheap_left[k + 1] + (not last and self.cut[k + 1] == 1)
        self.parity_cost = self._parity_costs()

    def cost(self, steps: Sequence[Step]) -> int:
        return sum(self.cut[step.end] for step in steps)

    def learn_prices(self) -> None:
        """Sharpen :meth:`least` by what the relaxed problem says a port of each sort is worth."""
        rooms: dict[Place, int] = {}
        for hole in self.holes:
            rooms[_place(hole)] = rooms.get(_place(hole), 0) + hole.size
        sorts = list(rooms)
        columns = [
            Column(step.start, step.end, sort, step.after.fill.length, self.cut[step.end])
            for sort, place in enumerate(sorts)
            for at in range(len(self.atoms))
            for step in self._extents(at, place)
        ]
        prices = find_prices(columns, list(rooms.values()), len(self.atoms))
        if prices is not None:
            self.prices = {_sort_of(place): price for place, price in zip(sorts, prices.ports, strict=True)}
            self.onward = prices.onward

    def within(self, start: State, budget: int, work_limit: int) -> list[Step] | None:
        """A plan of at most this cost; an empty one when there is none, None when the limit ended the search."""
        self.work, self.work_limit = 0, work_limit
        self.failed.clear()
        steps: list[Step] = []
        found = self._descend(0, start, budget, steps)
        return None if found is None else steps if found else []

    def _descend(self, at: int, state: State, budget: int, steps: list[Step]) -> bool | None:
        if at == len(self.atoms):
            return True
        key = (at, state)
        if self.failed.get(key, -1) >= budget:
            return False
        for step in self._steps(at, state):
            self.work += len(state)  # what a step costs to look at
            if self.work > self.work_limit:
                return None
            left = budget - self.cut[step.end]
            if left < 0:
                continue
            after = _moved(state, step.place, step.after)
            least = self.least(step.end, after)
            if least is None or least > left:
                continue
            steps.append(step)
            found = self._descend(step.end, after, left, steps)
            if found or found is None:
                return found
            steps.pop()
        self.failed[key] = budget
        return False

    def beam(self, start: State, width: int) -> list[Step] | None:
        """A good plan: at each line only the ``width`` most promising states go on. None where all paths end."""
        count = len(self.atoms)
        waiting: list[dict[State, tuple[int, list[Step]]]] = [{} for _ in range(count + 1)]
        waiting[0][start] = (0, [])
        for at in range(count):
            ranked = []
            cheap = sorted(waiting[at].items(), key=lambda item: item[1][0])[: 8 * width]
            for state, (cost, steps) in cheap:
                least = self.least(at, state)
                if least is not None:
                    ranked.append((cost + least, cost, state, steps))
            ranked.sort(key=lambda item: item[:3])
            for _, cost, state, steps in ranked[:width]:
                for step in self._steps(at, state)[: 16 * width]:
                    after = _moved(state, step.place, step.after)
                    spent = cost + self.cut[step.end]
                    known = waiting[step.end].get(after)
                    if known is None or spent < known[0]:
                        waiting[step.end][after] = (spent, [*steps, step])
            waiting[at].clear()
        finished = min(waiting[count].values(), key=lambda item: item[0], default=None)
        return finished[1] if finished else None

    def _steps(self, at: int, state: State) -> list[Step]:
        """Every run that can begin here: the longest first, among equals the one that leaves the least room."""
        found = []
        for place, _ in state:
            if place.fill.length < place.size:
                found.extend(self._extents(at, place))
        found.sort(key=lambda s: (-s.end, s.place.size - s.after.fill.used(s.place.starts_odd)))
        return found

    def _extents(self, at: int, place: Place) -> list[Step]:
        found = []
        length = 0
        begins_odd: bool | None = None
        for k in range(at, len(self.atoms)):
            atom = self.atoms[k]
            if (k > at and not self.joined[k]) or (atom.both and not place.both):
                break
            if atom.size == 2:
                needed = length % 2 == 0  # the pair's first line has to land on an odd port
                if begins_odd is not None and begins_odd != needed:
                    break
                begins_odd = needed
            length += atom.size
            filled = place.fill.plus(length, begins_odd)
            if filled.used(place.starts_odd) > place.size:
                break
            found.append(Step(at, k + 1, place, place._replace(fill=filled, owes=False)))
        cheapest_later = _NEVER
        for index in range(len(found) - 1, -1, -1):
            step = found[index]
            cost = self.cut[step.end]
            if cheapest_later <= cost:
                found[index] = step._replace(after=step.after._replace(owes=True))
            cheapest_later = min(cheapest_later, cost)
        return found

    def least(self, at: int, state: State) -> int | None:
        """What the lines from ``at`` on cost at least when a new run starts there; None when they cannot fit."""
        rooms = []
        room_all = room_both = cells = owing = 0
        left = self.lines_left[at]
        for place, count in state:
            room = place.size - place.fill.length
            if room <= 0:
                continue
            if place.owes:  # each of these takes one of the runs to come
                owing += count
                left -= room * count
            else:
                rooms.append((room, count))
            room_all += room * count
            room_both += room * count if place.both else 0
            # A pair needs a whole odd-even cell: as many as there were, less what is certainly gone.
            cells += min(place.cells, room // 2) * count
        if at == len(self.atoms):
            return None if owing else 0
        if room_all < self.lines_left[at] or room_both < self.both_left[at] or cells < self.pairs_left[at]:
            return None
        if owing > len(self.atoms) - at:
            return None
        rooms.sort(reverse=True)
        runs = owing
        for room, count in rooms:
            if left <= 0:
                break
            needed = min(count, -(-left // room))
            runs += needed
            left -= needed * room
        cuts = max(0, runs - 1 - self.breaks_left[at])
        least = max(self.parity_cost[at], 2 * cuts - min(cuts, self.cheap_left[at]))
        if self.onward:
            worth = sum(self.prices[_sort_of(p)] * (p.size - p.fill.length) * count for p, count in state)
            if self.onward[at] == float("inf"):
                return None
            least = max(least, ceil(self.onward[at] - worth - ROUNDING))
        return least

    def _parity_costs(self) -> list[int]:
        """Least cost of the cuts that pairs force, were there room everywhere, by the atom a new run starts at."""
        count = len(self.atoms)
        # by the run's shift (port less line) modulo 2 where a pair has fixed it, else None
        table: list[dict[int | None, int]] = [{} for _ in range(count + 1)]
        table[count] = {None: 0, 0: 0, 1: 0}
        for k in range(count - 1, -1, -1):
            atom = self.atoms[k]
            wanted = (1 - atom.number) % 2 if atom.size == 2 else None
            for shift in (None, 0, 1):
                if wanted is None or shift is None or shift == wanted:
                    cutting = self.cut[k + 1] + table[k + 1][None]
                    onward = table[k + 1][shift if wanted is None else wanted]
                    stays = k + 1 < count and self.joined[k + 1]
                    table[k][shift] = min(cutting, onward) if stays else cutting
                else:
                    table[k][shift] = _NEVER
        return [table[k][None] for k in range(count + 1)]

    def packing(self, steps: Sequence[Step], *, bound: int) -> Packing:
        """The steps on real ports: of holes alike the earliest is taken."""
        holes = [(_place(hole), hole) for hole in self.holes]
        content: list[list[tuple[int, int, bool | None, int | None]]] = [[] for _ in holes]
        for step in steps:
            index = next(k for k, (place, _) in enumerate(holes) if place == step.place)
            holes[index] = (step.after, holes[index][1])
            length = 0
            begins_odd: bool | None = None
            for atom in self.atoms[step.start : step.end]:
                begins_odd = length % 2 == 0 if atom.size == 2 else begins_odd
                length += atom.size
            far = self.atoms[step.end - 1].far
            content[index].append((self.atoms[step.start].number, length, begins_odd, far))
        runs = [run for (_, hole), waiting in zip(holes, content, strict=True) for run in arrange(hole, waiting)]
        return Packing(runs=tuple(sorted(runs, key=lambda r: r.line)), cost=self.cost(steps), bound=bound)


def _one_by_one(atoms: Sequence[Atom], holes: Sequence[Hole]) -> tuple[Run, ...]:
    """Pairs first into whole cells, then single lines into what is left: the last resort, and the test whether all fit.

    Raises PlanImpossible exactly when there is no plan: a pair takes a whole cell wherever it lies, and what can do
    with one way takes ports that serve both only when no others are left.
    """
    open_ports = {(hole.kind, hole.link, n): None for hole in holes for n in range(hole.first, hole.first + hole.size)}
    runs: list[Run] = []
    for atom in sorted(atoms, key=lambda a: (-a.size, not a.both, a.number)):
        # What needs one way only leaves the ports that serve both to the others.
        for kind, link, n in sorted(open_ports, key=lambda p: (not atom.both) and p[0] is Kind.BOTH):
            if atom.both and kind is not Kind.BOTH:
                continue
            if atom.size == 2 and (n % 2 == 0 or (kind, link, n + 1) not in open_ports):
                continue
            for step in range(atom.size):
                del open_ports[kind, link, n + step]
            runs.append(Run(line=atom.number, lines=atom.size, link=link, port=n, far=atom.far))
            break
        else:
            raise PlanImpossible(
                f"line {atom.number} finds no free port" + (" beside its partner's" if atom.size == 2 else ""),
                now="Free some ports, add a link, or leave lines out",
            )
    return tuple(sorted(runs, key=lambda r: r.line))
