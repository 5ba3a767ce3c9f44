"""What the recorder tells about itself: one JSON object for the control protocol, the terminal and every page."""

from __future__ import annotations

import math
from typing import Any

from nightreel.capture.destination_values import DestinationStatus
from nightreel.capture.model import DestinationState, RecorderState
from nightreel.capture.recorder import Recorder
from nightreel.take.facts import gap_json, mark_json
from nightreel.take.model import Alert

LAST_MARKS = 5
LAST_GAPS = 20


def compute_status(recorder: Recorder) -> dict[str, Any]:
    """See docs/formats/control.md, 'status'."""
    plan = recorder.plan
    destinations = recorder.destinations()
    account = recorder.account()
    marks = recorder.marks()
    return {
        "state": recorder.state.value,
        "show": plan.show.name,
        "show_folder": str(plan.show_folder),
        "take": plan.take_name,
        "follows": plan.request.follows,
        "rate_hz": plan.rate_hz,
        "encoding": plan.encoding.value,
        "lines": len(plan.tracks),
        "frames": account.frames,
        "seconds": account.frames / plan.rate_hz,
        "seconds_left": _seconds_left(destinations),
        "expected_s": plan.request.length_s or plan.show.expected_length_s,
        "safe": _is_safe(recorder, destinations),
        "clock": recorder.intake.clock,
        "source": plan.request.source,
        "source_lost": recorder.intake.lost,
        "source_report": dict(recorder.intake.report),
        "ring_s": recorder.ring_s,
        "preroll_s": plan.request.preroll_s if recorder.state is RecorderState.ARMED else None,
        "gaps": {
            "count": len(account.gaps),
            "frames": sum(gap.frames for gap in account.gaps),
            "last": [gap_json(gap) for gap in account.gaps[-LAST_GAPS:]],
        },
        "lost_frames": account.lost_frames,
        "destinations": [_destination(d) for d in destinations],
        "alerts": [alert_json(alert) for alert in recorder.alerts()],
        "marks": {"count": len(marks), "last": [mark_json(mark) for mark in marks[-LAST_MARKS:]]},
        "set_list": {"begun": recorder.set_list.begun, "next": recorder.set_list.next_title},
    }


def compute_levels(recorder: Recorder, windows: int) -> dict[str, Any]:
    """The last whole windows of 100 ms: peak and RMS of each line, None for digital silence."""
    recent = recorder.levels(max(1, min(windows, 600)))
    lines = [track.line for track in recorder.plan.tracks]
    if recent is None:
        return {"lines": lines, "first_frame": 0, "window_frames": 0, "peak_dbfs": [], "rms_dbfs": []}
    return {
        "lines": lines,
        "first_frame": recent.first_frame,
        "window_frames": recent.window_frames,
        "peak_dbfs": [[_finite(v) for v in row] for row in recent.peak_dbfs.tolist()],
        "rms_dbfs": [[_finite(v) for v in row] for row in recent.rms_dbfs.tolist()],
    }


def alert_json(alert: Alert) -> dict[str, Any]:
    return {
        "key": alert.key,
        "rank": alert.rank,
        "line": alert.line,
        "what": alert.what,
        "now": alert.now,
        "first_frame": alert.first_frame,
        "end_frame": alert.end_frame,
    }


def _is_safe(recorder: Recorder, destinations: tuple[DestinationStatus, ...]) -> bool:
    """Frames come in and at least one disk takes them in time."""
    if recorder.state is RecorderState.ARMED:
        return not recorder.intake.lost
    writing = any(d.state is DestinationState.WRITING for d in destinations)
    return recorder.state is RecorderState.RECORDING and writing and not recorder.intake.lost


def _seconds_left(destinations: tuple[DestinationStatus, ...]) -> float | None:
    """Until the last disk that still writes is full: that is how long the take can go on."""
    known = [
        d.seconds_left
        for d in destinations
        if d.seconds_left is not None and d.state in (DestinationState.WRITING, DestinationState.LATE)
    ]
    return max(known) if known else None


def _destination(d: DestinationStatus) -> dict[str, Any]:
    return {
        "name": d.name,
        "folder": str(d.folder),
        "state": d.state.value,
        "trouble": d.trouble,
        "behind_s": round(d.behind_s, 3),
        "free_bytes": d.free_bytes,
        "seconds_left": d.seconds_left,
        "checkpoint_frame": d.checkpoint_frame,
        "checkpoint_age_s": round(d.checkpoint_age_s, 3),
        "slowest_sync_s": round(d.slowest_sync_s, 3),
        "hole_frames": d.hole_frames,
    }


def _finite(value: float) -> float | None:
    return round(value, 2) if math.isfinite(value) else None
