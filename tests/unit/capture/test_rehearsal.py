"""The rehearsal's verdict: each limit by its figure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from nightreel.capture.rehearsal import Measured, RehearsalLog, judge

GOOD = Measured(
    seconds=600.0,
    wanted_s=600.0,
    gap_frames=0,
    gaps=0,
    lost_frames=0,
    rate_hz=48_000,
    behind_s=0.4,
    ring_s=20.0,
    slowest_sync_s=0.5,
    cpu_cores=0.2,
    memory_bytes=400_000_000,
    seconds_left=10_000.0,
    expected_s=7_200.0,
    alerts=(),
    unreadable=(),
)


def test_a_good_rig_passes_every_limit() -> None:
    assert all(line.passed for line in judge(GOOD))


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"seconds": 500.0}, "length"),
        ({"gap_frames": 1, "gaps": 1}, "samples that did not arrive"),
        ({"lost_frames": 1}, "samples no disk took"),
        ({"behind_s": 5.1}, "waiting for the disk"),
        ({"slowest_sync_s": 5.1}, "slowest checkpoint"),
        ({"cpu_cores": 0.71}, "processor"),
        ({"seconds_left": 7_900.0}, "room for the night"),
        ({"unreadable": ("line 3: gone",)}, "files read back"),
    ],
)
def test_each_limit_fails_alone_with_its_remedy(change: dict[str, Any], name: str) -> None:
    failed = [line for line in judge(replace(GOOD, **change)) if not line.passed]
    assert [line.name for line in failed] == [name]
    assert failed[0].now


def test_the_worst_of_every_status_counts() -> None:
    log = RehearsalLog()
    alerts = [{"key": "gap", "rank": 1, "what": "Samples did not arrive"}, {"key": "x", "rank": 4, "what": "y"}]
    for behind, sync in ((0.1, 0.2), (3.0, 0.1), (0.2, 4.0)):
        log.take(
            {
                "destinations": [{"behind_s": behind, "slowest_sync_s": sync}],
                "alerts": alerts,
                "seconds": 10.0,
                "gaps": {"frames": 5, "count": 1},
                "lost_frames": 0,
                "rate_hz": 48_000,
                "ring_s": 20.0,
                "seconds_left": None,
                "expected_s": None,
            }
        )
    measured = log.result(wanted_s=10.0, cpu_cores=None, memory_bytes=None, unreadable=())
    assert (measured.behind_s, measured.slowest_sync_s) == (3.0, 4.0)
    assert measured.alerts == ("Samples did not arrive",)
    assert "processor" not in [line.name for line in judge(measured)]
