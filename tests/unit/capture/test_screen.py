"""The status in words: readable at arm's length, no wider than 100 columns, safe or not by shape and word."""

from __future__ import annotations

from typing import Any

from nightreel.capture.screen import big, headline, plain_text, screen


def status(**changes: Any) -> dict[str, Any]:
    return {
        "state": "recording",
        "safe": True,
        "take": "2026-11-28-evening-1",
        "follows": "",
        "seconds": 3725.0,
        "seconds_left": 9000.0,
        "expected_s": 7200.0,
        "lines": 32,
        "rate_hz": 48_000,
        "encoding": "pcm24",
        "source": "device:x",
        "lost_frames": 0,
        "gaps": {"count": 0, "frames": 0, "last": []},
        "destinations": [
            {
                "name": "primary",
                "state": "writing",
                "trouble": "",
                "free_bytes": 10**11,
                "seconds_left": 9000.0,
                "behind_s": 0.1,
                "hole_frames": 0,
            }
        ],
        "alerts": [],
        "marks": {"count": 1, "last": [{"frame": 48_000, "name": "Tin Boats"}]},
        "set_list": {"begun": 1, "next": "Low Water"},
        **changes,
    }


def test_safe_and_not_safe_differ_in_shape_and_word() -> None:
    assert headline(status()) == "● RECORDING"
    assert headline(status(safe=False)) == "( ) RECORDING, NOT SAFE"
    assert headline(status(safe=False, state="closing")) == "○ CLOSING"


def test_the_time_stands_in_large_figures_and_every_row_fits() -> None:
    alerts = [{"what": "The disk " + "x" * 200, "now": "Do " + "y" * 200}] * 9
    rows = screen(status(alerts=alerts), height=24)
    assert len(rows) == 23
    assert all(len(row) <= 100 for row in rows)
    for row in big("1:02:05"):
        assert any(row in shown for shown in rows)


def test_the_plain_lines_say_what_is_missing_and_where_it_goes_on() -> None:
    gaps = {"count": 2, "frames": 480, "last": [{"first_frame": 96_000, "cause": "network loss"}]}
    text = plain_text(status(gaps=gaps, lost_frames=24_000, follows="2026-11-28-evening-0"))
    assert "480 frames in 2 gaps, the last at 0:00:02.000 (network loss)" in text
    assert "0.5 s that no disk took" in text
    assert "continues    2026-11-28-evening-0" in text
    assert "next song  Low Water" in text
    assert all(len(row) <= 100 for row in text.splitlines())
