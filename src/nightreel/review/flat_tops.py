"""Flat tops below full scale: where an analogue stage in front of the converter ran out of room.

A smooth top and a cut-off one are told apart without knowing pitch or level. Let a run of samples lie within a share w
of the highest value c of its surroundings, and let s be the slope at which the wave entered that run of L samples.
For a parabola, and so for every smooth top, s x L = 4 w c, whatever its curvature. For a wave cut off with a corner,
s is the full slope of the wave and the product is many times larger; and it grows fourfold when w is made four times
narrower, which saturation with a soft knee does not do. (Own derivation; no published source.)

Only windows whose peak reaches the line's common ceiling are read again, so this costs next to nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nightreel.review.levels import floor_db
from nightreel.review.material import Material
from nightreel.timeline import Span

F32 = NDArray[np.float32]

CEILING_DB = 0.35  # windows with a peak so near the line's highest are looked at
FULL_SCALE_DB = -0.1  # a ceiling above this is digital full scale: an over, not an analogue stage
LEAST_PEAK_DBFS = -40.0
WIDE, NARROW = 0.02, 0.005
CORNER = 12.0  # times w c; a smooth top gives 4 to 5
HARDER = 1.7  # narrow over wide; a soft knee gives 1 and less
LEAST_SAMPLES = 4
MAX_WINDOWS = 60


def find_flat_tops(material: Material, line: int) -> tuple[Span, ...]:
    """Spans of flat tops of a line, in the windows that were read again; empty for none."""
    levels = material.lines[line].levels
    peaks = levels.history_peak_db
    if len(peaks) == 0 or not LEAST_PEAK_DBFS < levels.peak_dbfs < FULL_SCALE_DB:
        return ()
    if levels.peak_dbfs < floor_db(levels.history_rms_db) + 16.0:
        return ()
    near = np.flatnonzero((peaks > levels.peak_dbfs - CEILING_DB) & ~material.in_gap(line))
    if len(near) < 3:
        return ()
    chosen = near[np.linspace(0, len(near) - 1, min(MAX_WINDOWS, len(near))).astype(int)]
    ceiling = 10 ** (levels.peak_dbfs / 20) * 10 ** (-CEILING_DB / 20)
    spans: list[Span] = []
    for window in np.unique(chosen):
        first = int(window) * material.history_frames
        samples = material.read((line,), first, material.history_frames)[:, 0]
        for start, end in flat_runs(samples, least=ceiling):
            spans.append(Span(first_frame=first + start, frames=end - start))
    return tuple(spans)


def flat_runs(samples: F32, *, least: float) -> Sequence[tuple[int, int]]:
    """Runs (first, end) of ``samples`` that are cut off flat at more than ``least``; both polarities."""
    found = []
    for sign in (1.0, -1.0):
        x = samples * np.float32(sign)
        top = float(x.max(initial=0.0))
        if top < least:
            continue
        high = np.flatnonzero(np.diff(np.concatenate(([0], (x > top * (1 - WIDE)).view(np.int8), [0]))))
        for first, end in high.reshape(-1, 2):
            if end - first < LEAST_SAMPLES or first < 2 or end > len(x) - 2:
                continue
            wide = _product(x, int(first), int(end)) / (WIDE * top)
            if wide < CORNER:
                continue
            inner = np.flatnonzero(x[first:end] > top * (1 - NARROW))
            if len(inner) < LEAST_SAMPLES - 1:
                continue
            a, b = int(first + inner[0]), int(first + inner[-1]) + 1
            dense = len(inner) / (b - a)
            narrow = _product(x, a, b) / (NARROW * top)
            if dense > 0.7 and narrow > wide * HARDER:
                found.append((int(first), int(end)))
    return found


def _product(x: F32, first: int, end: int) -> float:
    """Mean slope of entry and exit times the length of the run."""
    entry = float(x[first] - x[first - 2]) / 2
    leave = float(x[end - 1] - x[end + 1]) / 2
    return min(entry, leave) * (end - first)
