"""What is played into a JACK server arrives sample for sample, on every channel; and nothing ever clicks.

The dummy server has no real-time scheduling here: on a busy machine it skips periods. Sink and ears each keep a log of
the server's frame times they were called for; a period counts where both were.
"""

import itertools
import threading
import time

import numpy as np
import pytest
from tests.jackband import ears, notes
from tests.jackserver import running_jack

from nightreel.errors import DeviceTrouble
from nightreel.ports.devices import DeviceSink
from nightreel.ports.jack import JackSink

CHANNELS = 64
RATE_HZ = 48_000
PERIOD = 256


@pytest.fixture(params=["portaudio", "jack"])
def kind(request):
    return request.param


@pytest.fixture
def server(monkeypatch):
    # Synchronous: where periods overrun, an asynchronous server may run the ears before the sink, and they hear an
    # old buffer again. Neither of the two can know (seen on a machine with six times more work than cores).
    with running_jack(monkeypatch, channels=CHANNELS, synchronous=True) as running:
        yield running


@pytest.fixture
def listener(server):
    with ears(server.name, CHANNELS, seconds=12.0) as listening:
        yield listening


@pytest.fixture
def sink(kind, listener):
    options = {"device": "ears", "rate_hz": RATE_HZ, "channels": CHANNELS, "buffer_s": 0.5}
    made = JackSink(**options) if kind == "jack" else DeviceSink(through_portaudio=True, **options)
    made.start()
    yield made
    made.stop()


def tone(seconds, channels=CHANNELS, freq_hz=220.0, level=0.5):
    wave = level * np.cos(2 * np.pi * freq_hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    return np.repeat(wave[:, None], channels, axis=1).astype(np.float32)


def heard_periods(listener, sink):
    """(frame time, programme frame at its start, samples) of each period that both sides were in time for."""
    sent = {int(now): int(frame) for now, frame, in_time in sink.periods if in_time}
    tape = listener.tape.reshape(-1, PERIOD, CHANNELS)
    log = listener.periods[: len(tape)]
    return [(int(now), sent[int(now)], tape[n]) for n, (now, in_time) in enumerate(log) if in_time and int(now) in sent]


def steps_within_runs(periods):
    """The largest step between neighbouring frames where periods follow one another without a hole."""
    largest = 0.0
    for (before, _, earlier), (now, _, later) in itertools.pairwise(periods):
        largest = max(largest, float(np.abs(np.diff(later, axis=0)).max()))
        if now == before + PERIOD:
            largest = max(largest, float(np.abs(later[0] - earlier[-1]).max()))
    return largest


def test_every_sample_of_64_channels_arrives_as_it_was_written(sink, listener):
    programme = notes(12345, 2 * RATE_HZ, CHANNELS)
    for first in range(0, len(programme), 1000):
        sink.write(programme[first : first + 1000])
    sink.flush()
    time.sleep(0.1)
    assert sink.underruns == 0
    periods = heard_periods(listener, sink)
    whole = [(at, block) for _, at, block in periods if block.all(axis=1).all() and at + PERIOD <= len(programme)]
    print(f"{len(whole)} of {len(programme) // PERIOD} periods compared, {sink.skips} skips")
    # One constant latency: the first frame of the first period says which, all others are held to it.
    first_at, first_block = whole[0]
    latency = next(
        n for n in (0, PERIOD) if np.array_equal(programme[first_at - n : first_at - n + PERIOD], first_block)
    )
    for at, block in whole:
        assert np.array_equal(block, programme[at - latency : at - latency + PERIOD])
    assert len(whole) > 0.5 * len(programme) / PERIOD
    # The end, too: the last frame is let down softly, and then there is silence.
    assert not periods[-1][2].any()


def test_a_writer_that_runs_dry_and_comes_back_never_makes_a_step_larger_than_the_programme_s_own(sink, listener):
    programme = tone(2.0)
    half = RATE_HZ + 77  # at no particular phase
    sink.write(programme[:half])
    time.sleep(1.2)
    sink.write(programme[half:])
    sink.flush()
    time.sleep(0.1)
    assert sink.underruns >= 1
    periods = heard_periods(listener, sink)
    programme_s_own = np.abs(np.diff(programme, axis=0)).max()
    started = next(n for n, (_, _, block) in enumerate(periods) if block.any())
    assert steps_within_runs(periods[started + 1 :]) <= programme_s_own * 1.01
    assert all(np.array_equal(block, np.repeat(block[:, :1], CHANNELS, axis=1)) for _, _, block in periods)
    sounding = [n for n, (_, _, block) in enumerate(periods) if block.any()]
    assert any(later - earlier > 1 for earlier, later in itertools.pairwise(sounding)), "it never fell silent"


def test_fade_out_is_silent_soon_without_a_step_and_what_was_written_ahead_is_not_heard(sink, listener):
    programme = tone(3.0)
    sink.write(programme[:RATE_HZ])
    sink.fade_out(0.02)
    stopped_at = int(sink.periods[-1][0])
    time.sleep(0.3)
    periods = heard_periods(listener, sink)
    programme_s_own = np.abs(np.diff(programme, axis=0)).max()
    started = next(n for n, (_, _, block) in enumerate(periods) if block.any())
    assert steps_within_runs(periods[started + 1 :]) <= programme_s_own * 1.01
    assert not any(block.any() for now, _, block in periods if now > stopped_at)
    sink.write(programme[:RATE_HZ])
    sink.flush()
    time.sleep(0.1)
    again = [block for now, _, block in heard_periods(listener, sink) if now > stopped_at and block.any()]
    assert len(again) > 0.5 * RATE_HZ / PERIOD


def test_fade_out_from_another_thread_ends_a_write_that_waits(sink, listener):
    writer = threading.Thread(target=sink.write, args=(tone(30.0),))
    writer.start()
    time.sleep(0.5)
    sink.fade_out()
    writer.join(5.0)
    assert not writer.is_alive()
    stopped_at = int(sink.periods[-1][0])
    time.sleep(0.3)
    assert not any(block.any() for now, _, block in heard_periods(listener, sink) if now > stopped_at)


def test_a_sink_that_was_stopped_or_never_started_says_so(server):
    sink = JackSink(device="system", rate_hz=RATE_HZ, channels=2)
    with pytest.raises(DeviceTrouble, match="not started"):
        sink.write(np.zeros((10, 2), np.float32))
    sink.start()
    sink.stop()
    sink.stop()
    with pytest.raises(DeviceTrouble, match="not started"):
        sink.flush()
