"""The review as JSON: the way there and back, and the published schema."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from nightreel.errors import TakeDamaged
from nightreel.review.model import Account, Evidence, Finding, LineAccount, LineFigures, Review, Severity, ranked
from nightreel.review.record import review_as_dict, review_as_json, review_from_json
from nightreel.review.summary import WIDTH, summary_text
from nightreel.show.model import Role
from nightreel.timeline import Gap, GapCause, Mark, Song, Span

SCHEMA = Path(__file__).parents[3] / "docs" / "review-schema.json"


def a_finding(**changes: Any) -> Finding:
    values: dict[str, Any] = {
        "kind": "hum",
        "severity": Severity.FIX,
        "lines": (3,),
        "spans": (Span(first_frame=48_000, frames=96_000),),
        "confidence": 0.9,
        "evidence": (Evidence(name="level", value=-51.5, unit="dBFS"), Evidence(name="peak", value=-math.inf)),
        "what": "line 3 'Ñandú' hums.",
        "remedy": "Balance the line.",
        "caution": "Never lift the earth.",
    }
    return Finding(**{**values, **changes})


def a_review(findings: tuple[Finding, ...] = ()) -> Review:
    return Review(
        take="evening-1",
        show="Lanterns",
        folder="/shows/takes/evening-1",
        rate_hz=48_000,
        frames=480_000,
        started_at=datetime(2026, 11, 28, 20, 15, tzinfo=UTC),
        reviewed_with="0.1.0",
        figures=(
            LineFigures(
                line=3,
                name="Ñandú",
                role=Role.WIRELESS,
                frames=480_000,
                peak_dbfs=-7.5,
                true_peak_dbtp=-7.25,
                rms_dbfs=-20.0,
                floor_dbfs=-math.inf,
                integrated_lufs=-22.0,
                loudness_range_lu=6.5,
                dc=0.0,
                overs=2,
                active_share=0.5,
            ),
        ),
        findings=findings,
        account=Account(
            stated_frames=480_000,
            gaps=(Gap(first_frame=10, frames=20, cause=GapCause.NETWORK_LOSS, channels=(0,)),),
            lines=(LineAccount(line=3, frames=480_000, present=480_000, missing=0, in_gaps=20),),
            agrees=True,
            source="take.json",
        ),
        songs=(Song(number=1, name="Harbour", span=Span(first_frame=0, frames=480_000)),),
        marks=(Mark(frame=0, name="Harbour", song=1, source="command"),),
        notes=("line 4 could not be read",),
    )


def test_json_round_trip_keeps_everything() -> None:
    review = a_review((a_finding(), a_finding(kind="gap", lines=(), spans=(), severity=Severity.STOPS)))
    assert review_from_json(review_as_json(review), where="review.json") == review


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"format": "something"}', '{"format": "nightreel-review"}', "null"])
def test_what_is_no_review_is_refused(text: str) -> None:
    with pytest.raises(TakeDamaged):
        review_from_json(text, where="x.json")


def test_the_published_schema_describes_what_is_written() -> None:
    schema = json.loads(SCHEMA.read_text())
    check(review_as_dict(a_review((a_finding(),))), schema, schema, "review")


def test_the_schema_check_of_this_test_can_fail() -> None:
    schema = json.loads(SCHEMA.read_text())
    wrong = review_as_dict(a_review((a_finding(),)))
    wrong["findings"][0]["severity"] = "grave"
    with pytest.raises(AssertionError, match="severity"):
        check(wrong, schema, schema, "review")


def check(value: Any, schema: dict[str, Any], root: dict[str, Any], at: str) -> None:
    """The part of JSON Schema that our schema uses."""
    if "$ref" in schema:
        schema = root["$defs"][schema["$ref"].rpartition("/")[2]]
    if "const" in schema:
        assert value == schema["const"], at
    if "enum" in schema:
        assert value in schema["enum"], at
    kinds = schema.get("type", [])
    names = {"object": dict, "array": list, "string": str, "boolean": bool, "null": type(None)}
    fits = []
    for kind in [kinds] if isinstance(kinds, str) else kinds:
        if kind in ("number", "integer"):
            allowed = (int, float) if kind == "number" else (int,)
            fits.append(isinstance(value, allowed) and not isinstance(value, bool))
        else:
            fits.append(isinstance(value, names[kind]))
    assert not fits or any(fits), f"{at}: {value!r} is no {kinds}"
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        assert value >= schema.get("minimum", -math.inf), at
        assert value <= schema.get("maximum", math.inf), at
    if isinstance(value, dict):
        assert set(schema["required"]) <= set(value), f"{at}: {set(schema['required']) - set(value)} missing"
        assert set(value) <= set(schema["properties"]), f"{at}: {set(value) - set(schema['properties'])} unknown"
        for key, inner in value.items():
            check(inner, schema["properties"][key], root, f"{at}.{key}")
    if isinstance(value, list):
        for k, inner in enumerate(value):
            check(inner, schema["items"], root, f"{at}[{k}]")


def test_findings_are_ranked_worst_first_then_by_how_sure() -> None:
    note = a_finding(severity=Severity.NOTE, confidence=1.0)
    unsure = a_finding(confidence=0.6)
    sure = a_finding(confidence=0.9, kind="overs")
    stops = a_finding(severity=Severity.STOPS, confidence=0.5)
    assert ranked([note, unsure, sure, stops]) == (stops, sure, unsure, note)


def test_the_verdict_says_whether_the_take_can_be_used() -> None:
    assert a_review().verdict.startswith("Usable:")
    assert "1 finding needs a fix" in a_review((a_finding(),)).verdict
    assert a_review((a_finding(severity=Severity.STOPS),)).verdict.startswith("Not usable")


def test_the_summary_fits_one_screen_and_names_the_report() -> None:
    long = "word " * 80
    review = a_review(tuple(a_finding(what=long, remedy=long, kind=f"k{n}") for n in range(30)))
    text = summary_text(review, reports=["/x/review.html"])
    assert all(len(line) <= WIDTH for line in text.splitlines())
    assert "Full report: /x/review.html" in text
    assert "And 25 more" in text
    assert "Caution: Never lift the earth." in text


def test_a_summary_without_findings_is_short() -> None:
    assert len(summary_text(a_review()).splitlines()) <= 8
