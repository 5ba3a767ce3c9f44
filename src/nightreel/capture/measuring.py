"""The watch's ears: a thread that reads the ring as a disk does, feeds the meters, and hands levels to the watch.

It may fall behind; then it gives way before any disk does. Frames it missed are fed as silence and the measurement
is thrown away at the end, so that the review measures the take anew instead of trusting half a result.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from nightreel.capture.ring import FrameRing
from nightreel.signal.meters import LineMeters, RecentLevels
from nightreel.units import Encoding
from nightreel.wave import unpack

log = logging.getLogger("nightreel.capture")

WINDOW_S = 0.1
_FULL_SCALE = {
    Encoding.PCM16: 32_767 / 32_768,
    Encoding.PCM24: 8_388_607 / 8_388_608,
    Encoding.PCM32: 1.0,  # float32 cannot tell the largest 32-bit value from full scale
    Encoding.FLOAT32: 1.0,
}


class Measuring:
    """Started at the take's first frame; ``finish`` waits for the last one and gives the saved meters."""

    def __init__(
        self,
        ring: FrameRing,
        *,
        tracks: int,
        rate_hz: int,
        encoding: Encoding,
        on_block: Callable[[NDArray[np.float32], int], None] | None = None,
    ) -> None:
        """``on_block`` : is given each measured block (frames, tracks) with its first take frame."""
        self._ring = ring
        self._rate_hz = rate_hz
        self._encoding = encoding
        self._tracks = tracks
        self._on_block = on_block
        self._window_frames = max(1, round(WINDOW_S * rate_hz))
        self._most_frames = min(self._window_frames * 4, max(1, ring.capacity_frames // 4))
        self._staging = np.zeros((tracks, self._most_frames * encoding.sample_bytes), dtype=np.uint8)
        self._meters = LineMeters.start(rate_hz=rate_hz, channels=tracks, full_scale=_FULL_SCALE[encoding])
        self._tail = ring.open_tail(0)
        self._origin = 0
        self._end: int | None = None
        self._missed_frames = 0
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="measuring", daemon=True)

    @property
    def missed_frames(self) -> int:
        return self._missed_frames

    def start(self, origin: int, *, holds_producer: bool) -> None:
        self._origin = origin
        self._tail.back_to(origin)
        self._tail.holds_producer = holds_producer
        self._thread.start()

    def recent(self, windows: int = 1) -> RecentLevels | None:
        """Levels of the last whole windows of 100 ms; None before there are any."""
        with self._lock:
            if self._meters.frames < self._window_frames:
                return None
            return self._meters.recent(windows)

    def finish(self, end_frame: int, *, timeout_s: float) -> bytes:
        """The meters of the whole take as bytes; b'' where they are not to be trusted."""
        self._end = end_frame
        self._ring.wake()
        self._thread.join(timeout_s)
        self._tail.holds_producer = False
        if self._thread.is_alive() or self._missed_frames or self._meters.frames != end_frame:
            log.warning("the measurement is incomplete (%d frames missed): not saved", self._missed_frames)
            return b""
        return self._meters.to_bytes()

    def _run(self) -> None:
        try:
            while self._end is None or self._tail.position - self._origin < self._end:
                wanted = self._window_frames if self._end is None else 1
                if not self._tail.wait(wanted, timeout_s=0.25) and self._tail.behind_frames < wanted:
                    continue
                self._measure()
        except Exception:
            log.exception("measuring stopped on a fault of ours; the recording goes on")
            self._missed_frames = max(1, self._missed_frames)
            self._tail.holds_producer = False

    def _measure(self) -> None:
        taken = self._tail.take(self._most_frames, self._staging)
        if taken.skipped.frames:
            self._missed_frames += taken.skipped.frames
            self._feed_silence(taken.skipped.frames)
        if not taken.frames:
            return
        size = taken.frames * self._encoding.sample_bytes
        planar = unpack(np.ascontiguousarray(self._staging[:, :size]).reshape(-1), self._encoding)
        block = np.ascontiguousarray(planar.reshape(self._tracks, taken.frames).T)
        with self._lock:
            first = self._meters.end_frame
            self._meters.feed(block)
        if self._on_block is not None:
            self._on_block(block, first)

    def _feed_silence(self, frames: int) -> None:
        silence = np.zeros((self._most_frames, self._tracks), dtype=np.float32)
        while frames > 0:
            count = min(frames, self._most_frames)
            with self._lock:
                self._meters.feed(silence[:count])
            frames -= count
