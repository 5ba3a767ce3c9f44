"""A band plays 64 channels of 24-bit noise into a JACK server; every sample of every channel has to be on record.

The band's samples follow from the server's frame time, so one comparison shows that the samples are right, that the
latency is constant, and that each gap has exactly the length of what was skipped. The dummy server has no real-time
scheduling here: periods for which the band itself was not called, or was too late, were not played, and are told apart
by the band's own log.
"""

import ctypes
import os
import subprocess
import threading
import time
from functools import partial

import numpy as np
import pytest
from tests.jackband import band, notes
from tests.jackserver import running_jack

from nightreel.ports.devices import DeviceSource
from nightreel.ports.jack import JackSource
from nightreel.timeline import GapCause, join_gaps, union

CHANNELS = 64
RATE_HZ = 48_000
PERIOD = 256


@pytest.fixture(scope="module")
def server():
    with pytest.MonkeyPatch.context() as patch, running_jack(patch, channels=CHANNELS) as running:
        yield running


@pytest.fixture
def players(server):
    with band(server.name, CHANNELS) as playing:
        yield playing


@pytest.fixture(
    params=[partial(DeviceSource, through_portaudio=True), DeviceSource, JackSource],
    ids=["portaudio", "device", "jack"],
)
def make_source(request):
    def make(**options):
        return request.param(device="band", rate_hz=RATE_HZ, channels=CHANNELS, **options)

    return make


def record(source, seconds, *, rate_hz=RATE_HZ, meanwhile=lambda: None):
    """Blocks of this many seconds by the source's own clock; ``meanwhile`` is called once, a second in."""
    blocks, frames, called = [], 0, False
    source.start()
    while frames < seconds * rate_hz:
        if not called and frames > rate_hz:
            meanwhile()
            called = True
        block = source.read(timeout_s=5.0)
        assert block is not None, "nothing came for 5 s"
        assert block.first_frame == frames
        frames += block.frames
        blocks.append(block)
    source.stop()
    return np.concatenate([b.samples for b in blocks]), join_gaps(g for b in blocks for g in b.gaps)


def check_against_band(samples, gaps, players):
    """Everything outside the gaps is what the band played, at one constant offset; the offset as a frame time."""
    log = players.periods
    missing = np.zeros(len(samples), dtype=bool)
    for gap in gaps:
        missing[gap.first_frame : gap.end_frame] = True
        assert not samples[gap.first_frame : gap.end_frame].any()
    first_time = find_offset(samples, missing, log)
    expected = notes(first_time, len(samples), samples.shape[1])
    played = np.zeros(len(samples), dtype=bool)
    for now, in_time in log:
        at = now - first_time
        if in_time:
            played[max(at, 0) : max(at + PERIOD, 0)] = True
    wrong = (samples != expected).any(axis=1) & ~missing
    print(f"{len(samples)} frames, gaps {missing.sum()}, not played {np.sum(~played & ~missing)}, wrong {wrong.sum()}")
    assert not (wrong & played).any(), "samples that the band played differ from those on record"
    assert np.mean(~played & ~missing) < 0.05, "the band was hardly ever called in time: nothing is proven"
    return first_time, missing, played


def find_offset(samples, missing, log):
    """The frame time of the first recorded frame, from the first period that was recorded whole."""
    for at in range(0, len(samples) - PERIOD, PERIOD):
        if missing[at : at + PERIOD].any():
            continue
        for now, _ in log:
            if np.array_equal(samples[at], notes(now, 1, samples.shape[1])[0]):
                return int(now) - at
    raise AssertionError("nothing of what the band played is on record")


def overlap(one, other):
    return one.first_frame < other.end_frame and other.first_frame < one.end_frame


def test_every_sample_of_64_channels_is_on_record(make_source, players):
    samples, gaps = record(make_source(), 3.0)
    check_against_band(samples, gaps, players)
    assert {gap.cause for gap in gaps} <= {GapCause.SERVER_SKIPPED}


