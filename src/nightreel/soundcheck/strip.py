"""A take as one endless strip of frames: from a place on, round a loop, to an end. Sequential; knows nothing of time.

Where a loop closes, its last frames fade into those before its start with equal power; where a line's samples are
missing, it is let down to silence and brought back, so that no edge clicks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nightreel.timeline import Span

FloatArray = NDArray[np.float32]
RealArray = NDArray[np.float64]


class Reads(Protocol):
    """What is played: an open take, or anything that reads like one."""

    @property
    def frames(self) -> int: ...

    @property
    def rate_hz(self) -> int: ...

    def read(self, lines: Sequence[int], first_frame: int, frames: int) -> FloatArray:
        """(frames, len(lines)) float32; zeros outside the take."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Playing:
    """What to play: which lines, from where, to where, round which loop (positions of the take).

    holes : per line, spans without samples
    seam_frames : length of the crossfade where a loop closes, and of the fades at the end and around holes
    """

    lines: tuple[int, ...]
    end_frame: int
    loop: Span | None = None
    holes: Mapping[int, tuple[Span, ...]] | None = None
    seam_frames: int = 960

    @property
    def loop_seam_frames(self) -> int:
        return 0 if self.loop is None else min(self.seam_frames, self.loop.frames // 2)


class Strip:
    """Reads the frames of ``playing`` in playing order, from ``first_frame`` on."""

    def __init__(self, take: Reads, playing: Playing, first_frame: int) -> None:
        self._take = take
        self.playing = playing
        self.position = first_frame

    def read(self, frames: int) -> tuple[int, FloatArray]:
        """(position of the first frame, samples). At most ``frames``, fewer at a seam; none at the end."""
        start, playing = self.position, self.playing
        loop, seam = playing.loop, playing.loop_seam_frames
        inside = loop is not None and start < loop.end_frame
        end = loop.end_frame if inside and loop is not None else playing.end_frame
        stop = min(start + frames, end)
        seam_start = end - seam
        if inside and start < seam_start:
            stop = min(stop, seam_start)
        if stop <= start:
            return start, np.zeros((0, len(playing.lines)), np.float32)
        if inside and loop is not None and start >= seam_start:
            # A seam is read whole, since its gains depend on how alike both sides are.
            samples = self._seam(loop, seam)[start - seam_start : stop - seam_start]
            self.position = loop.first_frame if stop == end else stop
        else:
            samples = self._plain(start, stop - start)
            self.position = stop
        return start, samples

    def _seam(self, loop: Span, seam: int) -> FloatArray:
        return crossfaded(self._plain(loop.end_frame - seam, seam), self._plain(loop.first_frame - seam, seam))

    def _plain(self, first_frame: int, frames: int) -> FloatArray:
        """Samples as recorded, holes and end rounded off."""
        samples = self._take.read(self.playing.lines, first_frame, frames)
        for column, line in enumerate(self.playing.lines):
            for hole in (self.playing.holes or {}).get(line, ()):
                self._round_off(samples[:, column], first_frame, hole)
        self._round_end(samples, first_frame)
        return samples

    def _round_off(self, track: FloatArray, first_frame: int, hole: Span) -> None:
        fade = self.playing.seam_frames
        reach = Span(first_frame=max(0, hole.first_frame - fade), frames=hole.frames + 2 * fade)
        first, end = max(first_frame, reach.first_frame), min(first_frame + track.size, hole.end_frame + fade)
        if first >= end:
            return
        at = np.arange(first, end, dtype=np.float64)
        outside = np.maximum(hole.first_frame - at, at - (hole.end_frame - 1))
        gain = fade_gain(np.clip(outside / fade, 0.0, 1.0))
        track[first - first_frame : end - first_frame] *= gain.astype(np.float32)

    def _round_end(self, samples: FloatArray, first_frame: int) -> None:
        fade = self.playing.seam_frames
        start = self.playing.end_frame - fade
        if self.playing.loop is not None and self.playing.loop.end_frame >= self.playing.end_frame:
            return
        skip = max(0, start - first_frame)
        if skip < samples.shape[0]:
            at = np.arange(first_frame + skip, first_frame + samples.shape[0], dtype=np.float64)
            left = np.clip((self.playing.end_frame - 1 - at) / fade, 0.0, 1.0)
            samples[skip:] *= fade_gain(left).astype(np.float32)[:, None]


def fade_gain(part: RealArray) -> RealArray:
    """Raised cosine from 0 at 0 to 1 at 1: its steepest step is pi / 2 of an even one's."""
    gain: RealArray = 0.5 - 0.5 * np.cos(np.pi * part)
    return gain


def crossfaded(going: FloatArray, coming: FloatArray) -> FloatArray:
    """``going`` into ``coming`` with equal power, (frames, lines).

    Gains are cos and sin of an angle from 0 to 90 degrees: sin^2 + cos^2 = 1 keeps the power of unlike programme. Like
    programme would rise by 3 dB in the middle, so each line's gains are brought down by its correlation r (0 to 1):
    g^2 + h^2 + 2 r g h = 1. At r = 1, with the same samples on both sides, nothing changes at all.
    """
    frames = going.shape[0]
    if frames == 0:
        return coming
    angle = 0.5 * np.pi * (np.arange(frames) + 0.5) / frames
    g, h = np.cos(angle)[:, None], np.sin(angle)[:, None]
    scale = 1.0 / np.sqrt(1.0 + 2.0 * likeness(going, coming) * g * h)
    mixed: FloatArray = (going * (g * scale) + coming * (h * scale)).astype(np.float32)
    return mixed


def likeness(a: FloatArray, b: FloatArray) -> RealArray:
    """Correlation coefficient of each line, limited to 0 to 1; 0 where either side is silent."""
    product = np.einsum("fl,fl->l", a, b, dtype=np.float64)
    power = np.sqrt(np.einsum("fl,fl->l", a, a, dtype=np.float64) * np.einsum("fl,fl->l", b, b, dtype=np.float64))
    with np.errstate(divide="ignore", invalid="ignore"):
        coefficient: RealArray = np.where(power > 0.0, np.clip(product / power, 0.0, 1.0), 0.0)
    return coefficient
