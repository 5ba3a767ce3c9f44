"""Where a finding holds: runs that lie close together are one place to a listener."""

from __future__ import annotations

from collections.abc import Iterable

from nightreel.timeline import Span


def joined(spans: Iterable[Span], within_frames: int) -> tuple[Span, ...]:
    """Sorted; spans no further apart than ``within_frames`` become one."""
    out: list[Span] = []
    for span in sorted(spans):
        if out and span.first_frame - out[-1].end_frame <= within_frames:
            end = max(out[-1].end_frame, span.end_frame)
            out[-1] = Span(first_frame=out[-1].first_frame, frames=end - out[-1].first_frame)
        else:
            out.append(span)
    return tuple(out)
