"""Keeps a duplex port going: what it plays is late as soon as nobody exchanges blocks, and what is late is not heard.

A device goes on by itself. After a pause it hands over at once what came in meanwhile, and leaves out what should have
gone out in that time. So silence is exchanged while something is computed, and after any pause until now is reached.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np

from nightreel.ports.protocols import Block, Duplex, FloatArray

_BLOCK_FRAMES = 1024
_BEHIND_S = 0.03
_MOST_CATCHING_UP_S = 30.0
_UNPACED = 1.5  # a port this much faster than real time waits for nobody

T = TypeVar("T")


class SteadyDuplex:
    """A started duplex, and how far its frames lag behind the clock on the wall."""

    def __init__(self, duplex: Duplex) -> None:
        self._duplex = duplex
        self._started_s: float | None = None
        self._frames = 0

    @property
    def rate_hz(self) -> int:
        return self._duplex.rate_hz

    @property
    def sends(self) -> int:
        return self._duplex.sends

    @property
    def returns(self) -> int:
        return self._duplex.returns

    @property
    def underruns(self) -> int:
        """Times the device could not play in time; after one the offset may have moved."""
        return int(getattr(self._duplex, "underruns", 0))

    def exchange(self, played: FloatArray) -> Block:
        if self._started_s is None:
            self._started_s = time.monotonic()
        block = self._duplex.exchange(played)
        self._frames += block.frames
        return block

    def catch_up(self) -> None:
        """Exchange silence until what comes in comes in now."""
        given_up_s = time.monotonic() + _MOST_CATCHING_UP_S
        while self._behind_s() > _BEHIND_S and time.monotonic() < given_up_s:
            self._silence()

    def meanwhile(self, work: Callable[[], T]) -> T:
        """The result of ``work``, with silence exchanged while it lasts."""
        if self._is_unpaced():
            return work()
        results: list[T] = []
        errors: list[BaseException] = []

        def run() -> None:
            try:
                results.append(work())
            except BaseException as error:
                errors.append(error)

        thread = threading.Thread(target=run, name="nightreel-solver")
        thread.start()
        while thread.is_alive():
            self._silence()
        thread.join()
        if errors:
            raise errors[0]
        return results[0]

    def _silence(self) -> None:
        self.exchange(np.zeros((_BLOCK_FRAMES, self.returns), np.float32))

    def _behind_s(self) -> float:
        if self._started_s is None:
            return 0.0
        return time.monotonic() - self._started_s - self._frames / self.rate_hz

    def _is_unpaced(self) -> bool:
        if self._started_s is None:
            return False
        return self._frames / self.rate_hz > _UNPACED * (time.monotonic() - self._started_s)
