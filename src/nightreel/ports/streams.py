"""An open device, whatever drives it: what opening one means, and how its loss is noticed.

A *stream* is an open device that calls the compiled callbacks. Opening one is the business of
:mod:`nightreel.ports.portaudio` and :mod:`nightreel.ports.jack`; sources around it stand in
:mod:`nightreel.ports.capture_stream`, sinks and duplexes in :mod:`nightreel.ports.play_stream`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from nightreel.ports.capture_ring import CaptureRing
from nightreel.ports.play_ring import PlayRing

RING_S = 20.0
MOST_BLOCK_S = 0.5
POLL_S = 0.004
# A device that has not called for this long is lost. A server on a busy machine may pause for some 100 ms.
SILENT_S = 2.0


class Stream(Protocol):
    """An open device. ``close`` is idempotent, and never waits for more audio."""

    @property
    def alive(self) -> bool:
        """False once the driver knows that the device has gone."""
        ...

    @property
    def latency_frames(self) -> tuple[int, int]:
        """What the driver says of the way in and the way out; it is often wrong by some, and line check measures."""
        ...

    def close(self) -> None: ...


OpenStream = Callable[[CaptureRing | None, PlayRing | None], Stream]
"""Opens the device, arms the rings once everything is connected; raises DeviceTrouble and leaves nothing open."""


class Watch:
    """Notices that a stream no longer calls. Time in which this process itself was stopped does not count."""

    def __init__(self, ring: CaptureRing | PlayRing) -> None:
        self._ring = ring
        self._calls = -1
        self._looked_s = time.monotonic()
        self._quiet_s = 0.0

    def is_lost(self, stream: Stream) -> bool:
        now_s = time.monotonic()
        calls = self._ring.calls
        if calls != self._calls:
            self._quiet_s = 0.0
        else:
            self._quiet_s += min(now_s - self._looked_s, 0.05)
        self._calls, self._looked_s = calls, now_s
        return self._ring.gone or not stream.alive or self._quiet_s > SILENT_S
