"""An instrument plugged straight in is as silent between two songs as with its cable out: the band tells which."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from nightreel.review.findings.outs import _all_rest

RATE_HZ = 48_000
SONG, REST = slice(0, 100), slice(100, 120)


def material(*, resting: int, playing: int) -> Any:
    """Lines of 20 s in windows of 100 ms; from 10 s to 12 s ``resting`` of them are silent."""
    lines = {}
    for number in range(1, resting + playing + 1):
        peaks = np.full(200, -12.0, np.float32)
        if number <= resting:
            peaks[REST] = -70.0
        lines[number] = SimpleNamespace(levels=SimpleNamespace(history_peak_db=peaks))
    return SimpleNamespace(lines=lines, rate_hz=RATE_HZ)


def test_when_the_band_rests_with_it_a_silent_line_rests() -> None:
    assert _all_rest(material(resting=9, playing=2), 1, 10 * RATE_HZ, 12 * RATE_HZ)


def test_when_the_band_plays_on_a_silent_line_is_out() -> None:
    assert not _all_rest(material(resting=2, playing=9), 1, 10 * RATE_HZ, 12 * RATE_HZ)


def test_two_lines_are_no_band() -> None:
    assert not _all_rest(material(resting=2, playing=0), 1, 10 * RATE_HZ, 12 * RATE_HZ)
