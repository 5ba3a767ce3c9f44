"""The search for the fewest gestures, held against an exhaustive walk and against SciPy's mixed-integer solver."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix

from nightreel.advance.pack import Atom, Fill, Hole, Kind, Packing, cut_cost
from nightreel.advance.search import _place, _Search, _state, pack
from nightreel.errors import PlanImpossible

NEVER = 10**9


@st.composite
def tasks(draw: st.DrawFn, most_lines: int = 7) -> tuple[list[Atom], list[Hole]]:
    """Small tasks: up to four holes, a few lines with pairs, gaps in the numbering and lines without a return."""
    holes = []
    port = 1
    for _ in range(draw(st.integers(1, 4))):
        port += draw(st.integers(1, 3))
        size = draw(st.integers(1, 5))
        kind = draw(st.sampled_from([Kind.BOTH, Kind.BOTH, Kind.BOTH, Kind.ONE]))
        holes.append(Hole(link="a", first=port, size=size, kind=kind))
        port += size
    room = min(sum(h.size for h in holes), most_lines)
    atoms: list[Atom] = []
    number, lines = 1, 0
    wanted = draw(st.integers(1, room))
    while lines < wanted:
        number += draw(st.sampled_from([0, 0, 0, 0, 0, 1]))
        size = 2 if lines + 2 <= wanted and draw(st.integers(0, 2)) == 0 else 1
        atoms.append(Atom(number=number, size=size, both=draw(st.integers(0, 4)) > 0))
        number += size
        lines += size
    return atoms, holes


def cheapest_by_trying_all(atoms: list[Atom], holes: list[Hole]) -> int:
    """Every way to put the atoms on ports; slow and obvious."""
    ports = [(h.link, n, h.kind, k) for k, h in enumerate(holes) for n in range(h.first, h.first + h.size)]
    best = NEVER

    def walk(k: int, used: frozenset[tuple[int, int]], following: tuple[int, int] | None, cost: int) -> None:
        nonlocal best
        if cost >= best:
            return
        if k == len(atoms):
            best = cost
            return
        atom = atoms[k]
        for _, n, kind, hole in ports:
            if (atom.both and kind is not Kind.BOTH) or (hole, n) in used:
                continue
            places = {(hole, n)}
            if atom.size == 2:
                if n % 2 == 0 or n + 1 >= holes[hole].first + holes[hole].size or (hole, n + 1) in used:
                    continue
                places.add((hole, n + 1))
            joined = k > 0 and following == (hole, n) and atom.number == atoms[k - 1].number + atoms[k - 1].size
            extra = 0 if k == 0 or joined else cut_cost(atoms[k - 1], atom)
            walk(k + 1, used | places, (hole, n + atom.size), cost + extra)

    walk(0, frozenset(), None, 0)
    return best


def require_valid(packing: Packing, atoms: list[Atom], holes: list[Hole]) -> None:
    """No clash, only free ports, pairs odd and even, both ways where needed; the cost is what it says."""
    where: dict[int, tuple[str, int]] = {}
    for run in packing.runs:
        for step in range(run.lines):
            where[run.line + step] = (run.link, run.port + step)
    assert len(set(where.values())) == len(where) == sum(a.size for a in atoms)
    kinds = {(h.link, n): h.kind for h in holes for n in range(h.first, h.first + h.size)}
    cost = 0
    for k, atom in enumerate(atoms):
        link, port = where[atom.number]
        for step in range(atom.size):
            assert where[atom.number + step] == (link, port + step)
            assert kinds[link, port + step] is Kind.BOTH or not atom.both
        assert atom.size == 1 or port % 2 == 1
        if k:
            before = atoms[k - 1]
            joined = where[before.number] == (link, port - before.size)
            cost += 0 if joined else cut_cost(before, atom)
    assert cost <= packing.cost


@settings(max_examples=300, deadline=None)
@given(tasks())
def test_no_plan_is_cheaper_than_the_search_says(task: tuple[list[Atom], list[Hole]]) -> None:
    atoms, holes = task
    best = cheapest_by_trying_all(atoms, holes)
    if best == NEVER:
        with pytest.raises(PlanImpossible):
            pack(atoms, holes)
        return
    found = pack(atoms, holes)
    require_valid(found, atoms, holes)
    assert found.cost == best
    assert found.proven


@settings(max_examples=120, deadline=None)
@given(tasks())
def test_the_relaxed_problem_never_promises_more_than_is_true(task: tuple[list[Atom], list[Hole]]) -> None:
    atoms, holes = task
    search = _Search(tuple(atoms), tuple(holes))
    start = _state([_place(hole) for hole in holes])
    plain = search.least(0, start)
    search.learn_prices()
    sharp = search.least(0, start)
    best = cheapest_by_trying_all(atoms, holes)
    if best < NEVER:
        assert plain is not None
        assert sharp is not None
        assert plain <= sharp <= best


def test_holes_of_two_that_begin_even_hold_lines_but_no_pair() -> None:
    """Holes of two ports that begin even: five lines need three of them, and no pair fits into any."""
    holes = [Hole(link="a", first=n, size=2) for n in (2, 6, 10, 14)]
    atoms = [Atom(number=1), Atom(number=2), Atom(number=3), Atom(number=4), Atom(number=5)]
    search = _Search(tuple(atoms), tuple(holes))
    start = _state([_place(hole) for hole in holes])
    assert search.least(0, start) == 4  # three holes, two cuts, two gestures each
    pairs = [Atom(number=1), Atom(number=2, size=2), Atom(number=4)]
    with pytest.raises(PlanImpossible):
        pack(pairs, holes)  # a hole of two that begins even has no place for a pair
    assert pack(atoms, holes).proven


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, 1),
    st.lists(st.tuples(st.integers(1, 4), st.sampled_from([True, False, None])), max_size=5),
)
def test_a_fill_needs_as_many_ports_as_its_best_order(start: int, runs: list[tuple[int, bool | None]]) -> None:
    def shortest(position: int, waiting: tuple[tuple[int, bool | None], ...]) -> int:
        if not waiting:
            return 0
        best = NEVER
        for k, (length, begins_odd) in enumerate(waiting):
            skip = int(begins_odd is not None and begins_odd != (position % 2 == 1))
            rest = waiting[:k] + waiting[k + 1 :]
            best = min(best, skip + length + shortest(position + skip + length, rest))
        return best

    fill = Fill()
    for length, begins_odd in runs:
        fill = fill.plus(length, begins_odd)
    assert fill.used(start % 2 == 1) == shortest(start, tuple(runs))


def cheapest_by_milp(atoms: list[Atom], holes: list[Hole]) -> int:
    """HiGHS: x says that an atom begins on a port, y that it does so right behind the atom before it."""
    ports = [(k, n) for k, h in enumerate(holes) for n in range(h.first, h.first + h.size)]
    at = {port: index for index, port in enumerate(ports)}
    count, width = len(atoms), len(ports)
    y = count * width
    cost = np.zeros(2 * y)
    upper = np.ones(2 * y)
    rows: list[tuple[dict[int, float], float, float]] = []
    covers: list[dict[int, float]] = [{} for _ in ports]
    whole = 0
    for k, atom in enumerate(atoms):
        rows.append(({k * width + p: 1.0 for p in range(width)}, 1.0, 1.0))
        joined = k > 0 and atom.number == atoms[k - 1].number + atoms[k - 1].size
        price = cut_cost(atoms[k - 1], atom) if joined else 0
        whole += price
        for (hole, n), p in at.items():
            begins, follows = k * width + p, y + k * width + p
            second = at.get((hole, n + 1))
            if (atom.both and holes[hole].kind is not Kind.BOTH) or (atom.size == 2 and (n % 2 == 0 or second is None)):
                upper[begins] = 0
            covers[p][begins] = 1.0
            if atom.size == 2 and second is not None:
                covers[second][begins] = 1.0
            before = at.get((hole, n - atoms[k - 1].size)) if joined else None
            if before is None:
                upper[follows] = 0
                continue
            cost[follows] = -price  # a join saves the cut
            rows.append(({follows: 1.0, begins: -1.0}, -np.inf, 0.0))
            rows.append(({follows: 1.0, (k - 1) * width + before: -1.0}, -np.inf, 0.0))
    rows.extend((row, -np.inf, 1.0) for row in covers)
    data: list[float] = []
    columns: list[int] = []
    pointers = [0]
    for row, _, _ in rows:
        columns.extend(row)
        data.extend(row.values())
        pointers.append(len(columns))
    matrix = csr_matrix((data, columns, pointers), shape=(len(rows), len(cost)))
    result = milp(
        cost,
        constraints=LinearConstraint(matrix, [r[1] for r in rows], [r[2] for r in rows]),
        integrality=np.ones(len(cost)),
        bounds=Bounds(0, upper),
    )
    assert result.success, result.message
    return whole + round(result.fun)


@pytest.mark.parametrize("seed", range(4))
def test_larger_tasks_agree_with_highs(seed: int) -> None:
    rng = random.Random(seed)
    holes, port = [], 1
    for _ in range(5):
        port += rng.randint(1, 4)
        holes.append(Hole(link="a", first=port, size=rng.randint(4, 14)))
        port += holes[-1].size
    atoms: list[Atom] = []
    number, lines = 1, 0
    wanted = sum(h.size for h in holes) - 8
    while lines < wanted:
        number += rng.random() < 0.06
        size = 2 if rng.random() < 0.2 and lines + 2 <= wanted else 1
        atoms.append(Atom(number=number, size=size, both=rng.random() < 0.9))
        number += size
        lines += size
    found = pack(atoms, holes, work_limit=10**7)
    require_valid(found, atoms, holes)
    assert found.proven
    assert found.cost == cheapest_by_milp(atoms, holes)


def test_a_search_that_gives_up_says_so_and_still_fits() -> None:
    rng = random.Random(5)
    holes, port = [], 1
    while len(holes) < 40:
        port += rng.randint(1, 3)
        holes.append(Hole(link="a", first=port, size=rng.randint(1, 5)))
        port += holes[-1].size
    atoms = [Atom(number=n, size=1, both=n % 7 != 0) for n in range(1, 61)]
    found = pack(atoms, holes, work_limit=300)
    require_valid(found, atoms, holes)
    assert found.bound <= found.cost
