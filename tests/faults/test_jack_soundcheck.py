"""A whole soundcheck over JACK: play, loop, jump, one line live, stop, back to live; every sample accounted for.

The desk is a client of the tests' own that swaps returns and takes its time. Periods that the dummy server itself
skipped were neither played nor heard; they stand in the duplex's gaps, and every other sample has to be exact.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from tests.jackdesk import JackDesk, Patch
from tests.jackserver import running_jack
from tests.unit.soundcheck.rig import ArrayTake, band, largest_step, playing

from nightreel.linecheck import Identified, identify
from nightreel.ports.jack import JackDuplex
from nightreel.soundcheck import Drive, State
from nightreel.soundcheck.back_to_live import CODE_DBFS, Live, Returned, judge
from nightreel.timeline import Span

CHANNELS = 64
PERIOD = 1024
DELAY = 3_000
RATE_HZ = 48_000


@pytest.fixture(scope="module")
def server():
    options = {"channels": CHANNELS, "period_frames": PERIOD, "synchronous": True}
    with pytest.MonkeyPatch.context() as patch, running_jack(patch, **options) as running:
        yield running


def swapped() -> Patch:
    """Every send carries the return beside its own."""
    return Patch([n ^ 1 for n in range(CHANNELS)], [1.0] * CHANNELS, [DELAY] * CHANNELS)


class Log:
    """What was played and what came in, frame by frame, and which frames the server skipped."""

    def __init__(self) -> None:
        self.played: list[np.ndarray] = []
        self.heard: list[np.ndarray] = []
        self.gaps: list[tuple[int, int]] = []

    def __call__(self, played, block) -> None:
        self.played.append(played.copy())
        self.heard.append(block.samples.copy())
        self.gaps += [(gap.first_frame, gap.end_frame) for gap in block.gaps]

    def arrays(self):
        played, heard = np.concatenate(self.played), np.concatenate(self.heard)
        there = np.ones(heard.shape[0], bool)
        for first, end in self.gaps:
            there[first:end] = False
        return played, heard, there


class DuplexSink:
    """A duplex port as a sink; ``heard`` gets what was played with the block that came in at the same time."""

    def __init__(self, duplex, heard):
        self._duplex = duplex
        self._heard = heard

    @property
    def rate_hz(self):
        return self._duplex.rate_hz

    @property
    def channels(self):
        return self._duplex.returns

    @property
    def underruns(self):
        return int(getattr(self._duplex, "underruns", 0))

    def start(self):
        self._duplex.start()

    def write(self, samples):
        block = self._duplex.exchange(samples)
        self._heard(samples, block)

    def flush(self):
        self._duplex.exchange(np.zeros((round(0.1 * self.rate_hz), self.channels), np.float32))

    def stop(self):
        self._duplex.stop()


def until(condition, timeout_s=20.0):
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def test_the_whole_cycle_is_sample_exact(server):
    samples = band(12 * RATE_HZ, CHANNELS)
    log = Log()
    with JackDesk(server.name, swapped()), playing(ArrayTake(samples)) as player:
        duplex = JackDuplex(rate_hz=RATE_HZ, sends=CHANNELS, returns=CHANNELS, device="desk", ahead_s=0.5)
        sink = DuplexSink(duplex, log)
        assert player.wait_ready()
        sink.start()
        drive = Drive(player, sink, block_s=0.02)
        try:
            before = duplex.underruns
            player.start()
            until(lambda: player.status().position > RATE_HZ)
            player.set_loop(Span(first_frame=RATE_HZ, frames=RATE_HZ))
            until(lambda: player.status().position > RATE_HZ + RATE_HZ // 2)
            time.sleep(1.2)
            player.set_loop(None)
            player.jump(8 * RATE_HZ)
            until(lambda: player.status().position > 8 * RATE_HZ + 9_600)
            player.set_returned(5, False)
            time.sleep(0.5)
            player.set_returned(5, True)
            time.sleep(0.3)
            drive.stop_now()
            until(lambda: player.status().state is State.STOPPED)
            time.sleep(0.8)
        finally:
            drive.leave()
            ahead = duplex.latency_frames[2]
            underruns = duplex.underruns - before
            sink.stop()
    played, heard, there = log.arrays()
    print(f"{(~there).sum()} of {there.size} frames skipped by the server, {underruns} underruns")
    if underruns:
        pytest.fail("the test machine was too slow to play in time; the offset may have moved")
    crossed = played[:, [n ^ 1 for n in range(CHANNELS)]]
    latency = find_latency(crossed, heard, there, ahead)
    at = np.arange(latency, heard.shape[0])
    went_out = np.append(there, np.zeros(ahead, bool))  # frame j leaves while frame j + ahead comes in
    sure = there[at] & went_out[np.minimum(at - latency + ahead, went_out.size - 1)]
    assert sure.mean() > 0.5
    assert np.array_equal(heard[at][sure], crossed[at - latency][sure])
    assert largest_step(played) <= largest_step(samples)
    index = {row.tobytes(): place for place, row in enumerate(samples)}
    exact = sum(row.tobytes() in index for row in played)
    assert exact > 0.4 * len(played)  # the rest is fades, seams, one line away, and silence
    assert not played[-RATE_HZ // 2 :].any()


def find_latency(crossed, heard, there, ahead):
    """From the loudest frame that was surely played: where it came in, bit for bit."""
    for place in np.argsort(-np.abs(crossed).sum(axis=1))[:200]:
        found = np.flatnonzero((heard == crossed[place]).all(axis=1))
        if found.size:
            latency = int(found[0] - place)
            assert latency - ahead - DELAY in {k * PERIOD for k in range(4)}
            return latency
    raise AssertionError("nothing that was played came back")


def back_to_live(desk_patch: Patch, server) -> Live:
    lines = tuple(Returned(line=n, name=f"Name {n}", return_number=n, send_number=n) for n in range(1, CHANNELS + 1))
    with JackDesk(server.name, desk_patch):
        duplex = JackDuplex(rate_hz=RATE_HZ, sends=CHANNELS, returns=CHANNELS, device="desk", ahead_s=0.5)
        duplex.start()
        try:
            outcome = identify(
                duplex,
                [line.return_number for line in lines],
                amplifiers_muted=True,
                ceiling_dbfs=CODE_DBFS,
                ahead_frames=duplex.latency_frames[2],
            )
        finally:
            duplex.stop()
    assert isinstance(outcome, Identified)
    return judge(outcome.matrix, lines)


def test_back_to_live_names_what_is_still_returned_and_proves_the_rest(server):
    forgotten = [-1] * CHANNELS
    forgotten[6], forgotten[40] = 6, 40
    live = back_to_live(Patch(forgotten, [1.0] * CHANNELS, [DELAY] * CHANNELS), server)
    assert [line.line for line, _ in live.still] == [7, 41]
    nothing = Patch([-1] * CHANNELS, [1.0] * CHANNELS, [DELAY] * CHANNELS)
    assert back_to_live(nothing, server).proven
