"""How long a whole plan takes: 128 lines over 4 links with 200 ports in use, a 500-line festival, and how it grows."""

from __future__ import annotations

import random
import time

from nightreel.advance.plan import Plan
from nightreel.advance.planning import make_plan
from nightreel.advance.wishes import Wishes
from nightreel.show.model import Capacity, Line, Link, LinkKind, Medium, Role, Show

GOALS_S = {"128 lines, 4 links, 200 ports in use": 1.0, "500-line festival, 4 stages": 10.0}
REPEATS = 3


def lines_of(count: int, rng: random.Random) -> tuple[Line, ...]:
    """A fifth of them in stereo pairs, some numbers skipped, some lines that are not returned."""
    lines: list[Line] = []
    number = 1
    while len(lines) < count:
        number += rng.random() < 0.02
        role = rng.choice([Role.MIC] * 12 + [Role.DIRECT, Role.TALKBACK, Role.CLICK])
        priority = rng.randint(1, 9)
        if rng.random() < 0.1 and len(lines) + 2 <= count:
            lines.append(Line(number=number, name="Pair L", role=role, partner=number + 1, priority=priority))
            lines.append(Line(number=number + 1, name="Pair R", role=role, partner=number, priority=priority))
            number += 2
        else:
            lines.append(Line(number=number, name="Line", role=role, priority=priority))
            number += 1
    return tuple(lines)


def show_of(count: int, links: int, in_use: int, channels: int, *, scattered: bool, seed: int = 1) -> Show:
    rng = random.Random(seed)
    share = in_use // links
    made = []
    for k in range(links):
        used = frozenset(rng.sample(range(1, channels + 1), share)) if scattered else frozenset(range(1, share + 1))
        made.append(
            Link(
                name=f"link {k + 1}",
                kind=LinkKind.AES67,
                capacity={48_000: Capacity(sends=channels, returns=channels)},
                sends_in_use=used,
                returns_in_use=used,
            )
        )
    return Show(
        name="bench",
        lines=lines_of(count, rng),
        links=tuple(made),
        media=(Medium(name="A", path="a", size_bytes=10**12),),
        expected_length_s=7200.0,
    )


def timed(show: Show) -> tuple[float, Plan]:
    """The best of a few runs, and the plan."""
    best = float("inf")
    for _ in range(REPEATS):
        start = time.perf_counter()
        plan = make_plan(show, Wishes())
        best = min(best, time.perf_counter() - start)
    return best, plan


def run() -> None:
    """Print the table; a goal that was missed is said."""
    cases = [
        ("32 lines, 1 link", show_of(32, 1, 64, 128, scattered=False)),
        ("64 lines, 2 links", show_of(64, 2, 100, 128, scattered=False)),
        ("128 lines, 4 links, 200 ports in use", show_of(128, 4, 200, 128, scattered=False)),
        ("the same, ports in use scattered at random", show_of(128, 4, 200, 128, scattered=True)),
        ("the same, links just large enough", show_of(128, 4, 200, 82, scattered=False)),
        ("256 lines, 4 links", show_of(256, 4, 200, 128, scattered=False)),
        ("500-line festival, 4 stages", show_of(500, 4, 200, 256, scattered=False)),
        ("the same, ports in use scattered at random", show_of(500, 4, 200, 256, scattered=True)),
    ]
    print(f"{'case':<46} {'seconds':>8} {'goal':>6} {'gestures':>9}  proven")
    for name, show in cases:
        seconds, plan = timed(show)
        goal = GOALS_S.get(name)
        missed = "  MISSED" if goal is not None and seconds > goal else ""
        allocation = plan.allocation
        proof = "yes" if allocation.proven else f"no: at most {allocation.cost - allocation.bound} too many"
        shown = "" if goal is None else f"{goal:g} s"
        print(f"{name:<46} {seconds:>8.3f} {shown:>6} {len(plan.gestures):>9}  {proof}{missed}")
