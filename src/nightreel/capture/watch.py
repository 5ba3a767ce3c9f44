"""The watch: what stands out while recording, as few alerts, ranked, each with its remedy. Pure: values in, values out.

An alert has a *key* that names its cause. It begins when the cause is seen, and ends when the cause is gone.
Levels come from the same meters as the review's. Ranks: 1 audio is being lost, 2 it will be lost soon, 3 safety is
reduced, 4 a line needs a look, 5 good to know.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightreel.capture.destination_values import DestinationStatus
from nightreel.capture.model import DestinationState
from nightreel.show.model import ROLE_FACTS
from nightreel.signal.meters import RecentLevels
from nightreel.take.model import Alert, Track
from nightreel.timeline import Gap, Span
from nightreel.units import format_time

QUIET_DBFS = -60.0  # a line that stays below is silent (common practice, no published source)
OVERS_HOLD_S = 10.0  # how long an over keeps its alert
GAP_HOLD_S = 10.0
NEAR_END_S = 900.0  # a disk with less time left than this is worth a word
STALLED_S = 5.0  # no checkpoint for so long means that the disk does not answer


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """One look at the recorder. Frames are the take's."""

    frame: int
    levels: RecentLevels | None
    destinations: Sequence[DestinationStatus]
    gaps: Sequence[Gap]
    lost_everywhere: Sequence[Span]
    source_lost: str
    meters_missed: int
    ring_s: float
    expected_frames: int | None
    checkpoint_s: float
    source_warnings: Sequence[str] = ()


@dataclass(slots=True)
class _LineMemory:
    heard_at: int = 0  # the last frame at which the line was above QUIET_DBFS
    overs: int = 0
    over_at: int | None = None
    windows_seen_to: int = 0


