"""The watch: few alerts, ranked, each with its remedy; they begin with their cause and end with it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from nightreel.capture.destination_values import DestinationStatus
from nightreel.capture.model import DestinationState
from nightreel.capture.watch import Watch, Watched
from nightreel.show.model import Role
from nightreel.signal.meters import RecentLevels
from nightreel.take.model import Track
from nightreel.timeline import Gap, GapCause, Span

RATE_HZ = 48_000


def disk(name: str = "primary", **changes: Any) -> DestinationStatus:
    values: dict[str, Any] = {
        "name": name,
        "folder": Path("/x"),
        "state": DestinationState.WRITING,
        "trouble": "",
        "behind_s": 0.1,
        "free_bytes": 10**12,
        "seconds_left": 90_000.0,
        "checkpoint_frame": 0,
        "checkpoint_age_s": 0.2,
        "slowest_sync_s": 0.1,
        "written_frames": 0,
        "hole_frames": 0,
        **changes,
    }
    return DestinationStatus(**values)


def levels(at_s: float, peaks: Sequence[float], overs: Sequence[int]) -> RecentLevels:
    return RecentLevels(
        first_frame=round(at_s * RATE_HZ),
        window_frames=4800,
        peak_dbfs=np.array([peaks], dtype=np.float32),
        rms_dbfs=np.array([peaks], dtype=np.float32),
        samples_at_full_scale=np.array(overs),
    )


def seen(at_s: float = 10.0, **changes: Any) -> Watched:
    values: dict[str, Any] = {
        "frame": round(at_s * RATE_HZ),
        "levels": None,
        "destinations": (disk(),),
        "gaps": (),
        "lost_everywhere": (),
        "source_lost": "",
        "meters_missed": 0,
        "ring_s": 20.0,
        "expected_frames": None,
        "checkpoint_s": 1.0,
        **changes,
    }
    return Watched(**values)


def watch(*roles: Role) -> Watch:
    tracks = [
        Track(line=n, name=f"Line {n}", role=role, channel=n - 1, files=())
        for n, role in enumerate(roles or [Role.MIC], 1)
    ]
    return Watch(tracks, rate_hz=RATE_HZ)


def keys(alerts: Sequence[Any]) -> list[str]:
    return [alert.key for alert in alerts]


def test_a_quiet_night_says_nothing() -> None:
    assert watch().look(seen(levels=levels(10, [-20], [0]))) == ((), (), ())


def test_a_gap_is_told_at_once_and_its_alert_ends_by_itself() -> None:
    room = watch()
    gap = Gap(first_frame=100, frames=4_800, cause=GapCause.SERVER_SKIPPED)
    begun, _, standing = room.look(seen(1, gaps=(gap,)))
    assert keys(begun) == keys(standing) == ["gap"]
    assert begun[0].rank == 1
    assert "100 ms" in begun[0].what
    assert begun[0].now
    begun, ended, _ = room.look(seen(5, gaps=(gap,)))
    assert (begun, ended) == ((), ())
    _, ended, standing = room.look(seen(12, gaps=(gap,)))
    assert keys(ended) == ["gap"]
    assert ended[0].end_frame == 12 * RATE_HZ
    assert standing == ()


def test_a_failed_disk_is_worse_when_no_other_writes() -> None:
    failed = disk(state=DestinationState.FAILED, trouble="it is gone")
    _, _, alone = watch().look(seen(destinations=(failed,)))
    _, _, mirrored = watch().look(seen(destinations=(failed, disk("mirror"))))
    assert (alone[0].rank, mirrored[0].rank) == (1, 3)
    assert "Nothing is being written now" in alone[0].what
    assert "other destination goes on" in mirrored[0].what


def test_a_stalled_disk_is_seen_by_its_checkpoints_or_by_what_waits_for_it() -> None:
    for changes in ({"behind_s": 11.0}, {"checkpoint_age_s": 6.0}):
        _, _, standing = watch().look(seen(destinations=(disk(**changes),)))
        assert keys(standing) == ["late:primary"]


def test_room_is_held_against_what_the_night_still_needs() -> None:
    hour = 3600 * RATE_HZ
    tight = (disk(seconds_left=1000.0),)
    _, _, early = watch().look(seen(10, destinations=tight, expected_frames=hour))
    _, _, late = watch().look(seen(2700, destinations=tight, expected_frames=hour))
    assert keys(early) == ["room:primary"]
    assert keys(late) == []


def test_overs_name_their_line_and_are_forgotten_when_they_stop() -> None:
    room = watch(Role.MIC, Role.MIC)
    _, _, standing = room.look(seen(1, levels=levels(0.9, [-20, 0], [0, 3])))
    assert keys(standing) == ["over:2"]
    assert standing[0].line == 2
    assert "Line 2" in standing[0].what
    _, ended, _ = room.look(seen(20, levels=levels(19.9, [-20, -10], [0, 3])))
    assert keys(ended) == ["over:2"]


def test_silence_is_told_after_as_long_as_the_role_allows_and_never_for_roles_that_may_be_silent() -> None:
    room = watch(Role.MIC, Role.AMBIENCE, Role.PLAYBACK)
    quiet = [-90.0, -90.0, -90.0]
    _, _, first = room.look(seen(40, levels=levels(40, quiet, [0, 0, 0])))
    _, _, second = room.look(seen(601, levels=levels(601, quiet, [0, 0, 0])))
    assert keys(first) == ["silent:2"]  # 30 s for ambience
    assert keys(second) == ["silent:2", "silent:1"]  # 10 min for a microphone
    _, ended, _ = room.look(seen(602, levels=levels(602, [-30, -90, -90], [0, 0, 0])))
    assert keys(ended) == ["silent:1"]


def test_what_is_lost_stands_above_what_only_needs_a_look() -> None:
    _, _, standing = watch().look(
        seen(
            5,
            levels=levels(4.9, [0.0], [5]),
            source_lost="the server has left",
            lost_everywhere=(Span(first_frame=0, frames=48_000),),
        )
    )
    assert [alert.rank for alert in standing] == sorted(alert.rank for alert in standing)
    assert keys(standing)[-1] == "over:1"
    assert all(alert.now for alert in standing)
