"""The review as JSON, for machines: ``review.json``. The schema is published in docs/review-schema.json.

Levels that are minus infinity (digital silence) are written as null, because JSON has no infinity.
"""

from __future__ import annotations

import json
import math
from dataclasses import fields
from datetime import datetime
from typing import Any

from nightreel.errors import TakeDamaged
from nightreel.review.model import Account, Evidence, Finding, LineAccount, LineFigures, Review, Severity
from nightreel.show.model import Role
from nightreel.timeline import Gap, GapCause, Mark, Song, Span

FORMAT = "nightreel-review"
VERSION = 1


def review_as_dict(review: Review) -> dict[str, Any]:
    """Plain values only, in the order of the schema."""
    counts = review.counts()
    return {
        "format": FORMAT,
        "version": VERSION,
        "take": review.take,
        "show": review.show,
        "folder": review.folder,
        "rate_hz": review.rate_hz,
        "frames": review.frames,
        "started_at": review.started_at.isoformat(),
        "reviewed_with": review.reviewed_with,
        "verdict": review.verdict,
        "counts": {severity.value: counts[severity] for severity in Severity},
        "findings": [_finding(f, review.rate_hz) for f in review.findings],
        "lines": [{f.name: _plain(getattr(line, f.name)) for f in fields(line)} for line in review.figures],
        "account": {
            "source": review.account.source,
            "agrees": review.account.agrees,
            "stated_frames": review.account.stated_frames,
            "gaps": [
                {"first_frame": g.first_frame, "frames": g.frames, "cause": g.cause.value, "channels": list(g.channels)}
                for g in review.account.gaps
            ],
            "lines": [{f.name: getattr(a, f.name) for f in fields(a)} for a in review.account.lines],
        },
        "songs": [{"number": s.number, "name": s.name, **_span(s.span)} for s in review.songs],
        "marks": [{"frame": m.frame, "name": m.name, "song": m.song} for m in review.marks],
        "notes": list(review.notes),
    }


def review_as_json(review: Review) -> str:
    return json.dumps(review_as_dict(review), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def review_from_json(text: str, *, where: str) -> Review:
    """The way back. Raises TakeDamaged when the text is no review of this version."""
    try:
        data = json.loads(text)
        if data["format"] != FORMAT or data["version"] != VERSION:
            raise ValueError(f"format {data.get('format')} version {data.get('version')}")
        return _review(data)
    except (ValueError, KeyError, TypeError) as cause:
        raise TakeDamaged(
            f"this is no review that this version reads ({cause})", where=where, now="Review the take again"
        ) from cause


def _review(data: dict[str, Any]) -> Review:
    account = data["account"]
    return Review(
        take=data["take"],
        show=data["show"],
        folder=data["folder"],
        rate_hz=data["rate_hz"],
        frames=data["frames"],
        started_at=datetime.fromisoformat(data["started_at"]),
        reviewed_with=data["reviewed_with"],
        figures=tuple(LineFigures(**{k: _unplain(k, v) for k, v in line.items()}) for line in data["lines"]),
        findings=tuple(
            Finding(
                kind=f["kind"],
                severity=Severity(f["severity"]),
                lines=tuple(f["lines"]),
                spans=tuple(Span(first_frame=s["first_frame"], frames=s["frames"]) for s in f["spans"]),
                confidence=f["confidence"],
                evidence=tuple(
                    Evidence(name=e["name"], value=-math.inf if e["value"] is None else e["value"], unit=e["unit"])
                    for e in f["evidence"]
                ),
                what=f["what"],
                remedy=f["remedy"],
                caution=f["caution"],
            )
            for f in data["findings"]
        ),
        account=Account(
            source=account["source"],
            agrees=account["agrees"],
            stated_frames=account["stated_frames"],
            gaps=tuple(
                Gap(
                    first_frame=g["first_frame"],
                    frames=g["frames"],
                    cause=GapCause(g["cause"]),
                    channels=tuple(g["channels"]),
                )
                for g in account["gaps"]
            ),
            lines=tuple(LineAccount(**line) for line in account["lines"]),
        ),
        songs=tuple(
            Song(number=s["number"], name=s["name"], span=Span(first_frame=s["first_frame"], frames=s["frames"]))
            for s in data["songs"]
        ),
        marks=tuple(Mark(frame=m["frame"], name=m["name"], song=m["song"]) for m in data["marks"]),
        notes=tuple(data["notes"]),
    )


def _finding(finding: Finding, rate_hz: int) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "severity": finding.severity.value,
        "lines": list(finding.lines),
        "spans": [{**_span(s), "starts_s": round(s.first_frame / rate_hz, 3)} for s in finding.spans],
        "confidence": round(finding.confidence, 3),
        "evidence": [{"name": e.name, "value": _plain(e.value), "unit": e.unit} for e in finding.evidence],
        "what": finding.what,
        "remedy": finding.remedy,
        "caution": finding.caution,
    }


def _span(span: Span) -> dict[str, int]:
    return {"first_frame": span.first_frame, "frames": span.frames}


def _plain(value: object) -> Any:
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value.value if isinstance(value, Role) else value


def _unplain(name: str, value: object) -> Any:
    if name == "role":
        return Role(str(value))
    return -math.inf if value is None else value