def test_periods_that_the_server_went_on_without_us_are_a_gap_of_exactly_that_length(make_source, players):
    # The server's periods pass while this process, with the band in it, is stopped.
    def stop_for_a_while():
        script = f"kill -STOP {os.getpid()}; sleep 0.4; kill -CONT {os.getpid()}"
        subprocess.run(["sh", "-c", script], check=True)

    samples, gaps = record(make_source(), 3.0, meanwhile=stop_for_a_while)
    _, missing, played = check_against_band(samples, gaps, players)
    skipped = [gap for gap in gaps if gap.frames > 0.2 * RATE_HZ]
    assert len(skipped) == 1
    assert skipped[0].cause is GapCause.SERVER_SKIPPED
    # The band stood still as well, but for a period at either edge for which only one of the two was called; and close
    # to both edges it is on record, at the one offset that holds before and after: so the length is exact.
    gap = skipped[0]
    assert played[gap.first_frame : gap.end_frame].sum() <= 2 * PERIOD
    on_record = played & ~missing
    assert on_record[gap.first_frame - 20 * PERIOD : gap.first_frame].any()
    assert on_record[gap.end_frame : gap.end_frame + 20 * PERIOD].any()


def test_nothing_is_lost_while_another_thread_holds_the_interpreter_lock(make_source, players):
    holder = ctypes.PyDLL(None)  # calls through PyDLL keep the lock
    before_s, after_s = [], []
    leave = threading.Event()

    def tick():
        while not leave.wait(0.001):
            last_s = time.monotonic()
            (after_s if before_s else ticks).append(last_s)

    ticks = []

    def hold():
        before_s.append(time.monotonic())
        holder.usleep(1_500_000)
        before_s.append(time.monotonic())

    ticker = threading.Thread(target=tick)
    ticker.start()
    try:
        samples, gaps = record(make_source(), 4.0, meanwhile=hold)
    finally:
        leave.set()
        ticker.join()
    ran = [at_s for at_s in after_s if before_s[0] + 0.05 < at_s < before_s[1] - 0.05]
    assert ticks
    assert not ran, "Python ran meanwhile: the lock was not held, and nothing is proven"
    check_against_band(samples, gaps, players)
    # Whatever is missing the server had skipped, for everybody or (without real-time scheduling) for us. That is some
    # periods; a callback that waited for the lock would miss the time for which it was held.
    assert {gap.cause for gap in gaps} <= {GapCause.SERVER_SKIPPED}
    assert sum(gap.frames for gap in gaps) < RATE_HZ
    assert max((gap.frames for gap in gaps), default=0) < 0.2 * RATE_HZ


def test_a_reader_that_stalls_longer_than_the_ring_gets_one_gap_and_stays_aligned(make_source, players):
    source = make_source(ring_s=0.5)
    samples, gaps = record(source, 3.5, meanwhile=lambda: time.sleep(1.5))
    check_against_band(samples, gaps, players)
    # A period that the server skipped in the middle of it stands on its own in the list, but not on its own in time.
    spans = union(gap.span for gap in gaps)
    full = {span for span in spans for gap in gaps if gap.cause is GapCause.RING_FULL and overlap(gap.span, span)}
    assert len(full) == 1
    assert full.pop().frames > 0.8 * RATE_HZ
    assert source.health.high_water >= 0.4 * RATE_HZ


def test_every_sample_of_128_channels_at_96_khz_is_on_record(monkeypatch):
    # Periods of 2.7 ms: synchronous, so that a busy machine makes the server late instead of the proof.
    with running_jack(monkeypatch, channels=128, rate_hz=96_000, synchronous=True) as server:
        with band(server.name, 128) as players:
            source = JackSource(device="band", rate_hz=96_000, channels=128, ring_s=5.0)
            samples, gaps = record(source, 2.0, rate_hz=96_000)
        check_against_band(samples, gaps, players)
