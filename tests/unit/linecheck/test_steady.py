"""A device goes on while we compute: nothing is played into the past."""

from __future__ import annotations

import time

import numpy as np
import pytest

from nightreel.linecheck.steady import SteadyDuplex
from nightreel.ports.protocols import Block, FloatArray


class Device:
    """Goes on in real time: after a pause it hands over what came meanwhile, and what was due then is not heard."""

    rate_hz = 48_000
    sends = 2
    returns = 2

    def __init__(self, paced: bool = True) -> None:
        self._paced = paced
        self._began = time.monotonic()
        self._position = 0
        self.unheard = 0

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def exchange(self, played: FloatArray) -> Block:
        frames = played.shape[0]
        now = int((time.monotonic() - self._began) * self.rate_hz)
        if self._paced:
            if now - self._position > 9_600 and played.any():
                self.unheard += frames
            time.sleep(max(0, self._position + frames - now) / self.rate_hz)
        first, self._position = self._position, self._position + frames
        return Block(first_frame=first, samples=np.zeros((frames, 2), np.float32))


def test_silence_goes_on_while_something_is_computed() -> None:
    device = Device()
    steady = SteadyDuplex(device)
    steady.exchange(np.zeros((1024, 2), np.float32))
    assert steady.meanwhile(lambda: time.sleep(0.5) or "done") == "done"
    steady.exchange(np.ones((1024, 2), np.float32))
    assert device.unheard == 0


def test_after_a_pause_it_catches_up_before_anything_is_played() -> None:
    device = Device()
    steady = SteadyDuplex(device)
    steady.exchange(np.zeros((1024, 2), np.float32))
    time.sleep(0.6)
    steady.catch_up()
    steady.exchange(np.ones((1024, 2), np.float32))
    assert device.unheard == 0


def test_a_port_without_a_clock_is_not_kept_busy() -> None:
    device = Device(paced=False)
    steady = SteadyDuplex(device)
    for _ in range(200):
        steady.exchange(np.zeros((1024, 2), np.float32))
    before = device._position
    assert steady.meanwhile(lambda: 7) == 7
    steady.catch_up()
    assert device._position == before


def test_a_failure_of_the_work_comes_through() -> None:
    steady = SteadyDuplex(Device())
    steady.exchange(np.zeros((1024, 2), np.float32))
    with pytest.raises(ZeroDivisionError):
        steady.meanwhile(lambda: 1 // 0)
