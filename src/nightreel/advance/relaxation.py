"""A strong lower bound for the search: runs that may be split into fractions, as a linear programme (HiGHS).

Let a share of every possible run be chosen such that the shares lead from the first line to the last, and that no sort
of holes gives out more ports than it has. What that costs at least, no plan can undercut. Of the solution only the
prices of a port are kept: with *any* prices, the cheapest way through the lines less the worth of all free ports is a
lower bound for every state of the search, so that rounding in the solver can make the bound weaker but never wrong.

Source: Lagrangian relaxation of side constraints, M. L. Fisher, Management Science 27 (1), 1981.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

MOST_COLUMNS = 40_000  # beyond that the programme takes longer than it is worth


class Column(NamedTuple):
    """One possible run: from atom to atom, into holes of one sort, with the ports it fills and the cut behind it."""

    start: int
    end: int
    sort: int
    ports: int
    cost: int


class Prices(NamedTuple):
    """A port's price by sort of holes, and the cheapest way to the end from each atom on, ports paid for."""

    ports: tuple[float, ...]
    onward: tuple[float, ...]


def find_prices(columns: Sequence[Column], room: Sequence[int], atoms: int) -> Prices | None:
    """Prices from the programme's dual solution; None without a solution or with too many columns.

    room : ports of each sort of holes
    """
    if not columns or len(columns) > MOST_COLUMNS:
        return None
    import numpy as np
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix

    index = np.arange(len(columns))
    starts = np.array([c.start for c in columns])
    ends = np.array([c.end for c in columns])
    going_on = ends < atoms
    flow = csr_matrix(
        (
            np.concatenate([np.ones(len(columns)), -np.ones(int(going_on.sum()))]),
            (np.concatenate([starts, ends[going_on]]), np.concatenate([index, index[going_on]])),
        ),
        shape=(atoms, len(columns)),
    )
    use = csr_matrix(
        (np.array([float(c.ports) for c in columns]), (np.array([c.sort for c in columns]), index)),
        shape=(len(room), len(columns)),
    )
    first = np.zeros(atoms)
    first[0] = 1.0
    # the stubs do not know of sparse matrices, which the function's manual promises
    solved = linprog(  # type: ignore[call-overload]
        np.array([float(c.cost) for c in columns]),
        A_ub=use,
        b_ub=np.array(room, dtype=np.float64),
        A_eq=flow,
        b_eq=first,
        method="highs",
    )
    if not solved.success:
        return None
    ports = tuple(max(0.0, -float(marginal)) for marginal in solved.ineqlin.marginals)
    return Prices(ports=ports, onward=_onward(columns, ports, atoms))


def _onward(columns: Sequence[Column], ports: Sequence[float], atoms: int) -> tuple[float, ...]:
    """The cheapest way from each atom to the end with the ports' prices; exact for these prices."""
    best = [float("inf")] * atoms + [0.0]
    for column in sorted(columns, key=lambda c: -c.start):
        price = column.cost + ports[column.sort] * column.ports + best[column.end]
        best[column.start] = min(best[column.start], price)
    return tuple(best)
