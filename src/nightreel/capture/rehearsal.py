"""The rehearsal: a timed burn-in of device, computer and disk with the real recorder, and the verdict. Pure judging.

What is watched comes from the recorder's own status; how it is judged stands in :func:`judge`, limit by limit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

RING_SHARE_MOST = 0.25  # of the ring that may ever have waited for a disk
SYNC_S_MOST = 5.0  # the slowest checkpoint
CPU_CORES_MOST = 0.7  # of one core, so that there is room for the evening's surprises
ROOM_FACTOR = 1.1  # of the expected length


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Of a whole rehearsal. ``cpu_cores`` None where the system does not tell."""

    seconds: float
    wanted_s: float
    gap_frames: int
    gaps: int
    lost_frames: int
    rate_hz: int
    behind_s: float
    ring_s: float
    slowest_sync_s: float
    cpu_cores: float | None
    memory_bytes: int | None
    seconds_left: float | None
    expected_s: float | None
    alerts: tuple[str, ...]
    unreadable: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One line of the verdict: ``passed`` or not, with the figure, the limit and the remedy."""

    name: str
    passed: bool
    figure: str
    limit: str
    now: str = ""


def judge(m: Measured) -> tuple[Judged, ...]:
    """Every limit with its figure; the rehearsal has passed when all have."""
    lines = [
        Judged(
            name="length",
            passed=m.seconds >= 0.95 * m.wanted_s,
            figure=f"{m.seconds:.0f} s recorded",
            limit=f"{m.wanted_s:.0f} s",
            now="The source ended or the recorder was away: see recorder.log in the take",
        ),
        Judged(
            name="samples that did not arrive",
            passed=m.gap_frames == 0,
            figure=f"{m.gap_frames} frames in {m.gaps} gaps" if m.gaps else "none",
            limit="none",
            now="A larger buffer of the device, no other programs, no power saving, a better cable or switch",
        ),
        Judged(
            name="samples no disk took",
            passed=m.lost_frames == 0,
            figure=f"{m.lost_frames / m.rate_hz:.2f} s",
            limit="none",
            now="A faster disk: `nightreel measure-drive` tells what it really writes",
        ),
        Judged(
            name="waiting for the disk",
            passed=m.behind_s <= RING_SHARE_MOST * m.ring_s,
            figure=f"{m.behind_s:.1f} s at most",
            limit=f"{RING_SHARE_MOST * m.ring_s:.0f} s of the ring's {m.ring_s:.0f} s",
            now="A faster disk, or a larger --ring",
        ),
        Judged(
            name="slowest checkpoint",
            passed=m.slowest_sync_s <= SYNC_S_MOST,
            figure=f"{m.slowest_sync_s:.2f} s",
            limit=f"{SYNC_S_MOST:.0f} s",
            now="A disk with shorter pauses; keep others off it",
        ),
    ]
    if m.cpu_cores is not None:
        lines.append(
            Judged(
                name="processor",
                passed=m.cpu_cores <= CPU_CORES_MOST,
                figure=f"{m.cpu_cores:.2f} of one core",
                limit=f"{CPU_CORES_MOST:.1f}",
                now="--no-measure takes load off; so does a faster computer",
            )
        )
    if m.expected_s is not None and m.seconds_left is not None:
        lines.append(
            Judged(
                name="room for the night",
                passed=m.seconds_left >= ROOM_FACTOR * m.expected_s,
                figure=f"{m.seconds_left / 60:.0f} min",
                limit=f"{ROOM_FACTOR * m.expected_s / 60:.0f} min, a tenth more than expected",
                now="Free some room or use a larger disk",
            )
        )
    lines.append(
        Judged(
            name="files read back",
            passed=not m.unreadable,
            figure="all" if not m.unreadable else f"{len(m.unreadable)} not: {m.unreadable[0]}",
            limit="all, of one length",
            now="Do not record to this disk",
        )
    )
    return tuple(lines)


class RehearsalLog:
    """Takes the worst of every status."""

    def __init__(self) -> None:
        self._behind_s = 0.0
        self._slowest_sync_s = 0.0
        self._alerts: dict[str, str] = {}
        self._last: Mapping[str, Any] = {}

    def take(self, status: Mapping[str, Any]) -> None:
        for place in status["destinations"]:
            self._behind_s = max(self._behind_s, place["behind_s"])
            self._slowest_sync_s = max(self._slowest_sync_s, place["slowest_sync_s"])
        for alert in status["alerts"]:
            if alert["rank"] <= 3:
                self._alerts.setdefault(alert["key"], alert["what"])
        self._last = status

    def result(
        self,
        *,
        wanted_s: float,
        cpu_cores: float | None,
        memory_bytes: int | None,
        unreadable: Sequence[str],
    ) -> Measured:
        last = self._last
        return Measured(
            seconds=last["seconds"],
            wanted_s=wanted_s,
            gap_frames=last["gaps"]["frames"],
            gaps=last["gaps"]["count"],
            lost_frames=last["lost_frames"],
            rate_hz=last["rate_hz"],
            behind_s=self._behind_s,
            ring_s=last["ring_s"],
            slowest_sync_s=self._slowest_sync_s,
            cpu_cores=cpu_cores,
            memory_bytes=memory_bytes,
            seconds_left=last["seconds_left"],
            expected_s=last["expected_s"],
            alerts=tuple(self._alerts.values()),
            unreadable=tuple(unreadable),
        )
