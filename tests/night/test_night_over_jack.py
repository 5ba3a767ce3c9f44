"""The main job on a real audio server: record 64 channels, play the take back, and compare every sample both ways.

JACK (Debian's jackd2, dummy driver) is started by the test. It has no real-time scheduling here and may skip periods
under load: what the server went on without the recorder stands in the take as a gap of exactly that length. The server
waits for its clients within a period (``-S``): on an overloaded machine the asynchronous server was seen to call the
recorder before the band had written that period, so that it heard the one before, which neither client can know. A
sound card's own inputs are not another client, and have no such order to lose.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from tests.jackband import band, ears, notes
from tests.jackserver import JackServer, running_jack

from nightreel.show.files import create_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Port, Role
from nightreel.take import find_take, open_take

CHANNELS = 64
RATE_HZ = 48_000
PERIOD = 256
FADE_S = 0.03  # the player's fades last 20 ms at most


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    with running_jack(monkeypatch, channels=CHANNELS, synchronous=True) as running:
        yield running


@pytest.fixture
def show(tmp_path: Path) -> Path:
    lines = tuple(
        Line(
            number=number,
            name=f"Input {number}",
            role=Role.DIRECT,
            send=Port(link="desk", number=number),
            return_port=Port(link="desk", number=number),
        )
        for number in range(1, CHANNELS + 1)
    )
    capacity = {RATE_HZ: Capacity(sends=CHANNELS, returns=CHANNELS)}
    folder = tmp_path / "show"
    create_show(
        folder,
        name="64 lines",
        rate_hz=RATE_HZ,
        lines=lines,
        links=(Link(name="desk", kind=LinkKind.JACK, capacity=capacity),),
    )
    return folder


def nightreel(*words: object) -> str:
    """Run a command as its user would; what it prints."""
    done = subprocess.run(
        [sys.executable, "-m", "nightreel", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=240,
        env=os.environ,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def place_of(first: np.ndarray, periods: np.ndarray) -> int:
    """The server's frame time at which the band played this frame (all channels)."""
    for start in periods[:, 0]:
        rows = np.flatnonzero((notes(int(start), PERIOD, CHANNELS) == first).all(axis=1))
        if len(rows):
            return int(start) + int(rows[0])
    raise AssertionError("the first recorded frame was never played")


def was_played(periods: np.ndarray, start: int, frames: int) -> np.ndarray:
    """Where the band was called in time; elsewhere the server went on without it and nobody knows what sounded."""
    mask = np.zeros(frames, bool)
    for now, in_time in periods:
        if in_time:
            mask[max(now - start, 0) : max(now - start + PERIOD, 0)] = True
    return mask


def near_silence(missing: np.ndarray) -> np.ndarray:
    """Where the player fades, so that nothing clicks: around gaps, and at the take's two ends."""
    silent = np.concatenate([[True], missing, [True]])
    reach = np.ones(2 * round(FADE_S * RATE_HZ) + 1)
    return np.convolve(silent, reach, "same")[1:-1] > 0.5


def test_what_the_band_played_is_on_disk_and_comes_back_through_its_returns(server: JackServer, show: Path) -> None:
    with band(server.name, CHANNELS) as players:
        nightreel("record", show, "--from", "jack:band", "--plain")
        time.sleep(3.0)
        status = json.loads(nightreel("record", show, "--status", "--json"))
        nightreel("stop", show, "--confirm", status["take"])
        played = players.periods.copy()
    with open_take(find_take(show, "last")) as take:
        facts = take.facts
        recorded = take.read([track.line for track in facts.tracks], 0, facts.frames)
    missing = np.zeros(facts.frames, bool)
    for gap in facts.gaps:
        missing[gap.first_frame : gap.end_frame] = True
    heard = np.flatnonzero(~missing)
    assert len(heard) > 2 * RATE_HZ
    start = place_of(recorded[heard[0]], played) - int(heard[0])
    expected = notes(start % (1 << 32), facts.frames, CHANNELS)
    expected[missing] = 0.0
    wrong = (recorded != expected).any(axis=1)
    in_time = was_played(played, start, facts.frames)
    assert not (wrong & (in_time | missing)).any()
    assert np.mean(in_time) > 0.7, "the band itself was hardly called in time: nothing is proven"

    with ears(server.name, CHANNELS, seconds=30.0) as listeners:
        nightreel("soundcheck", show, "--through", "jack:ears", "--confirm-muted", "--start-level", "0", "--rise", "0")
        time.sleep(0.2)
        tape = listeners.tape.copy().reshape(-1, PERIOD, CHANNELS)
    by_frame = {row.tobytes(): frame for frame, row in enumerate(recorded[:, :4]) if not missing[frame]}
    faded = near_silence(missing)
    came_back, last = 0, -1
    for period in tape:
        place = by_frame.get(period[0, :4].tobytes())
        if place is None or place + PERIOD > facts.frames or faded[place : place + PERIOD].any():
            continue
        np.testing.assert_array_equal(period, recorded[place : place + PERIOD])
        assert place >= last
        came_back += place > last
        last = place
    assert came_back * PERIOD > 0.5 * len(heard)
