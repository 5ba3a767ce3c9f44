"""What the meters know of a span of frames: arrays that grow with feeding and join at a seam.

An :class:`Accumulated` covers frames ``first_frame .. end_frame``. Everything with a finite memory (the filters, the
interpolator, the 400 ms window, what is known of the last cells) must have been warmed up on what came before;
everything without one (runs at full scale, runs of zeros) is kept open at both edges and joined. ``meters`` holds both
ends together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel.signal import cells, events, kernels
from nightreel.signal.interpolator import TAPS, Interpolator, interpolator
from nightreel.signal.kweight import k_weighting
from nightreel.signal.spectra import SpectrumHistory

SUBS_A_HOP = 10
MOMENTARY_SUBS = 40
_HOPS_AT_START = 64
_KEPT = ("store", "details")


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What all parts of one measurement share.

    full_scale : magnitude from which a sample counts as at full scale
    weights : float64 (programmes, channels); groups of channels whose loudness is measured together
    spectra : whether spectra are kept too
    """

    rate_hz: int
    channels: int
    full_scale: float
    weights: NDArray[np.float64]
    spectra: bool

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
        return np.array([1, max(events.CELL, self.rate_hz // 1000)], dtype=np.int64)

    def same_as(self, other: Setting) -> bool:
        mine = (self.rate_hz, self.channels, self.full_scale, self.spectra, self.weights.tolist())
        return mine == (other.rate_hz, other.channels, other.full_scale, other.spectra, other.weights.tolist())


# What becomes of each array at a seam:
_TAKEN_FROM_THE_RIGHT = (
    "tiles", "filters", "lanes", "position", "cell_frames", "cell_ends", "keys", "envelope", "running",
    "window", "window_now", "window_filled",
)  # fmt: skip
_ADDED = ("sum_of_samples", "at_full_scale", "not_numbers", "flat_levels", "count", "total")
_GREATEST = ("most_momentary",)
_HOPS = ("hop_peak", "hop_squares", "hop_loud")


def _fresh(setting: Setting, first_frame: int) -> dict[str, NDArray[Any]]:
    c = setting.channels
    groups = -(-c // kernels.LANES)
    columns = c + len(setting.weights)
    envelope_cells = int(events.OUT_MOST_S * setting.rate_hz) // events.CELL + 16
    part_of_10_ms = first_frame % setting.sub_frames != 0
    return {
        "tiles": np.zeros((groups, kernels.TILE_ROWS * kernels.LANES), np.float32),
        "filters": np.zeros((groups, kernels.STATE_ROWS * kernels.LANES)),
        "lanes": np.zeros((groups, cells.LANE_FLOATS), np.float32),
        "position": np.array([kernels.HISTORY, 0], np.int64),
        "cell_frames": np.zeros(events.CELLS_BACK, np.int64),
        "cell_ends": np.zeros(envelope_cells, np.int64),
        "keys": np.zeros((groups, events.CELLS_BACK * kernels.LANES), np.float32),
        "envelope": np.zeros((groups, envelope_cells, kernels.LANES), np.float32),
        "running": np.zeros((c, 2), np.int64),
        "window": np.zeros((columns, MOMENTARY_SUBS)),
        "window_now": np.zeros(c),
        "window_filled": np.array([-1 if part_of_10_ms else 0], np.int64),
        "most_momentary": np.zeros(columns),
        "hop_peak": np.zeros((_HOPS_AT_START, c), np.float32),
        "hop_squares": np.zeros((_HOPS_AT_START, c)),
        "hop_loud": np.zeros((_HOPS_AT_START, c)),
        "sum_of_samples": np.zeros(c),
        "at_full_scale": np.zeros(c, np.int64),
        "not_numbers": np.zeros(c, np.int64),
        "flat_levels": np.zeros((c, events.FLAT_LEVELS), np.int64),
        "tail": np.zeros((events.RUN_KINDS, c), np.int64),
        "head": np.zeros((events.RUN_KINDS, c), np.int64),
        "count": np.zeros((events.KINDS, c), np.int64),
        "total": np.zeros((events.KINDS, c), np.int64),
        "held": np.zeros((events.KINDS, c), np.int64),
        "store": np.zeros((events.KINDS, c, 2, events.KEPT), np.int64),
        "details": np.zeros((events.KINDS, c, 3, events.KEPT)),
    }


@dataclass(slots=True, kw_only=True)
class Accumulated:
    """Sums, extremes, events and 100 ms histories of one span; the arrays are those of :func:`kernels.accumulate`."""

    setting: Setting
    first_frame: int
    frames: int = 0
    arrays: dict[str, NDArray[Any]]
    spectra: SpectrumHistory | None
    _filter: NDArray[np.float64]
    _interpolator: Interpolator

    @classmethod
    def start(cls, setting: Setting, first_frame: int) -> Accumulated:
        return cls(
            setting=setting,
            first_frame=first_frame,
            arrays=_fresh(setting, first_frame),
            spectra=SpectrumHistory(setting.rate_hz, setting.channels, first_frame) if setting.spectra else None,
            _filter=k_weighting(setting.rate_hz).ravel(),
            _interpolator=interpolator(setting.rate_hz),
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

    @property
    def between_samples(self) -> NDArray[np.float32]:
        """The largest magnitude between samples so far; a view (groups, 16)."""
        return self.arrays["lanes"][:, cells.BETWEEN : cells.BETWEEN + kernels.LANES]

    def copy(self) -> Accumulated:
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        values["arrays"] = {name: array.copy() for name, array in self.arrays.items()}
        values["spectra"] = self.spectra.copy() if self.spectra else None
        return Accumulated(**values)

    def restart(self) -> None:
        """Forget what was summed, keep the warmed-up memory: a new span begins where this one ends."""
        fresh = _fresh(self.setting, self.end_frame)
        for name in _TAKEN_FROM_THE_RIGHT:
            fresh[name] = self.arrays[name]
        self.arrays = fresh
        self.between_samples[:] = 0.0
        self.arrays["lanes"][:, cells.OPEN : cells.OPEN + kernels.LANES] = 0.0
        if self.spectra:
            self.spectra.restart()
        self.first_frame, self.frames = self.end_frame, 0

    def feed(self, block: NDArray[np.float32]) -> None:
        """Shape (frames, channels), float32, C-contiguous. All but the last must end on the 10 ms grid."""
        if not len(block):
            return
        setting, a, between = self.setting, self.arrays, self._interpolator
        start = self.end_frame
        self.frames += len(block)
        self._make_room(self.hops)
        kernels.accumulate(
            block,
            start,
            self.first_frame,
            (setting.hop_frames, setting.sub_frames),
            np.float32(setting.full_scale),
            self._filter,
            between.taps,
            (np.float32(between.abs_gain * 1.0001), np.float32(between.bend_gain * 1.0001)),
            setting.weights,
            setting.shortest_run,
            a["tiles"],
            a["filters"],
            a["lanes"],
            (a["position"], a["cell_frames"], a["cell_ends"]),
            (a["keys"], a["envelope"], a["running"]),
            (a["window"], a["window_now"], a["window_filled"], a["most_momentary"]),
            (a["hop_peak"], a["hop_squares"], a["hop_loud"]),
            self.base_hop,
            (a["sum_of_samples"], a["at_full_scale"], a["not_numbers"], a["flat_levels"]),
            (a["tail"], a["head"]),
            self._events(),
        )
        if self.spectra:
            self.spectra.feed(block)

    def absorb(self, right: Accumulated) -> None:
        """Take in the span that begins where this one ends and whose memory was warmed up on this one's frames."""
        if right.first_frame != self.end_frame or not right.setting.same_as(self.setting):
            raise ValueError(f"a span from frame {right.first_frame} does not follow one up to {self.end_frame}")
        if not right.frames:
            return
        a, b = self.arrays, right.arrays
        shared = right.base_hop - self.base_hop
        skip = 1 if shared < self.hops else 0  # the seam lies inside a 100 ms window
        self._join_runs(right)
        self._take_events(right)
        self.frames += right.frames
        self._make_room(self.hops)
        for name in _HOPS:
            if skip:
                join = np.maximum if name == "hop_peak" else np.add
                a[name][shared] = join(a[name][shared], b[name][0])
            a[name][shared + skip : shared + right.hops] = b[name][skip : right.hops]
        for name in _ADDED:
            a[name] += b[name]
        for name in _GREATEST:
            np.maximum(a[name], b[name], out=a[name])
        between = np.maximum(self.between_samples, right.between_samples)
        for name in _TAKEN_FROM_THE_RIGHT:
            a[name] = b[name].copy()
        self.between_samples[:] = between
        if self.spectra and right.spectra:
            self.spectra.absorb(right.spectra)

    def close(self) -> None:
        """Nothing follows: silence after the last frame; runs that are open at either end count as they are."""
        a = self.arrays
        for kind in range(events.RUN_KINDS):
            for c in np.flatnonzero(a["tail"][kind] + a["head"][kind]):
                tail, head = int(a["tail"][kind, c]), int(a["head"][kind, c])
                if tail < self.frames and head:
                    self._record_run(kind, int(c), self.first_frame, head)
                if tail:
                    self._record_run(kind, int(c), self.end_frame - tail, tail)
        a["tail"][:] = 0
        a["head"][:] = 0
        taps = self._interpolator.taps
        if len(taps):
            rows, lanes = int(a["position"][0]), kernels.LANES
            past = a["tiles"].reshape(-1, kernels.TILE_ROWS, lanes)[:, rows - (TAPS - 1) : rows, :]
            past = past.transpose(0, 2, 1).reshape(-1, TAPS - 1)[: self.setting.channels]
            padded = np.concatenate([past, np.zeros_like(past)], axis=1)
            windows = np.lib.stride_tricks.sliding_window_view(padded, TAPS, axis=1)
            most = np.abs(windows @ taps.T).max(axis=(1, 2))
            lanes_of_last = np.zeros(self.between_samples.size, np.float32)
            lanes_of_last[: len(most)] = most
            place = self.between_samples
            np.maximum(place, lanes_of_last.reshape(place.shape), out=place)

    def events(self, kind: int | np.int64, channel: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """The kept events in order of time: (events, 2) first frame and frames; (events, 3) weight and two details."""
        held = int(self.arrays["held"][kind, channel])
        spans = self.arrays["store"][kind, channel, :, :held].T
        order = np.argsort(spans[:, 0], kind="stable")
        return spans[order], self.arrays["details"][kind, channel, :, :held].T[order]

    def _events(self) -> tuple[NDArray[Any], ...]:
        a = self.arrays
        return (a["count"], a["total"], a["held"], a["store"], a["details"])

    def _join_runs(self, right: Accumulated) -> None:
        a, b = self.arrays, right.arrays
        for kind in range(events.RUN_KINDS):
            for c in range(self.setting.channels):
                tail = int(a["tail"][kind, c])
                if b["tail"][kind, c] == right.frames:  # one run from edge to edge
                    a["tail"][kind, c] += right.frames
                    continue
                joined = tail + int(b["head"][kind, c])
                if joined and tail == self.frames:
                    a["head"][kind, c] = joined
                elif joined:
                    self._record_run(kind, c, self.end_frame - tail, joined)
                a["tail"][kind, c] = b["tail"][kind, c]

    def _take_events(self, right: Accumulated) -> None:
        a, b = self.arrays, right.arrays
        for kind, c in np.argwhere(b["held"]).tolist():
            for i in range(int(b["held"][kind, c])):
                start, length = b["store"][kind, c, :, i].tolist()
                events.keep(a["store"], a["details"], a["held"], kind, c, start, length, *b["details"][kind, c, :, i])

    def _record_run(self, kind: int, c: int, start: int, length: int) -> None:
        if length >= self.setting.shortest_run[kind]:
            events.record(self._events(), kind, c, start, length, float(length), 0.0, 0.0)

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
        """The arrays as they are kept in a file: without spare room."""
        saved = dict(self.arrays)
        rows = int(saved["position"][0])
        saved["tiles"] = saved["tiles"][:, (rows - kernels.HISTORY) * kernels.LANES : rows * kernels.LANES]
        saved["position"] = np.array([kernels.HISTORY, saved["position"][1]], np.int64)
        for name in _HOPS:
            saved[name] = saved[name][: self.hops]
        for name in _KEPT:
            saved[name] = saved[name][..., : int(saved["held"].max(initial=0))]
        return {**saved, **self.spectra.saved()} if self.spectra else saved

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
            place = mine[: self.hops] if name in _HOPS else mine
            if name in _KEPT:
                place = mine[..., : theirs.shape[-1]]
            elif name == "tiles":
                place = mine[:, : kernels.HISTORY * kernels.LANES]
            if theirs.dtype != mine.dtype or theirs.shape != place.shape:
                raise ValueError(f"'{name}' is {theirs.dtype} {theirs.shape}, not {mine.dtype} {place.shape}")
            place[...] = theirs
        if self.spectra:
            self.spectra.restore(saved)
        return self
