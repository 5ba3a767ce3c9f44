"""The review on one terminal screen: verdict, the five worst findings, the account, and where the full report is."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from nightreel.review.model import Finding, Review, Severity
from nightreel.units import format_position, format_rate, format_time

WIDTH = 100
WORST = 5


def summary_text(review: Review, *, reports: Sequence[str] = ()) -> str:
    """Plain text of at most 100 columns; ``reports`` are paths of what was written."""
    length = format_time(review.frames / review.rate_hz) if review.rate_hz else "0:00"
    out = [
        _cut(f"{review.take}: {len(review.figures)} lines, {length}, {format_rate(review.rate_hz)}"),
        *textwrap.wrap(review.verdict, WIDTH),
        "",
    ]
    for finding in review.findings[:WORST]:
        out += finding_text(finding, review.rate_hz)
    rest = review.findings[WORST:]
    if rest:
        counts = ", ".join(s.count_words(n) for s in Severity if (n := sum(f.severity is s for f in rest)))
        out.append(f"And {len(rest)} more ({counts}).")
    if review.findings:
        out.append("")
    out += textwrap.wrap(account_text(review), WIDTH)
    for note in review.notes:
        out += textwrap.wrap(f"Note: {note}", WIDTH, subsequent_indent="      ")
    out += [f"Full report: {path}" for path in reports[:1]]
    out += [f"             {path}" for path in reports[1:]]
    return "\n".join(out) + "\n"


def finding_text(finding: Finding, rate_hz: int) -> list[str]:
    """Sign, statement, place; then the remedy, indented."""
    head = f"{finding.severity.sign} {finding.severity.words:<21}"
    body = finding.what + places_text(finding, rate_hz)
    lines = textwrap.wrap(body, WIDTH - len(head), break_long_words=True) or [""]
    out = [head + lines[0], *(" " * len(head) + more for more in lines[1:])]
    # Two lines here, the whole remedy in the report; the five worst findings have to fit one screen.
    remedy = textwrap.wrap(finding.remedy, WIDTH - len(head) - 2, max_lines=2, placeholder=" …")
    out += [f"{' ' * len(head)}> {remedy[0]}" if k == 0 else f"{' ' * len(head)}  {r}" for k, r in enumerate(remedy)]
    if finding.caution:
        caution = textwrap.wrap(f"Caution: {finding.caution}", WIDTH - len(head) - 2)
        out += [f"{' ' * len(head)}  {c}" for c in caution]
    return out


def places_text(finding: Finding, rate_hz: int, most: int = 3) -> str:
    """`` At 0:03:05.250, 0:03:09.000 and 12 more places.``; nothing where it holds throughout."""
    if not finding.spans or rate_hz <= 0:
        return ""
    places = [format_position(s.first_frame, rate_hz) for s in finding.spans[:most]]
    more = len(finding.spans) - len(places)
    return f" At {', '.join(places)}" + (f" and {more} more." if more else ".")


def account_text(review: Review) -> str:
    """One sentence on whether every sample is accounted for."""
    account = review.account
    lines = len(account.lines)
    gaps = len(account.gaps)
    lost = sum(a.in_gaps for a in account.lines)
    missing = sum(a.missing for a in account.lines)
    total = max(1, account.stated_frames * max(lines, 1))
    if account.agrees and not gaps:
        return f"Account: all {account.stated_frames} frames of all {lines} lines are there."
    parts = []
    if gaps:
        held = "1 gap holds" if gaps == 1 else f"{gaps} gaps hold"
        parts.append(f"{held} {lost / total:.4%} of all samples")
    if missing:
        parts.append(f"{missing / total:.2%} are missing from the files")
    if not account.agrees and not missing:
        parts.append("the files do not agree with the take's account")
    return f"Account: {'; '.join(parts)}; everything else is there." if parts else "Account: nothing to state."


def _cut(text: str) -> str:
    return text if len(text) <= WIDTH else text[: WIDTH - 1] + "…"
