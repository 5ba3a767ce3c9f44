"""The recorder's status in words: a full-screen view that reads at arm's length, and a few plain lines. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightreel.units import format_position, format_size, format_time

WIDTH = 100
_FIGURES = {
    "0": ("█████", "█   █", "█   █", "█   █", "█████"),
    "1": ("  █  ", " ██  ", "  █  ", "  █  ", " ███ "),
    "2": ("█████", "    █", "█████", "█    ", "█████"),
    "3": ("█████", "    █", " ████", "    █", "█████"),
    "4": ("█   █", "█   █", "█████", "    █", "    █"),
    "5": ("█████", "█    ", "█████", "    █", "█████"),
    "6": ("█████", "█    ", "█████", "█   █", "█████"),
    "7": ("█████", "    █", "   █ ", "  █  ", "  █  "),
    "8": ("█████", "█   █", "█████", "█   █", "█████"),
    "9": ("█████", "█   █", "█████", "    █", "█████"),
    ":": ("   ", " █ ", "   ", " █ ", "   "),
}


def headline(status: Mapping[str, Any]) -> str:
    """The word that counts most, by shape as well: a full disc is safe, a broken ring is not."""
    state = str(status["state"]).upper()
    return f"● {state}" if status["safe"] else f"( ) {state}, NOT SAFE" if state == "RECORDING" else f"○ {state}"


def plain_text(status: Mapping[str, Any]) -> str:
    """A few lines for terminals that keep everything, logs and pipes."""
    gaps = status["gaps"]
    left = status["seconds_left"]
    rows = [
        f"{headline(status)}  {status['take']}",
        f"  for          {format_time(status['seconds'])}"
        + (f" of {format_time(status['expected_s'])} expected" if status["expected_s"] else ""),
        f"  can go on    {format_time(left) if left is not None else 'not known yet'}",
        f"  lines        {status['lines']} at {status['rate_hz'] / 1000:g} kHz, {status['encoding']}, "
        f"from {status['source']}",
        f"  missing      {_missing(gaps, status)}",
    ]
    if summary := status.get("source_report", {}).get("summary"):
        rows.append(f"  source       {summary}")
    if status["follows"]:
        rows.append(f"  continues    {status['follows']} (the recorder had to start anew)")
    rows += [f"  {_destination(d)}" for d in status["destinations"]]
    rows += _songs(status)
    rows += _alerts(status)
    return "\n".join(row[:WIDTH] for row in rows)


def screen(status: Mapping[str, Any], *, height: int = 24) -> list[str]:
    """Rows of at most 100 columns: state, time and time left large, then the alert that matters, then the rest."""
    left = status["seconds_left"]
    rows = ["", f"  {headline(status)}     {status['take']}", ""]
    rows += [f"    {row}" for row in big(format_time(status["seconds"]))]
    rows += ["", f"    can go on for {format_time(left) if left is not None else '...'}", ""]
    alerts = status["alerts"]
    if alerts:
        rows += [f"  !! {alerts[0]['what']}", f"     {alerts[0]['now']}", ""]
    rows += [f"  missing  {_missing(status['gaps'], status)}"]
    if summary := status.get("source_report", {}).get("summary"):
        rows.append(f"  source   {summary}")
    rows += [f"  {_destination(d)}" for d in status["destinations"]]
    rows += _songs(status)
    rows += [f"  also: {alert['what']}" for alert in alerts[1:4]]
    rows = [row[:WIDTH] for row in rows][: height - 2]
    rows += [""] * (height - 2 - len(rows))
    keys = "  m mark   q leave this view (the recording goes on)"
    return [*rows, keys]


def big(text: str) -> list[str]:
    """Five rows of block figures; digits and colons."""
    return ["  ".join(_FIGURES[ch][row] for ch in text if ch in _FIGURES) for row in range(5)]


def _missing(gaps: Mapping[str, Any], status: Mapping[str, Any]) -> str:
    lost = status["lost_frames"]
    if not gaps["count"] and not lost:
        return "nothing"
    words = []
    rate_hz = status["rate_hz"]
    if gaps["count"]:
        last = gaps["last"][-1]
        words.append(
            f"{gaps['frames']} frames in {gaps['count']} gaps, the last at "
            f"{format_position(last['first_frame'], rate_hz)} ({last['cause']})"
        )
    if lost:
        words.append(f"{lost / rate_hz:.1f} s that no disk took")
    return "; ".join(words)


def _destination(d: Mapping[str, Any]) -> str:
    free = format_size(d["free_bytes"]) + " free" if d["free_bytes"] is not None else "room not known yet"
    left = f", {format_time(d['seconds_left'])} left" if d["seconds_left"] is not None else ""
    hole = ", with holes" if d["hole_frames"] else ""
    trouble = f": {d['trouble']}" if d["trouble"] else ""
    return f"{d['name']:<10} {d['state']}{trouble}{hole}  ({free}{left}, waits {d['behind_s']:.1f} s)"


def _songs(status: Mapping[str, Any]) -> list[str]:
    last = status["marks"]["last"]
    rows = []
    if last:
        mark = last[-1]
        rows.append(f"  last mark  {format_position(mark['frame'], status['rate_hz'])}  {mark['name']}")
    if status["set_list"]["next"]:
        rows.append(f"  next song  {status['set_list']['next']}")
    return rows


def _alerts(status: Mapping[str, Any]) -> list[str]:
    rows = []
    for alert in status["alerts"]:
        rows += [f"  !! {alert['what']}", f"     {alert['now']}"]
    return rows
