"""What is played into a JACK server arrives sample for sample, on every channel; and nothing ever clicks."""

import time
from functools import partial

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


@pytest.fixture(scope="module")
def server():
    with pytest.MonkeyPatch.context() as patch, running_jack(patch, channels=CHANNELS) as running:
        yield running


@pytest.fixture
def listener(server):
    with ears(server.name, CHANNELS, seconds=8.0) as listening:
        yield listening


@pytest.fixture(params=[partial(DeviceSink, through_portaudio=True), JackSink], ids=["portaudio", "jack"])
def sink(request, listener):
    made = request.param(device="ears", rate_hz=RATE_HZ, channels=CHANNELS)
    made.start()
    yield made
    made.stop()


def heard_from(listener, first):
    """The tape from the frame on that equals ``first``; None when it is not there."""
    tape = np.array(listener.tape)
    at = np.flatnonzero((tape == first).all(axis=1))
    return tape[at[0] :] if at.size else None


def tone(seconds, channels=CHANNELS, freq_hz=220.0, level=0.5):
    wave = level * np.cos(2 * np.pi * freq_hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    return np.repeat(wave[:, None], channels, axis=1).astype(np.float32)


def test_every_sample_of_64_channels_arrives_as_it_was_written(sink, listener):
    programme = notes(12345, 2 * RATE_HZ, CHANNELS)
    for first in range(0, len(programme), 1000):
        sink.write(programme[first : first + 1000])
    sink.flush()
    time.sleep(0.1)
    assert sink.underruns == 0
    tape = heard_from(listener, programme[0])
    assert tape is not None
    skips = np.flatnonzero(np.diff(listener.periods[:, 0]) != PERIOD)
    print(f"{len(skips)} skips of the server among {len(listener.periods)} periods")
    assert np.array_equal(tape[: len(programme)], programme)
    # The end, too: the last frame is let down softly, and then there is silence.
    assert not tape[len(programme) + 1000 :].any()


def test_a_writer_that_runs_dry_and_comes_back_never_makes_a_step_larger_than_the_programme_s_own(sink, listener):
    programme = tone(2.0)
    own_step = np.abs(np.diff(programme, axis=0)).max()
    half = RATE_HZ + 77  # at no particular phase
    sink.write(programme[:half])
    time.sleep(0.8)
    sink.write(programme[half:])
    sink.flush()
    time.sleep(0.1)
    assert sink.underruns == 1
    tape = heard_from(listener, programme[0])
    assert np.array_equal(tape[:half], programme[:half])
    assert np.abs(np.diff(tape, axis=0)).max() <= own_step * 1.01
    assert np.array_equal(tape[:, :1].repeat(CHANNELS, axis=1), tape)  # all lines took the same way
    back = np.flatnonzero(tape[half + 2000 :, 0])
    assert back.size > RATE_HZ * 0.9


def test_fade_out_is_silent_within_its_time_and_without_a_step(sink, listener):
    programme = tone(3.0)
    own_step = np.abs(np.diff(programme, axis=0)).max()
    sink.write(programme[:RATE_HZ])
    sink.fade_out(0.02)
    time.sleep(0.3)
    tape = heard_from(listener, programme[0])
    assert np.abs(np.diff(tape, axis=0)).max() <= own_step * 1.01
    sounding = np.flatnonzero(tape.any(axis=1))[-1] + 1
    untouched = np.flatnonzero((tape[:sounding] != programme[:sounding]).any(axis=1))[0]
    assert sounding - untouched <= 0.02 * RATE_HZ
    assert sounding < RATE_HZ  # what was written ahead was thrown away
    sink.write(programme[:RATE_HZ])
    sink.flush()
    time.sleep(0.1)
    again = np.array(listener.tape)[-2 * RATE_HZ :]
    starts = np.flatnonzero((again == programme[0]).all(axis=1))
    assert any(np.array_equal(again[at : at + RATE_HZ], programme[:RATE_HZ]) for at in starts)


def test_a_sink_that_was_stopped_or_never_started_says_so(server):
    sink = JackSink(device="system", rate_hz=RATE_HZ, channels=2)
    with pytest.raises(DeviceTrouble, match="not started"):
        sink.write(np.zeros((10, 2), np.float32))
    sink.start()
    sink.stop()
    sink.stop()
    with pytest.raises(DeviceTrouble, match="not started"):
        sink.flush()
