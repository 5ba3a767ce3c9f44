"""From K-weighted powers to loudness: gating and range, pure arithmetic on short-time powers.

Sources: ITU-R BS.1770-5 Annex 1 (loudness, gates), EBU Tech 3341 (momentary, short-term), EBU Tech 3342 (range).
Powers are mean squares after K-weighting, already summed over the channels of a programme with their weights.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from nightreel.signal.kweight import LOUDNESS_OFFSET_LU

FloatArray = NDArray[np.float64]

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0


def lufs_from_power(power: FloatArray | float) -> FloatArray:
    """Loudness of K-weighted powers; zero gives -inf."""
    with np.errstate(divide="ignore"):
        return LOUDNESS_OFFSET_LU + 10.0 * np.log10(np.asarray(power, dtype=np.float64))


def sliding_mean(powers: FloatArray, windows: int) -> FloatArray:
    """Means over `windows` neighbouring rows; shape (rows - windows + 1, ...), empty where there are too few."""
    if len(powers) < windows:
        return powers[:0]
    mean = powers[: len(powers) - windows + 1].copy()
    for shift in range(1, windows):
        mean += powers[shift : len(powers) - windows + 1 + shift]
    return mean / windows


def integrated_lufs(block_powers: FloatArray) -> float:
    """Gated loudness of 400 ms blocks that overlap by 75 %; shape (blocks,). -inf where no block passes the gate.

    Source: ITU-R BS.1770-5 Annex 1: blocks above -70 LKFS, then blocks above the mean of those less 10 LU.
    """
    level = lufs_from_power(block_powers)
    heard = block_powers[level > ABSOLUTE_GATE_LUFS]
    if heard.size == 0:
        return -math.inf
    gate = float(lufs_from_power(heard.mean())) + RELATIVE_GATE_LU
    loud = block_powers[level > max(gate, ABSOLUTE_GATE_LUFS)]
    return float(lufs_from_power(loud.mean())) if loud.size else -math.inf


def loudness_range_lu(short_term_powers: FloatArray) -> float:
    """Spread of 3 s loudness, 10 values a second; shape (values,). 0 where nothing passes the gates.

    Source: EBU Tech 3342 (2023) s. 3.1 and s. 5: gates at -70 LUFS and 20 LU below the mean, 95th minus 10th
    percentile, taken at the nearest rank.
    """
    heard = short_term_powers[lufs_from_power(short_term_powers) >= ABSOLUTE_GATE_LUFS]
    if heard.size == 0:
        return 0.0
    level = lufs_from_power(heard)
    kept = np.sort(level[level >= float(lufs_from_power(heard.mean())) + RANGE_GATE_LU])
    if kept.size == 0:
        return 0.0
    low, high = (math.floor((kept.size - 1) * percent / 100.0 + 0.5) for percent in (10.0, 95.0))
    return float(kept[high] - kept[low])
