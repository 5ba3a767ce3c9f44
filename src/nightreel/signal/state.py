"""What the meters know of a span of frames: arrays that grow with feeding and join at a seam.

An :class:`Accumulated` covers frames ``first_frame .. end_frame``. Everything with a finite memory (the filters, the
interpolator, the 400 ms window) must have been warmed up on what came before; everything without one (runs at
full scale, runs of zeros) is kept open at both edges and joined. ``meters`` holds both ends together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel.signal import kernels
from nightreel.signal.interpolator import TAPS, Interpolator, interpolator
from nightreel.signal.kweight import k_weighting

SPANS_KEPT = 256  # of each kind and channel: the longest; all are counted
SUBS_A_HOP = 10
MOMENTARY_SUBS = 40
_HOPS_AT_START = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What all parts of one measurement share.

    full_scale : magnitude from which a sample counts as at full scale
    weights : float64 (programmes, channels); groups of channels whose loudness is measured together
    """

    rate_hz: int
    channels: int
    full_scale: float
    weights: NDArray[np.float64]

    @property
    def sub_frames(self) -> int:
        """Frames of the 10 ms grid."""
        return max(1, round(self.rate_hz / 100))

    @property
    def hop_frames(self) -> int:
        """Frames of the 100 ms grid."""
        return SUBS_A_HOP * self.sub_frames

    @property
    def shortest_run(self) -> NDArray[np.int64]:
        """Frames from which a run counts, by kind: one at full scale; 1 ms of zeros (a shorter run is a quiet line)."""
        return np.array([1, max(kernels.SUB_BLOCK, self.rate_hz // 1000)], dtype=np.int64)

    def same_as(self, other: Setting) -> bool:
        return (self.rate_hz, self.channels, self.full_scale) == (
            other.rate_hz,
            other.channels,
            other.full_scale,
        ) and np.array_equal(self.weights, other.weights)


_REPLACED = ("history", "filters", "reach", "window", "window_sums", "window_filled")  # by the right part's at a seam
_ADDED = ("sum_of_samples", "at_full_scale", "not_numbers", "count", "total")
_GREATEST = ("peak", "between", "most_momentary")
_HOPS = ("hop_peak", "hop_squares", "hop_loud")
_RUNS = ("tail", "head", "starts", "lengths", "held")


@dataclass(slots=True, kw_only=True)
class Accumulated:
    """Sums, extremes, runs and 100 ms histories of one span; shapes stand in :meth:`start`."""

    setting: Setting
    first_frame: int
    frames: int = 0
    _filter: NDArray[np.float64]
    _interpolator: Interpolator
    arrays: dict[str, NDArray[Any]]

    @classmethod
    def start(cls, setting: Setting, first_frame: int) -> Accumulated:
        c = setting.channels
        groups = -(-c // kernels.LANES)
        columns = c + len(setting.weights)
        kinds = kernels.RUN_KINDS
        part_sub = first_frame % setting.sub_frames != 0
        arrays: dict[str, NDArray[Any]] = {
            "history": np.zeros((groups, kernels.HISTORY * kernels.LANES), np.float32),
            "filters": np.zeros((groups, kernels.STATE_ROWS * kernels.LANES)),
            "reach": np.zeros((groups, 2 * kernels.LANES), np.float32),
            "window": np.zeros((columns, MOMENTARY_SUBS)),
            "window_sums": np.zeros(c),
            "window_filled": np.array([-1 if part_sub else 0], np.int64),
            "most_momentary": np.zeros(columns),
            "hop_peak": np.zeros((_HOPS_AT_START, c), np.float32),
            "hop_squares": np.zeros((_HOPS_AT_START, c)),
            "hop_loud": np.zeros((_HOPS_AT_START, c)),
            "sum_of_samples": np.zeros(c),
            "peak": np.zeros(c, np.float32),
            "between": np.zeros(c, np.float32),
            "at_full_scale": np.zeros(c, np.int64),
            "not_numbers": np.zeros(c, np.int64),
            "tail": np.zeros((kinds, c), np.int64),
            "head": np.zeros((kinds, c), np.int64),
            "count": np.zeros((kinds, c), np.int64),
            "total": np.zeros((kinds, c), np.int64),
            "held": np.zeros((kinds, c), np.int64),
            "starts": np.zeros((kinds, c, SPANS_KEPT), np.int64),
            "lengths": np.zeros((kinds, c, SPANS_KEPT), np.int64),
        }
        return cls(
            setting=setting,
            first_frame=first_frame,
            _filter=k_weighting(setting.rate_hz).ravel(),
            _interpolator=interpolator(setting.rate_hz),
            arrays=arrays,
        )

    @property
    def end_frame(self) -> int:
        return self.first_frame + self.frames

    @property
    def base_hop(self) -> int:
        return self.first_frame // self.setting.hop_frames

    @property
    def hops(self) -> int:
        """Rows of the histories, the begun first and last ones included."""
        return -(-self.end_frame // self.setting.hop_frames) - self.base_hop if self.frames else 0

    def copy(self) -> Accumulated:
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        values["arrays"] = {name: array.copy() for name, array in self.arrays.items()}
        return Accumulated(**values)

    def restart(self) -> None:
        """Forget what was summed, keep the warmed-up memory: a new span begins where this one ends."""
        fresh = Accumulated.start(self.setting, self.end_frame)
        for name in _REPLACED:
            fresh.arrays[name] = self.arrays[name]
        self.arrays = fresh.arrays
        self.first_frame, self.frames = fresh.first_frame, 0

    def feed(self, block: NDArray[np.float32]) -> None:
        """Any number of frames, shape (frames, channels), float32, C-contiguous."""
        if not len(block):
            return
        setting, a, between = self.setting, self.arrays, self._interpolator
        start = self.end_frame
        self.frames += len(block)
        self._make_room(self.hops)
        kernels.accumulate(
            block, start, self.first_frame, setting.hop_frames, setting.sub_frames, np.float32(setting.full_scale),
            setting.shortest_run, self._filter, between.taps, np.float32(between.abs_gain * 1.0001),
            np.float32(between.bend_gain * 1.0001), setting.weights,
            a["history"], a["filters"], a["reach"], a["window"], a["window_sums"], a["window_filled"],
            a["most_momentary"], a["hop_peak"], a["hop_squares"], a["hop_loud"], self.base_hop, a["sum_of_samples"],
            a["peak"], a["between"], a["tail"], a["head"], a["count"], a["total"], a["starts"], a["lengths"], a["held"],
            a["at_full_scale"], a["not_numbers"],
        )  # fmt: skip

    def absorb(self, right: Accumulated) -> None:
        """Take in the span that begins where this one ends and whose memory was warmed up on this one's frames."""
        if right.first_frame != self.end_frame or not right.setting.same_as(self.setting):
            raise ValueError(f"a span from frame {right.first_frame} does not follow one up to {self.end_frame}")
        if not right.frames:
            return
        a, b = self.arrays, right.arrays
        shared = right.base_hop - self.base_hop
        rows = self.hops
        self._join_runs(right)
        self.frames += right.frames
        self._make_room(self.hops)
        for name in _HOPS:
            take = np.maximum if name == "hop_peak" else np.add
            if shared < rows:
                a[name][shared] = take(a[name][shared], b[name][0])
            skip = 1 if shared < rows else 0
            a[name][shared + skip : shared + right.hops] = b[name][skip : right.hops]
        for name in _ADDED:
            a[name] += b[name]
        for name in _GREATEST:
            np.maximum(a[name], b[name], out=a[name])
        for name in _REPLACED:
            a[name] = b[name].copy()

    def close(self) -> None:
        """Nothing follows: silence after the last frame, runs that are open end here, those at the start count."""
        a = self.arrays
        end = self.end_frame
        for kind in range(kernels.RUN_KINDS):
            for c in np.flatnonzero(a["tail"][kind] + a["head"][kind]):
                tail, head = int(a["tail"][kind, c]), int(a["head"][kind, c])
                if tail < self.frames and head:
                    self._record(kind, int(c), self.first_frame, head)
                if tail:
                    self._record(kind, int(c), end - tail, tail)
        a["tail"][:] = 0
        a["head"][:] = 0
        taps = self._interpolator.taps
        if len(taps):
            past = a["history"].reshape(-1, kernels.HISTORY, kernels.LANES)[:, -(TAPS - 1) :, :]
            past = past.transpose(0, 2, 1).reshape(-1, TAPS - 1)[: self.setting.channels]
            padded = np.concatenate([past, np.zeros((len(past), TAPS - 1), np.float32)], axis=1)
            windows = np.lib.stride_tricks.sliding_window_view(padded, TAPS, axis=1)
            np.maximum(a["between"], np.abs(windows @ taps.T).max(axis=(1, 2)), out=a["between"])

    def spans(self, kind: int, channel: int) -> list[tuple[int, int]]:
        """(first frame, frames) of the runs kept, in order of time."""
        held = int(self.arrays["held"][kind, channel])
        starts = self.arrays["starts"][kind, channel, :held]
        order = np.argsort(starts)
        lengths = self.arrays["lengths"][kind, channel, :held]
        return [(int(starts[i]), int(lengths[i])) for i in order]

    def _join_runs(self, right: Accumulated) -> None:
        a, b = self.arrays, right.arrays
        for kind in range(kernels.RUN_KINDS):
            for c in range(self.setting.channels):
                tail = int(a["tail"][kind, c])
                if b["tail"][kind, c] == right.frames:  # one run from edge to edge
                    a["tail"][kind, c] += right.frames
                else:
                    joined = tail + int(b["head"][kind, c])
                    if joined and tail == self.frames:
                        a["head"][kind, c] = joined
                    elif joined:
                        self._record(kind, c, self.end_frame - tail, joined)
                    a["tail"][kind, c] = b["tail"][kind, c]
                for i in range(int(b["held"][kind, c])):
                    self._keep(kind, c, int(b["starts"][kind, c, i]), int(b["lengths"][kind, c, i]))

    def _record(self, kind: int, c: int, start: int, length: int) -> None:
        if length >= self.setting.shortest_run[kind]:
            self.arrays["count"][kind, c] += 1
            self.arrays["total"][kind, c] += length
            self._keep(kind, c, start, length)

    def _keep(self, kind: int, c: int, start: int, length: int) -> None:
        a = self.arrays
        a["held"][kind, c] = kernels.keep_span(
            a["starts"][kind, c], a["lengths"][kind, c], int(a["held"][kind, c]), start, length
        )

    def _make_room(self, hops: int) -> None:
        have = len(self.arrays["hop_peak"])
        if hops <= have:
            return
        rows = max(hops, have + have // 2)
        for name in _HOPS:
            grown = np.zeros((rows, self.setting.channels), self.arrays[name].dtype)
            grown[:have] = self.arrays[name]
            self.arrays[name] = grown

    def saved(self) -> Mapping[str, NDArray[Any]]:
        """The arrays as they are kept in a file: histories and spans without spare room."""
        held = int(self.arrays["held"].max(initial=0))
        saved = dict(self.arrays)
        for name in _HOPS:
            saved[name] = saved[name][: self.hops]
        for name in ("starts", "lengths"):
            saved[name] = saved[name][..., :held]
        return saved

    @classmethod
    def restored(
        cls, setting: Setting, first_frame: int, frames: int, saved: Mapping[str, NDArray[Any]]
    ) -> Accumulated:
        """Raises ValueError where the arrays do not belong to such a span."""
        self = cls.start(setting, first_frame)
        self.frames = frames
        self._make_room(self.hops)
        for name, mine in self.arrays.items():
            theirs = saved[name]
            rows: Sequence[int] = mine.shape
            if name in _HOPS:
                rows = (self.hops, *mine.shape[1:])
            elif name in ("starts", "lengths"):
                rows = (*mine.shape[:-1], min(theirs.shape[-1], SPANS_KEPT))
            if theirs.dtype != mine.dtype or theirs.shape != tuple(rows):
                raise ValueError(f"'{name}' is {theirs.dtype} {theirs.shape}, not {mine.dtype} {tuple(rows)}")
            if name in ("starts", "lengths"):
                mine[..., : rows[-1]] = theirs
            else:
                mine[: len(theirs)] = theirs
        return self
