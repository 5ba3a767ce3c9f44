"""What a review says, as values: facts, figures per line, findings, and the account of samples.

Values only: measuring stands in :mod:`~nightreel.review.engine`, saying in ``summary`` and ``page``, and the JSON form
in ``record``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from nightreel.show.model import Role
from nightreel.timeline import Gap, Mark, Song, Span


class Severity(StrEnum):
    """How much a finding matters for tomorrow's use of the take."""

    STOPS = "stops"
    FIX = "fix"
    NOTE = "note"

    @property
    def words(self) -> str:
        return {"stops": "stops the show's use", "fix": "needs a fix", "note": "good to know"}[self.value]

    def count_words(self, count: int) -> str:
        """``1 needs a fix``, ``4 need a fix``."""
        many = {"stops": "stop the show's use", "fix": "need a fix", "note": "good to know"}[self.value]
        return f"{count} {self.words if count == 1 else many}"

    @property
    def sign(self) -> str:
        """A shape for each, so that nothing hangs on colour."""
        return {"stops": "X", "fix": "!", "note": "-"}[self.value]

    @property
    def rank(self) -> int:
        return {"stops": 0, "fix": 1, "note": 2}[self.value]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One measured number behind a finding; ``unit`` may be empty for counts."""

    name: str
    value: float
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One statement about a take.

    kind : stable code, listed in :data:`nightreel.review.findings.FAMILIES` and in docs/review.md
    lines : line numbers it speaks of, the one to look at first in front; empty = the take as a whole
    spans : where, in frames of the take; empty = throughout
    confidence : 0 to 1, how sure; what is under 0.5 is not reported
    what : the statement, one sentence
    remedy : what to do, in the trade's words
    caution : shown with the remedy where the remedy could hurt somebody
    """

    kind: str
    severity: Severity
    lines: tuple[int, ...]
    spans: tuple[Span, ...] = ()
    confidence: float
    evidence: tuple[Evidence, ...] = ()
    what: str
    remedy: str
    caution: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "what", self.what[:1].upper() + self.what[1:])
        if not 0.0 <= self.confidence <= 1.0:
            raise ValueError(f"confidence {self.confidence} is outside 0 to 1")

    @property
    def first_frame(self) -> int:
        return min((s.first_frame for s in self.spans), default=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFigures:
    """What was measured on one line over the whole take. Levels are -inf for digital silence.

    active_share : share of the take's 100 ms windows in which the line was in use (see ``levels.active``)
    floor_dbfs : RMS of its quietest tenth, gaps and digital silence left out
    """

    line: int
    name: str
    role: Role
    frames: int
    peak_dbfs: float
    true_peak_dbtp: float
    rms_dbfs: float
    floor_dbfs: float
    integrated_lufs: float
    loudness_range_lu: float
    dc: float
    overs: int
    active_share: float
    unreadable: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineAccount:
    """Where every frame of one line is: ``frames`` stated = ``present`` + ``missing``; gaps lie inside ``present``."""

    line: int
    frames: int
    present: int
    missing: int
    in_gaps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Every sample accounted for: what take.json states, and whether the files agree.

    gaps : as stated by the take; stated_frames : its length
    agrees : the files hold what the take states (lengths, and zeros where gaps stand)
    """

    stated_frames: int
    gaps: tuple[Gap, ...]
    lines: tuple[LineAccount, ...]
    agrees: bool
    source: str  # 'take.json', or 'files' for a folder that Nightreel did not record


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """The whole outcome. ``findings`` are ranked, worst first."""

    take: str
    show: str
    folder: str
    rate_hz: int
    frames: int
    started_at: datetime
    reviewed_with: str
    figures: tuple[LineFigures, ...]
    findings: tuple[Finding, ...]
    account: Account
    songs: tuple[Song, ...] = ()
    marks: tuple[Mark, ...] = ()
    notes: tuple[str, ...] = ()  # what could not be looked at, and why

    def counts(self) -> dict[Severity, int]:
        return {severity: sum(f.severity is severity for f in self.findings) for severity in Severity}

    def figures_of(self, line: int) -> LineFigures | None:
        return next((f for f in self.figures if f.line == line), None)

    @property
    def verdict(self) -> str:
        """One sentence on whether the take can be used."""
        counts = self.counts()
        stops, fixes = counts[Severity.STOPS], counts[Severity.FIX]
        if stops:
            more = f", {_things(fixes)} a fix" if fixes else ""
            return f"Not usable as it stands: {_things(stops, 'stop', 'stops')} the show's use{more}."
        if fixes:
            return f"Usable, with care: {_things(fixes)} a fix."
        return "Usable: nothing found that needs a fix."


def _things(count: int, verb: str = "need", verb_one: str = "needs") -> str:
    return f"1 finding {verb_one}" if count == 1 else f"{count} findings {verb}"


def ranked(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Worst first: by severity, then how sure, then when, then which line."""
    return tuple(
        sorted(findings, key=lambda f: (f.severity.rank, -round(f.confidence, 1), f.first_frame, f.lines, f.kind))
    )
