"""Reading ahead of the player: one thread, one queue of frames per strip, sized so that a disk may stall for seconds.

While a jump is being prepared there are two strips: the one that plays goes on from what was read, and the one that is
coming is read first. Nothing here waits on the player, and the player never waits on the disk.
"""

from __future__ import annotations

import threading
from collections import deque

import numpy as np

from nightreel.errors import NightreelError
from nightreel.soundcheck.strip import FloatArray, Strip

_CHUNK_FRAMES = 4096
AHEAD_S = 6.0
CUSHION_S = 0.15


class Queue:
    """Frames of one strip that have been read and not been played."""

    def __init__(self, strip: Strip) -> None:
        self.strip = strip
        self.finished = False
        self._chunks: deque[tuple[int, FloatArray]] = deque()
        self._ready = 0
        self._used = 0  # of the first chunk

    @property
    def ready_frames(self) -> int:
        return self._ready

    @property
    def position(self) -> int:
        """Place in the take of the next frame to be played."""
        return self._chunks[0][0] + self._used if self._chunks else self.strip.position

    def put(self, position: int, samples: FloatArray) -> None:
        self._chunks.append((position, samples))
        self._ready += samples.shape[0]

    def take(self, frames: int) -> FloatArray:
        """Exactly ``frames``, which must be ready."""
        parts: list[FloatArray] = []
        left = frames
        while left > 0:
            _, chunk = self._chunks[0]
            part = chunk[self._used : self._used + left]
            parts.append(part)
            left -= part.shape[0]
            self._used += part.shape[0]
            if self._used == chunk.shape[0]:
                self._chunks.popleft()
                self._used = 0
        self._ready -= frames
        return parts[0] if len(parts) == 1 else np.concatenate(parts)


class ReadAhead:
    """The thread that fills ``current`` and, before it, ``coming``. Take ``lock`` to touch either."""

    def __init__(self, strip: Strip, *, rate_hz: int, ahead_s: float = AHEAD_S, cushion_s: float = CUSHION_S) -> None:
        self.lock = threading.Condition()
        self.current = Queue(strip)
        self.coming: Queue | None = None
        self.trouble: NightreelError | None = None
        self._ahead_frames = round(ahead_s * rate_hz)
        self.cushion_frames = round(cushion_s * rate_hz)
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="nightreel-read-ahead", daemon=True)
        self._thread.start()

    def come(self, strip: Strip) -> None:
        """Start to read another strip; replaces one that was being prepared."""
        with self.lock:
            self.coming = Queue(strip)
            self.lock.notify_all()

    def switch(self) -> None:
        """The coming strip is the current one from now on. Call with the lock held."""
        assert self.coming is not None
        self.current, self.coming = self.coming, None
        self.lock.notify_all()

    def played(self) -> None:
        """Frames were taken: there may be room. Call with the lock held."""
        self.lock.notify_all()

    def wait_ready(self, frames: int, timeout_s: float) -> bool:
        """Wait until that much of the current strip (or all of it) is ready."""
        with self.lock:
            return self.lock.wait_for(
                lambda: self.current.ready_frames >= frames or self.current.finished or self.trouble is not None,
                timeout_s,
            )

    def close(self) -> None:
        with self.lock:
            self._closed = True
            self.lock.notify_all()
        self._thread.join(timeout=10.0)

    def _run(self) -> None:
        while True:
            with self.lock:
                self.lock.wait_for(lambda: self._closed or self._hungry() is not None)
                if self._closed:
                    return
                queue = self._hungry()
            assert queue is not None
            try:
                position, samples = queue.strip.read(_CHUNK_FRAMES)
            except NightreelError as error:
                with self.lock:
                    self.trouble = error
                    queue.finished = True
                    self.lock.notify_all()
                continue
            with self.lock:
                if samples.shape[0]:
                    queue.put(position, samples)
                else:
                    queue.finished = True
                self.lock.notify_all()

    def _hungry(self) -> Queue | None:
        coming, current = self.coming, self.current
        if coming is not None and not coming.finished and coming.ready_frames < 2 * self.cushion_frames:
            return coming
        if not current.finished and current.ready_frames < self._ahead_frames:
            return current
        return None
