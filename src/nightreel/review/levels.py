"""What a level history says: when a line is in use, its floor, and where it is loud. Pure; levels in dB."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

ACTIVE_OVER_FLOOR_DB = 10.0
ACTIVE_UNDER_TOP_DB = 40.0
DEAD_DBFS = -60.0  # a preamp at full gain with nothing on it stays below this (common practice, no published source)


def floor_db(history_rms_db: F32, skip: Mask | None = None) -> float:
    """Mean level of the quietest tenth of the windows that hold any signal; -200 for none."""
    kept = (
        history_rms_db[history_rms_db > -190.0] if skip is None else history_rms_db[(history_rms_db > -190.0) & ~skip]
    )
    if len(kept) == 0:
        return -200.0
    count = max(1, len(kept) // 10)
    return float(np.mean(np.partition(kept, count - 1)[:count]))


def top_db(history_rms_db: F32) -> float:
    """The level exceeded in one window of a hundred; -200 for an empty history."""
    return float(np.quantile(history_rms_db, 0.99)) if len(history_rms_db) else -200.0


def active(history_rms_db: F32, skip: Mask) -> Mask:
    """Windows in which the line is in use: within 40 dB of its top, and 10 dB over its floor where it has one.

    A line that plays without pause has no floor to speak of (its quietest tenth is within 20 dB of its top); for it the
    first condition decides alone.
    """
    top = top_db(history_rms_db[~skip]) if (~skip).any() else -200.0
    if top < DEAD_DBFS:
        return np.zeros(len(history_rms_db), np.bool_)
    floor = floor_db(history_rms_db, skip)
    threshold = top - ACTIVE_UNDER_TOP_DB
    if floor < top - 20.0:
        threshold = max(threshold, floor + ACTIVE_OVER_FLOOR_DB)
    result: Mask = (history_rms_db > threshold) & ~skip
    return result


def runs(mask: Mask) -> NDArray[np.int64]:
    """(runs, 2) first and end index of every run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.view(np.int8), [0]))))
    return edges.reshape(-1, 2).astype(np.int64)


def bridged(mask: Mask, windows: int) -> Mask:
    """The same mask with holes of up to ``windows`` filled."""
    out = mask.copy()
    spans = runs(mask)
    for (_, end), (first, _) in pairwise(spans):
        if first - end <= windows:
            out[end:first] = True
    return out
