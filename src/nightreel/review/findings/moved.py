"""What changed for good in the middle of the take: a gain that was turned, or samples that one line lost.

Both show in the transfer between lines that share sound (:mod:`nightreel.review.paths`): a gain as the same number of
decibels at all frequencies, lost samples as a delay that is another one from there on. Several lines have to agree.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.family import Family, Kind
from nightreel.review.material import Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.review.paths import Path, follow
from nightreel.timeline import Span
from nightreel.units import format_time

LEAST_DB = 3.8
SPREAD_DB = 1.5
AGREE_DB = 1.5
LEAST_SLIP = 4
GAIN_BINS = 40  # of 2049 that both lines share before and after
CERTAIN = 3  # lines that agree without further witness
LIKE, STILL = 0.85, 0.5
SHARED_BINS = 60  # of 2049: lines that share less sound say nothing about delay


def find(material: Material) -> Iterable[Finding]:
    votes: dict[int, _Vote] = {}
    for line, mine in follow(material):
        found = _gain_step(material, mine)
        if found is not None:
            yield from _gain(material, line, mine, found)
        vote = _slip(mine)
        if vote is not None:
            votes[line] = vote
    yield from _slips(material, votes)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Vote:
    """A slip as one line sees it: frames, the span in which it happened, the lines that agree, and how alike."""

    slip: int
    span: Span
    references: tuple[int, ...]
    like: float


def _gain(
    material: Material, line: int, mine: tuple[Path, ...], found: tuple[float, int, int, int]
) -> Iterable[Finding]:
    change, split, agreeing, valid = found
    starts = mine[0].starts
    first, end = int(starts[split - 1]), int(starts[split])
    measured = material.lines[line]
    up = "up" if change > 0 else "down"
    yield Finding(
        kind="gain-moved",
        severity=Severity.FIX,
        lines=(line,),
        spans=(Span(first_frame=first, frames=max(1, end - first)),),
        confidence=0.85 if agreeing >= 2 else 0.7,
        evidence=(
            Evidence(name="change", value=change, unit="dB"),
            Evidence(name="lines that agree", value=agreeing),
            Evidence(name="lines it was held against", value=valid),
        ),
        what=f"{measured.label}: its gain was turned {up} by {abs(change):.1f} dB between "
        f"{format_time(first / material.rate_hz)} and {format_time(end / material.rate_hz)}.",
        remedy=f"For the mix, bring what follows {'down' if change > 0 else 'up'} by {abs(change):.1f} dB. For "
        f"tonight's "
        "soundcheck note which of the two gains is the right one: levels before and after do not compare.",
    )


def _gain_step(material: Material, mine: tuple[Path, ...]) -> tuple[float, int, int, int] | None:
    """(dB, split, lines that agree, lines that could be asked)."""
    count = len(mine[0].starts)
    best: tuple[float, float, int, int, int] | None = None
    for split in range(3, count - 2):
        changes = [p.change_db(split) for p in mine]
        told = [(c, s) for c, s, bins in changes if s < SPREAD_DB and bins >= GAIN_BINS]
        if not told:
            continue
        middle = float(np.median([c for c, _ in told]))
        agreeing = sum(abs(c - middle) < AGREE_DB for c, _ in told)
        if abs(middle) < LEAST_DB or agreeing < max(1, -(-len(told) * 3 // 4)):
            continue
        spread = float(np.mean([s for _, s in told]))
        score = abs(middle) - 2 * spread
        if best is None or score > best[0]:
            best = (score, middle, split, agreeing, len(told))
    if best is None:
        return None
    _, change, split, agreeing, valid = best
    own = _own_change(material, mine[0].line, mine[0].starts, split)
    if agreeing >= CERTAIN:
        return (change, split, agreeing, valid) if abs(own - change) < 5.0 else None
    # Few witnesses: the line's own level has to say the same, and the other line's must not have moved.
    other = _own_change(material, mine[0].reference, mine[0].starts, split)
    if abs(own - change) < 1.5 and abs(other) < 1.5:
        return change, split, agreeing, valid
    return None


def _own_change(material: Material, line: int, starts: NDArray[np.int64], split: int) -> float:
    """Change of the line's own level in use, in dB."""
    history = material.lines[line].levels.history_rms_db
    use = material.active(line)
    at = int((starts[split - 1] + starts[split]) // 2 // material.history_frames)
    before, after = history[:at][use[:at]], history[at:][use[at:]]
    if len(before) < 10 or len(after) < 10:
        return 0.0
    return float(np.quantile(after, 0.75) - np.quantile(before, 0.75))


def _slips(material: Material, votes: dict[int, _Vote]) -> Iterable[Finding]:
    told: set[int] = set()
    # the line that most others agree on first: its counterparts see the same slip with the other sign
    for line in sorted(votes, key=lambda n: -len(votes[n].references)):
        vote = votes[line]
        if told & set(vote.references):
            continue
        told.add(line)
        slip, agreeing, like = vote.slip, len(vote.references), vote.like
        first, end = vote.span.first_frame, vote.span.end_frame
        measured = material.lines[line]
        how = "lost" if slip < 0 else "gained"
        yield Finding(
            kind="slipped",
            severity=Severity.FIX,
            lines=(line,),
            spans=(vote.span,),
            confidence=0.9,
            evidence=(
                Evidence(name="slip", value=slip, unit="frames"),
                Evidence(name="slip", value=slip / material.rate_hz * 1000, unit="ms"),
                Evidence(name="lines that agree", value=agreeing),
                Evidence(name="likeness", value=like),
            ),
            what=f"{measured.label} {how} {abs(slip)} samples ({abs(slip) / material.rate_hz * 1000:.1f} ms) "
            f"against the "
            f"others between {format_time(first / material.rate_hz)} and {format_time(end / material.rate_hz)}.",
            remedy=f"Shift this track by {abs(slip)} samples {'later' if slip < 0 else 'earlier'} from there on. "
            f"Look at the "
            "link and the clock of that input: one channel alone should never lose samples.",
        )


def _slip(mine: tuple[Path, ...]) -> _Vote | None:
    """What most of the lines that share sound with this one agree on; at least two of them."""
    starts = mine[0].starts
    middle_split = len(starts) // 2
    shared = [p for p in mine if p.change_db(middle_split)[2] >= SHARED_BINS]
    if len(shared) < 2:
        return None
    best: _Vote | None = None
    for split in range(2, len(starts) - 1):
        told: list[tuple[int, float, int]] = []
        for path in shared:
            frames, like, still = path.slip_frames(split)
            if abs(frames) >= LEAST_SLIP and like > LIKE and still < STILL * like:
                told.append((frames, like, path.reference))
        if len(told) < 2:
            continue
        middle = int(np.median([frames for frames, _, _ in told]))
        agreeing = [(like, ref) for frames, like, ref in told if abs(frames - middle) <= 1]
        total = sum(like for like, _ in agreeing)
        if len(agreeing) < 2:
            continue
        if best is None or (len(agreeing), total) > (len(best.references), best.like * len(best.references)):
            first, end = int(starts[split - 1]), int(starts[split])
            best = _Vote(
                slip=middle,
                span=Span(first_frame=first, frames=max(1, end - first)),
                references=tuple(ref for _, ref in agreeing),
                like=total / len(agreeing),
            )
    return best


FAMILY = Family(
    name="moved",
    kinds=(
        Kind("gain-moved", "A line's gain was turned in the middle of the take"),
        Kind("slipped", "A line lost or gained samples against the others"),
    ),
    method="Transfer (Welch) and delay (PHAT) to lines that share sound, before and after every moment",
    source="Knapp and Carter 1976 for the delay; thresholds from the bench",
    find=find,
)
