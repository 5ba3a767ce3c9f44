"""``review.pdf``: verdict, findings and figures on paper, in the frame that all sheets share."""

from __future__ import annotations

from nightreel.paper.pdf import typeset
from nightreel.review.model import Finding, Review
from nightreel.review.summary import account_text, places_text
from nightreel.units import format_rate, format_time

_SOURCE = r"""
#heading(level: 1)[#data.title]
#text(size: 13pt, weight: "bold")[#data.verdict]

#data.account

#for note in data.notes [#note #linebreak()]

#heading(level: 2)[Findings, worst first]
#if data.findings.len() == 0 [None.]
#for f in data.findings {
  block(breakable: false, below: 1em)[
    #grid(columns: (1.6em, 1fr), [*#f.sign*], [
      *#f.what* #f.places #linebreak()
      #text(size: 9pt)[#f.severity. #f.evidence] #linebreak()
      #f.remedy
      #if f.caution != "" { caution(f.caution) }
    ])
  ]
}

#if data.songs.len() > 0 {
  heading(level: 2)[Songs]
  sheet(("No.", "Song", "From", "Length"), data.songs, columns: (auto, 1fr, auto, auto), aligns: (right, left, right,
right)) }

#heading(level: 2)[Figures]
#sheet(
  ("Line", "Name", "Role", "Peak dBFS", "True peak", "Floor", "LUFS", "Overs", "In use"), data.figures,
  columns: (auto, 1fr, auto, auto, auto, auto, auto, auto, auto),
  aligns: (right, left, left, right, right, right, right, right, right), size: 9.5pt,
)
"""


def review_pdf(review: Review, *, paper: str = "a4") -> bytes:
    """The document. Raises FailureError where it cannot be typeset."""
    length = format_time(review.frames / review.rate_hz)
    data = {
        "frame": {
            "paper": paper,
            "title": "Review",
            "show": review.show or review.take,
            "version": review.reviewed_with,
            "date": f"{review.started_at:%Y-%m-%d %H:%M}",
            "note": review.take,
        },
        "title": f"Review of {review.take}",
        "verdict": review.verdict,
        "account": f"{len(review.figures)} lines, {length}, {format_rate(review.rate_hz)}. {account_text(review)}",
        "notes": list(review.notes),
        "findings": [_finding(f, review.rate_hz) for f in review.findings],
        "songs": [
            [
                str(s.number),
                s.name,
                format_time(s.span.first_frame / review.rate_hz),
                format_time(s.span.frames / review.rate_hz),
            ]
            for s in review.songs
        ],
        "figures": [
            [
                str(f.line),
                f.name,
                f.role.value,
                *(_level(v) for v in (f.peak_dbfs, f.true_peak_dbtp, f.floor_dbfs, f.integrated_lufs)),
                str(f.overs),
                f"{f.active_share:.0%}",
            ]
            for f in review.figures
        ],
    }
    return typeset(_SOURCE, data)


def _finding(finding: Finding, rate_hz: int) -> dict[str, str]:
    return {
        "sign": finding.severity.sign,
        "severity": finding.severity.words.capitalize(),
        "what": finding.what,
        "places": places_text(finding, rate_hz).strip(),
        "remedy": finding.remedy,
        "caution": finding.caution,
        "evidence": "; ".join(f"{e.name} {e.value:.4g} {e.unit}".strip() for e in finding.evidence),
    }


def _level(value: float) -> str:
    return "silent" if value == float("-inf") else f"{value:.1f}"