class Watch:
    """Keeps what has to be remembered between two looks. Not for several threads at once."""

    def __init__(self, tracks: Sequence[Track], *, rate_hz: int) -> None:
        self._tracks = tuple(tracks)
        self._rate_hz = rate_hz
        self._lines = [_LineMemory() for _ in tracks]
        self._standing: dict[str, Alert] = {}
        self._gap_frames = 0
        self._gap_at: int | None = None
        self._lost_frames = 0
        self._lost_at: int | None = None

    def look(self, seen: Watched) -> tuple[tuple[Alert, ...], tuple[Alert, ...], tuple[Alert, ...]]:
        """Alerts that begin, that end (with ``end_frame``), and all that stand, the most important first."""
        causes = {alert.key: alert for alert in self._causes(seen)}
        ended = tuple(
            replace(alert, end_frame=seen.frame) for key, alert in self._standing.items() if key not in causes
        )
        begun = tuple(alert for key, alert in causes.items() if key not in self._standing)
        for key, alert in causes.items():
            before = self._standing.get(key)
            causes[key] = alert if before is None else replace(alert, first_frame=before.first_frame)
        self._standing = causes
        standing = tuple(sorted(causes.values(), key=lambda a: (a.rank, a.first_frame, a.key)))
        return begun, ended, standing

    def _causes(self, seen: Watched) -> Iterator[Alert]:
        yield from self._losses(seen)
        for destination in seen.destinations:
            yield from self._disk(seen, destination)
        for words in seen.source_warnings:
            yield _alert(
                seen, f"source says: {words}", 3, None, words, "`nightreel record --status --json` has the figures"
            )
        if seen.meters_missed:
            yield _alert(
                seen, "meters", 5, None, "The computer is too busy to measure everything", "Close other programs"
            )
        if seen.levels is not None:
            yield from self._levels(seen, seen.levels)

    def _losses(self, seen: Watched) -> Iterator[Alert]:
        if seen.source_lost:
            yield _alert(
                seen,
                "source",
                1,
                None,
                f"The source is gone: {seen.source_lost}",
                "Check cable, power and audio server; recording goes on by itself when it is back",
            )
        gap_frames = sum(gap.frames for gap in seen.gaps)
        if gap_frames > self._gap_frames:
            self._gap_frames, self._gap_at = gap_frames, seen.frame
        if self._gap_at is not None and seen.frame - self._gap_at < GAP_HOLD_S * self._rate_hz:
            last = seen.gaps[-1]
            ms = 1000.0 * gap_frames / self._rate_hz
            yield _alert(
                seen,
                "gap",
                1,
                None,
                f"Samples did not arrive: {len(seen.gaps)} gaps so far, {ms:.0f} ms in all ({last.cause})",
                "Larger buffer of the device, fewer other programs, check cable and clock",
            )
        lost = sum(span.frames for span in seen.lost_everywhere)
        if lost > self._lost_frames:
            self._lost_frames, self._lost_at = lost, seen.frame
        if self._lost_at is not None and seen.frame - self._lost_at < GAP_HOLD_S * self._rate_hz:
            yield _alert(
                seen,
                "lost",
                1,
                None,
                f"{lost / self._rate_hz:.1f} s could not be written anywhere",
                "Use a faster or emptier disk, add a mirror",
            )

    def _disk(self, seen: Watched, disk: DestinationStatus) -> Iterator[Alert]:
        others = any(
            d is not disk and d.state in (DestinationState.WRITING, DestinationState.LATE) for d in seen.destinations
        )
        rank_if_down = 3 if others else 1
        goes_on = "The other destination goes on." if others else "Nothing is being written now."
        key = disk.name
        if disk.state in (DestinationState.FAILED, DestinationState.FULL):
            word = "has failed" if disk.state is DestinationState.FAILED else "is full"
            yield _alert(
                seen,
                f"disk:{key}",
                rank_if_down,
                None,
                f"The {key} disk {word}: {disk.trouble}. {goes_on}",
                "Plug it in again or free some room; it is tried again by itself",
            )
            return
        if disk.behind_s > 0.5 * seen.ring_s or disk.checkpoint_age_s > max(STALLED_S, 3 * seen.checkpoint_s):
            yield _alert(
                seen,
                f"late:{key}",
                3 if others else 2,
                None,
                f"The {key} disk does not keep up: {disk.behind_s:.0f} s wait for it, {seen.ring_s:.0f} s are the most",
                "Stop everything else that uses this disk; use a faster one next time",
            )
        yield from self._room(seen, disk)

    def _room(self, seen: Watched, disk: DestinationStatus) -> Iterator[Alert]:
        if disk.seconds_left is None:
            return
        needed_s = NEAR_END_S
        if seen.expected_frames is not None:
            needed_s = max(0.0, (seen.expected_frames - seen.frame) / self._rate_hz)
        if disk.seconds_left < needed_s:
            yield _alert(
                seen,
                f"room:{disk.name}",
                2,
                None,
                f"The {disk.name} disk has room for {format_time(disk.seconds_left)}, "
                f"{'the night still needs ' + format_time(needed_s) if seen.expected_frames else 'less than 15 min'}",
                "Free some room on it, or start with a mirror on another disk",
            )

    def _levels(self, seen: Watched, levels: RecentLevels) -> Iterator[Alert]:
        end = levels.first_frame + len(levels.peak_dbfs) * levels.window_frames
        loudest = levels.peak_dbfs.max(axis=0, initial=-np.inf)
        for place, track in enumerate(self._tracks):
            memory = self._lines[place]
            if loudest[place] > QUIET_DBFS:
                memory.heard_at = end
            overs = int(levels.samples_at_full_scale[place])
            if overs > memory.overs:
                memory.overs, memory.over_at = overs, end
            yield from self._line(seen, track, memory, end)

    def _line(self, seen: Watched, track: Track, memory: _LineMemory, end: int) -> Iterator[Alert]:
        if memory.over_at is not None and end - memory.over_at < OVERS_HOLD_S * self._rate_hz:
            yield _alert(
                seen,
                f"over:{track.line}",
                4,
                track.line,
                f"Line {track.line} ({track.name}) reaches full scale: {memory.overs} samples so far",
                f"Turn the preamp of line {track.line} down",
            )
        quiet_for_s = ROLE_FACTS[track.role].quiet_for_s
        quiet_s = (end - memory.heard_at) / self._rate_hz
        if quiet_for_s is not None and quiet_s > quiet_for_s:
            yield _alert(
                seen,
                f"silent:{track.line}",
                4,
                track.line,
                f"Line {track.line} ({track.name}) has been silent for {format_time(quiet_s)}",
                "Check cable, phantom power, mute and patch",
            )


def _alert(seen: Watched, key: str, rank: int, line: int | None, what: str, now: str) -> Alert:
    return Alert(key=key, rank=rank, line=line, what=what, now=now, first_frame=max(0, seen.frame))
