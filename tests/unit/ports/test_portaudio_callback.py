"""The callback that PortAudio gets, called as PortAudio calls it (signature and flags: portaudio.h, v19)."""

import ctypes

import numpy as np
import pytest

from nightreel.ports import capture_ring
from nightreel.ports import portaudio_callback as compiled
from nightreel.ports.capture_ring import CaptureRing, Loss
from nightreel.ports.play_ring import PlayRing
from nightreel.timeline import GapCause

RATE_HZ = 48_000
CHANNELS = 2
FRAMES = 64

_CALL = ctypes.CFUNCTYPE(
    ctypes.c_int,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_ulong,
    ctypes.POINTER(ctypes.c_double),
    ctypes.c_ulong,
    ctypes.c_void_p,
)


class Driver:
    """Plays the part of PortAudio and of a device with a clock of its own."""

    def __init__(self, heard=None, played=None, *, ppm=0.0, jitter_s=0.0):
        self.call = _CALL(compiled.portaudio_period.address)
        self.clock = np.zeros(compiled.CLOCK_PLACES)
        self.links = np.zeros(compiled.LINK_PLACES, np.int64)
        self.links[compiled.CAPTURE] = 0 if heard is None else heard.control.ctypes.data
        self.links[compiled.PLAY] = 0 if played is None else played.control.ctypes.data
        self.links[compiled.CLOCK] = self.clock.ctypes.data
        self.links[compiled.RATE_HZ] = RATE_HZ
        self.rate_hz = RATE_HZ * (1 + ppm * 1e-6)
        self.jitter_s = jitter_s
        self.frame = 0
        self.random = np.random.default_rng(5)

    def period(self, block=None, *, flags=0, times=True):
        """One period of a device that stands at ``self.frame``."""
        out = np.full((FRAMES, CHANNELS), np.nan, np.float32)
        stated = 100.0 + self.frame / self.rate_hz + self.random.uniform(0.0, self.jitter_s) if times else 0.0
        facts = (ctypes.c_double * 3)(stated, stated, stated)
        heard = None if block is None else block.ctypes.data
        assert self.call(heard, out.ctypes.data, FRAMES, facts, flags, self.links.ctypes.data) == 0
        self.frame += FRAMES
        return out


def numbered(first):
    return (np.arange(first, first + FRAMES)[:, None] + np.array([0.0, 0.5])).astype(np.float32)


def take_all(ring):
    taken = []
    while (got := ring.take(FRAMES)) is not None:
        taken.append(got)
    return taken


def test_before_it_is_armed_nothing_is_written_and_silence_is_played():
    heard, played = (
        CaptureRing(channels=CHANNELS, frames=1000),
        PlayRing(channels=CHANNELS, frames=1000, cushion_frames=0, fade_frames=8),
    )
    played.write(numbered(1))
    out = Driver(heard, played).period(numbered(0))
    assert not out.any()
    assert heard.take(100) is None
    assert (heard.calls, played.calls) == (1, 1)


def test_both_ways_pass_bit_for_bit():
    heard, played = (
        CaptureRing(channels=CHANNELS, frames=1000),
        PlayRing(channels=CHANNELS, frames=1000, cushion_frames=0, fade_frames=8),
    )
    heard.arm()
    played.arm()
    driver = Driver(heard, played)
    for first in (0, FRAMES):
        played.write(numbered(first))
        assert np.array_equal(driver.period(numbered(1000 + first)), numbered(first))
    assert np.array_equal(np.concatenate(take_all(heard)), np.concatenate([numbered(1000), numbered(1000 + FRAMES)]))


@pytest.mark.parametrize("ppm", [0.0, 40.0, -40.0])
def test_an_overflow_has_the_length_that_the_stated_times_show(ppm):
    ring = CaptureRing(channels=CHANNELS, frames=500_000)
    ring.arm()
    driver = Driver(ring, ppm=ppm)
    for _ in range(2000):
        driver.period(numbered(0))
    driver.frame += 1000  # lost in the driver
    driver.period(numbered(0), flags=compiled.INPUT_OVERFLOW)
    for _ in range(2000):
        driver.period(numbered(0))
    losses = [got for got in take_all(ring) if isinstance(got, Loss)]
    assert [loss.cause for loss in losses] == [GapCause.DEVICE_OVERFLOW]
    # A clock 40 ppm off the nominal rate is followed with a lag: 40e-6 x 64 frames x 100 periods = 0.26 frames.
    assert losses[0].frames == pytest.approx(1000, abs=1)


def test_times_that_jitter_make_the_length_an_estimate_and_nothing_worse():
    ring = CaptureRing(channels=CHANNELS, frames=500_000)
    ring.arm()
    driver = Driver(ring, jitter_s=0.0005)
    for _ in range(2000):
        driver.period(numbered(0))
    driver.frame += 1000
    driver.period(numbered(0), flags=compiled.INPUT_OVERFLOW)
    losses = [got for got in take_all(ring) if isinstance(got, Loss)]
    assert losses[0].frames == pytest.approx(1000, abs=0.0005 * RATE_HZ)


def test_late_times_without_the_flag_are_no_loss_and_a_flag_without_times_is_counted():
    ring = CaptureRing(channels=CHANNELS, frames=500_000)
    ring.arm()
    driver = Driver(ring, jitter_s=0.01)
    for _ in range(500):
        driver.period(numbered(0))
    driver.period(numbered(0), flags=compiled.INPUT_OVERFLOW, times=False)
    assert not [got for got in take_all(ring) if isinstance(got, Loss)]
    assert ring.control[capture_ring.FLAGS] == 1
