"""A take at another rate than the device's, converted while it is read, and only where that was asked for.

All lines go through one resampler together, so they stay aligned. After a jump the resampler starts afresh, far enough
before the place that its filter has settled.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from nightreel.soundcheck.strip import FloatArray, Reads
from nightreel.timeline import Span

_LEAD_S = 0.05
_CHUNK_S = 0.1


class Converted:
    """Reads like a take at ``rate_hz``; frames and spans count at that rate. Not thread-safe."""

    def __init__(self, take: Reads, rate_hz: int) -> None:
        self._take = take
        self.rate_hz = rate_hz
        self.frames = self.place(take.frames)
        self._lines: tuple[int, ...] = ()
        self._stream: Any = None
        self._source = 0  # next frame of the take to feed
        self._next = 0  # converted frame that ``_ready`` begins with
        self._ready: FloatArray = np.zeros((0, 0), np.float32)

    def place(self, frame: int) -> int:
        """A frame of the take as a frame of this."""
        return round(frame * self.rate_hz / self._take.rate_hz)

    def span(self, span: Span) -> Span:
        first = self.place(span.first_frame)
        return Span(first_frame=first, frames=self.place(span.end_frame) - first)

    def read(self, lines: Sequence[int], first_frame: int, frames: int) -> FloatArray:
        """(frames, len(lines)) float32; zeros outside the take."""
        skip = min(max(0, -first_frame), frames)
        out = np.zeros((frames, len(lines)), np.float32)
        if skip < frames:
            out[skip:] = self._read(tuple(lines), first_frame + skip, frames - skip)
        return out

    def _read(self, lines: tuple[int, ...], first_frame: int, frames: int) -> FloatArray:
        if lines != self._lines or not self._next <= first_frame <= self._next + self._ready.shape[0]:
            self._begin(lines, first_frame)
        self._drop(first_frame - self._next)
        chunk = round(_CHUNK_S * self._take.rate_hz)
        while self._ready.shape[0] < frames:
            fed = self._take.read(lines, self._source, chunk)
            self._source += chunk
            self._ready = np.concatenate([self._ready, self._stream.resample_chunk(fed)])
        out = self._ready[:frames].copy()
        self._drop(frames)
        return out

    def _begin(self, lines: tuple[int, ...], first_frame: int) -> None:
        """Start at a frame of the take that falls on a whole converted frame, some way before the place."""
        import math

        import soxr

        common = math.gcd(self.rate_hz, self._take.rate_hz)
        into, out_of = self.rate_hz // common, self._take.rate_hz // common
        steps = (first_frame - round(_LEAD_S * self.rate_hz)) // into
        self._source, self._next = steps * out_of, steps * into
        self._lines = lines
        self._stream = soxr.ResampleStream(self._take.rate_hz, self.rate_hz, len(lines), dtype="float32", quality="VHQ")
        self._ready = np.zeros((0, len(lines)), np.float32)
        chunk = round(_CHUNK_S * self._take.rate_hz)
        while self._next + self._ready.shape[0] < first_frame:
            fed = self._take.read(lines, self._source, chunk)
            self._source += chunk
            self._ready = np.concatenate([self._ready, self._stream.resample_chunk(fed)])

    def _drop(self, frames: int) -> None:
        self._ready = self._ready[frames:]
        self._next += frames
