"""Plants faults in shows, reviews them, and counts hits by fault and false alarms by line and hour."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from bench.faults.plant import FAULTS, Planted
from bench.faults.shows import BenchShow, make_show
from nightreel.review.engine import review_take
from nightreel.review.model import Finding

FAULTS_A_SHOW = 5


@dataclass(slots=True)
class Tally:
    """What came of some shows."""

    planted: Counter[str] = field(default_factory=Counter)
    hit: Counter[str] = field(default_factory=Counter)
    false_alarms: Counter[str] = field(default_factory=Counter)
    line_hours: float = 0.0
    missed: list[tuple[int, Planted]] = field(default_factory=list)
    wrong: list[tuple[int, Finding]] = field(default_factory=list)


def planted_show(seed: int, only: str = "") -> tuple[BenchShow, list[Planted]]:
    """A show with faults that do not touch the same lines. Over some seven neighbouring seeds every fault has its
    turn."""
    rng = np.random.default_rng([seed, 99])
    show = make_show(seed)
    names = list(FAULTS)
    turn = [names[(seed * FAULTS_A_SHOW + k) % len(names)] for k in range(FAULTS_A_SHOW)]
    free = [line.name for line in show.lines]
    planted = []
    for name in [only] if only else turn:
        done = FAULTS[name](show, rng, free)
        if done is None:
            continue
        planted.append(done)
        taken = set(done.names)
        partners = {line.partner for line in show.lines if line.name in taken}
        free = [f for f in free if f not in taken | partners]
    return show, planted


def judge(seed: int, show: BenchShow, planted: list[Planted], findings: Iterable[Finding], tally: Tally) -> None:
    """Every planted fault is a hit or a miss; every finding that belongs to none is a false alarm.

    A finding of another kind on the very lines of a planted fault is no false alarm: it has a cause there.
    """
    findings = list(findings)
    touched = {n for p in planted for n in p.lines}
    for fault in planted:
        tally.planted[fault.fault] += 1
        if any(f.kind in fault.kinds and (not fault.lines or set(f.lines) & set(fault.lines)) for f in findings):
            tally.hit[fault.fault] += 1
        else:
            tally.missed.append((seed, fault))
    whole = frozenset().union(*(p.kinds for p in planted if not p.lines)) if planted else frozenset()
    for finding in findings:
        if finding.kind in whole or set(finding.lines) & touched:
            continue
        tally.false_alarms[finding.kind] += 1
        tally.wrong.append((seed, finding))
    tally.line_hours += len(show.lines) * show.seconds / 3600


def run_shows(seeds: Iterable[int], *, only: str = "", say: bool = False) -> Tally:
    tally = Tally()
    for seed in seeds:
        show, planted = planted_show(seed, only)
        review, _ = review_take(show.take())
        before = len(tally.missed), len(tally.wrong)
        judge(seed, show, planted, review.findings, tally)
        if say:
            for _, fault in tally.missed[before[0] :]:
                print(f"  show {seed}: missed {fault.fault} {fault.size:.1f} {fault.unit} on {fault.names}", flush=True)
            for _, finding in tally.wrong[before[1] :]:
                print(f"  show {seed}: false {finding.kind} {finding.lines} {finding.what} "
                      f"{[(e.name, round(e.value, 3)) for e in finding.evidence]}", flush=True)  # fmt: skip
    return tally


def table(tally: Tally) -> str:
    rows = [f"{'fault':<24}{'planted':>8}{'found':>8}"]
    for fault in sorted(tally.planted):
        rows.append(f"{fault:<24}{tally.planted[fault]:>8}{tally.hit[fault]:>8}")
    total, hit = sum(tally.planted.values()), sum(tally.hit.values())
    rows.append(f"{'all':<24}{total:>8}{hit:>8}  {hit / max(total, 1):.1%}")
    false = sum(tally.false_alarms.values())
    rows.append(f"false alarms: {false} in {tally.line_hours:.1f} line-hours = {false / tally.line_hours:.2f} an hour")
    rows.extend(f"  {kind}: {count}" for kind, count in tally.false_alarms.most_common())
    return "\n".join(rows)
