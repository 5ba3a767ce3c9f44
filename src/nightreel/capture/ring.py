"""The ring: the last seconds of every track, packed as they go to disk, read by any number of readers at their pace.

One producer. Each reader has a :class:`Tail`. A reader that falls behind by more than the ring holds loses the
oldest frames and is told which; it never holds anybody else up, unless the producer chooses to wait for it.
Rows are planar: one row of bytes per track, as mono files need them.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.timeline import Gap, Span

ByteArray = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a reader got: ``frames`` frames from ``first_frame`` on, the first bytes of each row of its buffer.

    skipped : frames before them that the ring no longer held; empty span when none
    gaps : those that begin inside ``skipped`` or inside what was taken, plus the rest of one that began before
    """

    first_frame: int
    frames: int
    skipped: Span
    gaps: tuple[Gap, ...]


class FrameRing:
    """Thread-safe; frames are counted from the first one ever pushed."""

    def __init__(self, *, tracks: int, sample_bytes: int, capacity_frames: int) -> None:
        self._sample_bytes = sample_bytes
        self._capacity = max(2, capacity_frames)
        # Not cleared: nothing is read that was not written, and NumPy asks for huge pages only for such memory.
        self._rows: ByteArray = np.empty((tracks, self._capacity * sample_bytes), dtype=np.uint8)
        self._head = 0
        self._gaps: list[Gap] = []
        self._tails: list[Tail] = []
        self._changed = threading.Condition()

    @property
    def capacity_frames(self) -> int:
        return self._capacity

    @property
    def size_bytes(self) -> int:
        return self._rows.nbytes

    @property
    def head(self) -> int:
        """One past the newest frame."""
        with self._changed:
            return self._head

    @property
    def oldest(self) -> int:
        with self._changed:
            return self._oldest()

    def gaps(self) -> tuple[Gap, ...]:
        with self._changed:
            return tuple(self._gaps)

    def open_tail(self, position: int) -> Tail:
        """A reader from ``position`` on."""
        tail = Tail(self, position)
        with self._changed:
            self._tails.append(tail)
        return tail

    def push(self, rows: ByteArray, frames: int, gaps: tuple[Gap, ...] = ()) -> None:
        """Add frames with the gaps inside them (ring positions); overwrites what is oldest."""
        with self._changed:
            start = 0
            while start < frames:
                at = (self._head + start) % self._capacity
                count = min(frames - start, self._capacity - at)
                self._copy_in(rows, start, at, count)
                start += count
            self._gaps.extend(gaps)
            self._head += frames
            self._changed.notify_all()

    def wait_for_room(self, frames: int, *, timeout_s: float) -> bool:
        """Whether every waiting reader (see :attr:`Tail.holds_producer`) leaves room for so many frames."""
        frames = min(frames, self._capacity)
        with self._changed:
            return self._changed.wait_for(lambda: self._room() >= frames, timeout_s)

    def wait_for_frames(self, beyond: int, *, timeout_s: float) -> bool:
        """Wait until the head has passed ``beyond``."""
        with self._changed:
            return self._changed.wait_for(lambda: self._head > beyond, timeout_s)

    def wake(self) -> None:
        """Let every waiting thread look again."""
        with self._changed:
            self._changed.notify_all()

    def _oldest(self) -> int:
        return max(0, self._head - self._capacity)

    def _room(self) -> int:
        held = [tail.position for tail in self._tails if tail.holds_producer]
        return self._capacity - (self._head - min(held)) if held else self._capacity

    def _copy_in(self, rows: ByteArray, start: int, at: int, count: int) -> None:
        size = self._sample_bytes
        self._rows[:, at * size : (at + count) * size] = rows[:, start * size : (start + count) * size]

    def take(self, tail: Tail, most_frames: int, out: ByteArray, *, even: bool) -> Taken:
        """For :meth:`Tail.take`."""
        with self._changed:
            oldest = self._oldest()
            skipped_first = tail.position
            first = max(skipped_first, oldest)
            frames = max(0, min(most_frames, self._head - first))
            if even:
                frames -= frames % 2
            size = self._sample_bytes
            done = 0
            while done < frames:
                at = (first + done) % self._capacity
                count = min(frames - done, self._capacity - at)
                out[:, done * size : (done + count) * size] = self._rows[:, at * size : (at + count) * size]
                done += count
            tail.position = first + frames
            gaps, tail.gap_index = self._gaps_until(tail.gap_index, first + frames)
            self._changed.notify_all()
        skipped = Span(first_frame=skipped_first, frames=first - skipped_first)
        return Taken(first_frame=first, frames=frames, skipped=skipped, gaps=gaps)

    def move_back(self, tail: Tail, position: int) -> None:
        """For :meth:`Tail.back_to`."""
        with self._changed:
            tail.position = position
            while tail.gap_index > 0 and self._gaps[tail.gap_index - 1].end_frame > position:
                tail.gap_index -= 1

    def _gaps_until(self, index: int, end: int) -> tuple[tuple[Gap, ...], int]:
        first = index
        while index < len(self._gaps) and self._gaps[index].first_frame < end:
            index += 1
        return tuple(self._gaps[first:index]), index


class Tail:
    """One reader's place in the ring. Used by one thread; ``holds_producer`` may be set by any."""

    def __init__(self, ring: FrameRing, position: int) -> None:
        self._ring = ring
        self.position = position
        self.gap_index = 0
        self.holds_producer = False

    @property
    def behind_frames(self) -> int:
        return self._ring.head - self.position

    def take(self, most_frames: int, out: ByteArray, *, even: bool = False) -> Taken:
        """Copy the next frames out and move on; ``even`` leaves an odd last frame for later."""
        return self._ring.take(self, most_frames, out, even=even)

    def back_to(self, position: int) -> None:
        """Read again from an earlier place, gaps included (what the ring no longer holds is then skipped)."""
        self._ring.move_back(self, position)

    def wait(self, frames: int, *, timeout_s: float) -> bool:
        """Wait until at least so many frames are there to take."""
        return self._ring.wait_for_frames(self.position + frames - 1, timeout_s=timeout_s)
