"""What was planted against what was found: the demo's own examination. Pure.

Works on the JSON of the line check and of the review, as any other program would read them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from nightreel.demo.truth import Planted, Trap, Trouble
from nightreel.timeline import Span

# Which kinds of statement (line check) and finding (review) name a trouble.
LINE_CHECK_KINDS: Mapping[Trouble, frozenset[str]] = {
    Trouble.CROSSED: frozenset({"crossed"}),
    Trouble.DEAD: frozenset({"nothing heard"}),
    Trouble.POLARITY: frozenset({"polarity reversed"}),
}
REVIEW_KINDS: Mapping[Trouble, frozenset[str]] = {
    Trouble.DEAD: frozenset({"dead-line"}),
    Trouble.HUM: frozenset({"hum"}),
    Trouble.OVERS: frozenset({"overs"}),
    Trouble.GAP: frozenset({"gap"}),
    Trouble.POLARITY: frozenset({"polarity"}),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One planted trouble and the sentences that name it, by where they come from; none where it was missed."""

    planted: Planted
    by_line_check: tuple[str, ...]
    by_review: tuple[str, ...]

    @property
    def anywhere(self) -> bool:
        return bool(self.by_line_check or self.by_review)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """``alarms`` are findings that need a fix and that nothing planted explains."""

    found: tuple[Found, ...]
    alarms: tuple[str, ...]

    @property
    def missed(self) -> tuple[Planted, ...]:
        return tuple(one.planted for one in self.found if not one.anywhere)

    @property
    def passed(self) -> bool:
        return not self.missed and not self.alarms


def judge(
    truth: Sequence[Planted],
    traps: Sequence[Trap],
    *,
    line_check: Mapping[str, Any],
    review: Mapping[str, Any],
) -> Verdict:
    """Compare. A trouble counts as found when a statement of its kind names one of its lines, at its time.

    line_check, review : the JSON objects that ``nightreel line-check --json`` and ``nightreel review --json`` print
    """
    statements = [s for s in line_check["statements"] if s["weight"] != "fact"]
    findings = list(review["findings"])
    explained: set[int] = set()
    found = []
    for planted in truth:
        told = [s["text"] for s in statements if s["kind"] in LINE_CHECK_KINDS.get(planted.trouble, ())
                and set(planted.lines) & set(s["lines"])]  # fmt: skip
        said = []
        for index, finding in enumerate(findings):
            if finding["kind"] in REVIEW_KINDS.get(planted.trouble, ()) and _speaks_of(finding, planted):
                explained.add(index)
                said.append(finding["what"])
        found.append(Found(planted=planted, by_line_check=tuple(told), by_review=tuple(said)))
    alarms = [
        finding["what"]
        for index, finding in enumerate(findings)
        if index not in explained and finding["severity"] != "note" and not _follows(finding, truth)
    ]
    return Verdict(found=tuple(found), alarms=tuple(alarms))


def _speaks_of(finding: Mapping[str, Any], planted: Planted) -> bool:
    lines = set(finding["lines"])
    return (not lines or bool(lines & set(planted.lines))) and _touches(_spans(finding), planted.span)


def _touches(spans: Iterable[Span], span: Span) -> bool:
    there = list(spans)
    return not there or any(s.first_frame < span.end_frame and span.first_frame < s.end_frame for s in there)


def _spans(finding: Mapping[str, Any]) -> list[Span]:
    return [Span(first_frame=s["first_frame"], frames=s["frames"]) for s in finding["spans"]]


def _follows(finding: Mapping[str, Any], truth: Sequence[Planted]) -> bool:
    """A second finding of another kind about a line with a planted trouble is its consequence, not a false alarm."""
    return any(set(finding["lines"]) & set(planted.lines) for planted in truth if planted.trouble is not Trouble.GAP)
