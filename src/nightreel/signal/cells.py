"""What one cell of up to 32 frames shows of sixteen lanes at once, and what of it has to be looked at closely.

Compiled by Numba. Everything about a lane group lies in one float32 array `s`, as rows of sixteen lanes at the offsets
below. One array, because the compiler can then tell that rows do not overlap and makes vector instructions.
"""

# mypy: allow-untyped-defs
from __future__ import annotations

import numpy as np
from numba import njit

from nightreel.signal.events import (
    CELLS_BACK,
    FLAT_LEAST_PEAK,
    JOINT_LEAST_STEP,
    JOINT_RATIO,
    JOINT_SIDE,
    OUT_LEAST,
    OUT_QUIET,
    REPEAT_LEAST_STEP,
)
from nightreel.signal.interpolator import TAPS

SHARE_NEAR_TOP = np.float32(0.98)
CORNER_SHARE = np.float32(0.08)  # of the peak: bend times width; a smooth top of three samples or more stays below
ZERO32, ONE32 = np.float32(0.0), np.float32(1.0)

MOST, BEND, TOP, ROUGH = 0, 16, 32, 48  # largest magnitude, second and third difference; sum of third differences
NEAR, LEAST = 64, 80  # samples near the largest magnitude; what counts as near
REACH_MOST, REACH_BEND, REACH_NEAR = 96, 112, 128  # of what the interpolator's taps still hold of earlier cells
BETWEEN = 144  # largest magnitude between samples so far
LAST = 160  # the cell's last sample
OPEN, RUNNING, HIT = 176, 192, 208  # 1 where a run is open, a repeat is running, a third difference was seen before
LOOK = 224  # what has to be looked at, as a sum of LOOK_*
ENVELOPE_1, ENVELOPE_2 = 240, 256  # largest magnitude one and two cells ago
MEANS, MEANS_KEPT = 272, 2 * JOINT_SIDE + 1  # mean third differences, newest first
TOPS, TOPS_KEPT = MEANS + 16 * MEANS_KEPT, JOINT_SIDE + 1
LANE_FLOATS = TOPS + 16 * TOPS_KEPT

LOOK_BETWEEN, LOOK_RUNS, LOOK_FLAT, LOOK_JOINT, LOOK_OUT, LOOK_REPEAT = 1, 2, 4, 8, 16, 32


@njit(cache=True, nogil=True)
def find_extremes(tile, first, rows, s):
    """Of `rows` rows of each lane: largest magnitude, second and third difference, sum of third differences.

    The third difference is the one of :func:`events._bend`, to the bit.
    """
    for i in range(64):
        s[i] = ZERO32
    row = 0
    while row + 4 <= rows:
        x = tile[(first + row - 3) * 16 : (first + row + 4) * 16]
        for lane in range(16):
            x0, x1, x2, x3 = x[lane], x[16 + lane], x[32 + lane], x[48 + lane]
            x4, x5, x6 = x[64 + lane], x[80 + lane], x[96 + lane]
            d0, d1, d2 = x1 - x0, x2 - x1, x3 - x2
            d3, d4, d5 = x4 - x3, x5 - x4, x6 - x5
            b0, b1, b2, b3, b4 = d1 - d0, d2 - d1, d3 - d2, d4 - d3, d5 - d4
            e1, e2, e3, e4 = abs(b1 - b0), abs(b2 - b1), abs(b3 - b2), abs(b4 - b3)
            m, b, e = s[lane], s[16 + lane], s[32 + lane]
            x3, x4, x5, x6 = abs(x3), abs(x4), abs(x5), abs(x6)
            b1, b2, b3, b4 = abs(b1), abs(b2), abs(b3), abs(b4)
            m = x3 if x3 > m else m
            m = x4 if x4 > m else m
            m = x5 if x5 > m else m
            m = x6 if x6 > m else m
            b = b1 if b1 > b else b
            b = b2 if b2 > b else b
            b = b3 if b3 > b else b
            b = b4 if b4 > b else b
            e = e1 if e1 > e else e
            e = e2 if e2 > e else e
            e = e3 if e3 > e else e
            e = e4 if e4 > e else e
            s[lane] = m
            s[16 + lane] = b
            s[32 + lane] = e
            s[48 + lane] += ((e1 + e2) + e3) + e4
        row += 4
    while row < rows:
        x = tile[(first + row - 3) * 16 : (first + row + 1) * 16]
        for lane in range(16):
            v = abs(x[48 + lane])
            d1 = x[16 + lane] - x[lane]
            d2 = x[32 + lane] - x[16 + lane]
            d3 = x[48 + lane] - x[32 + lane]
            e = abs((d3 - d2) - (d2 - d1))
            b = abs(d3 - d2)
            s[lane] = v if v > s[lane] else s[lane]
            s[16 + lane] = b if b > s[16 + lane] else s[16 + lane]
            s[32 + lane] = e if e > s[32 + lane] else s[32 + lane]
            s[48 + lane] += e
        row += 1


@njit(cache=True, nogil=True)
def find_near_top(tile, first, rows, s):
    """How many samples of each lane lie within two per cent of its largest magnitude, and the last sample."""
    for lane in range(16):
        s[NEAR + lane] = ZERO32
        s[LEAST + lane] = s[MOST + lane] * SHARE_NEAR_TOP
    last = tile[(first + rows - 1) * 16 : (first + rows) * 16]
    for lane in range(16):
        s[LAST + lane] = last[lane]
    row = 0
    while row + 4 <= rows:
        x = tile[(first + row) * 16 : (first + row + 4) * 16]
        for lane in range(16):
            least = s[LEAST + lane]
            count = ONE32 if abs(x[lane]) >= least else ZERO32
            count += ONE32 if abs(x[16 + lane]) >= least else ZERO32
            count += ONE32 if abs(x[32 + lane]) >= least else ZERO32
            count += ONE32 if abs(x[48 + lane]) >= least else ZERO32
            s[NEAR + lane] += count
        row += 4
    while row < rows:
        x = tile[(first + row) * 16 : (first + row + 1) * 16]
        for lane in range(16):
            s[NEAR + lane] += ONE32 if abs(x[lane]) >= s[LEAST + lane] else ZERO32
        row += 1


@njit(cache=True, nogil=True)
def find_hits(keys, s):
    """Whether the cell's largest third difference is one of those in keys (CELLS_BACK * 16)."""
    for lane in range(16):
        s[HIT + lane] = ZERO32
    for k in range(0, CELLS_BACK, 8):
        x = keys[k * 16 : (k + 8) * 16]
        for lane in range(16):
            top = s[TOP + lane]
            hit = s[HIT + lane]
            hit = ONE32 if x[lane] == top else hit
            hit = ONE32 if x[16 + lane] == top else hit
            hit = ONE32 if x[32 + lane] == top else hit
            hit = ONE32 if x[48 + lane] == top else hit
            hit = ONE32 if x[64 + lane] == top else hit
            hit = ONE32 if x[80 + lane] == top else hit
            hit = ONE32 if x[96 + lane] == top else hit
            hit = ONE32 if x[112 + lane] == top else hit
            s[HIT + lane] = hit


@njit(cache=True, nogil=True)
def weigh(s, n, abs_gain, bend_gain, full_scale):
    """What of each lane has to be looked at closely; moves on what is remembered of the last cells."""
    for k in range(MEANS_KEPT - 1, 0, -1):
        for lane in range(16):
            s[MEANS + k * 16 + lane] = s[MEANS + (k - 1) * 16 + lane]
    for k in range(TOPS_KEPT - 1, 0, -1):
        for lane in range(16):
            s[TOPS + k * 16 + lane] = s[TOPS + (k - 1) * 16 + lane]
    share = ONE32 / np.float32(n)
    keep = ZERO32 if n >= TAPS else ONE32
    for lane in range(16):
        s[MEANS + lane] = s[ROUGH + lane] * share
        s[TOPS + lane] = s[TOP + lane]
        m, b = s[MOST + lane], s[BEND + lane]
        near_m = m if m > s[REACH_MOST + lane] else s[REACH_MOST + lane]
        near_b = b if b > s[REACH_BEND + lane] else s[REACH_BEND + lane]
        s[REACH_MOST + lane] = near_m * keep + m * (ONE32 - keep)
        s[REACH_BEND + lane] = near_b * keep + b * (ONE32 - keep)
        by_size, by_bend = abs_gain * near_m, near_m + bend_gain * near_b
        bound = by_size if by_size < by_bend else by_bend
        s[LOOK + lane] = np.float32(LOOK_BETWEEN) if bound > s[BETWEEN + lane] else ZERO32
    for lane in range(16):
        m = s[MOST + lane]
        runs = ONE32 if m >= full_scale else s[OPEN + lane]
        runs = ONE32 if s[LAST + lane] == ZERO32 else runs
        s[LOOK + lane] += np.float32(LOOK_RUNS) * runs
        flat = np.float32(LOOK_FLAT) if s[NEAR + lane] >= 3 else ZERO32
        flat = flat if m >= FLAT_LEAST_PEAK else ZERO32
        flat = flat if m < full_scale else ZERO32
        wide = s[NEAR + lane] + s[REACH_NEAR + lane]
        s[REACH_NEAR + lane] = s[NEAR + lane]
        s[LOOK + lane] += flat if s[BEND + lane] * wide > m * CORNER_SHARE else ZERO32
        loud = np.float32(LOOK_OUT) if m >= OUT_LEAST else ZERO32
        s[LOOK + lane] += loud if s[ENVELOPE_2 + lane] < OUT_QUIET * m else ZERO32
        s[ENVELOPE_2 + lane] = s[ENVELOPE_1 + lane]
        s[ENVELOPE_1 + lane] = m
    for lane in range(16):
        again = s[HIT + lane] if s[TOP + lane] >= REPEAT_LEAST_STEP else ZERO32
        again = again if again > s[RUNNING + lane] else s[RUNNING + lane]
        s[LOOK + lane] += np.float32(LOOK_REPEAT) * again
        around = s[MEANS + lane]
        for k in range(1, MEANS_KEPT):
            if k != JOINT_SIDE:
                around = s[MEANS + k * 16 + lane] if s[MEANS + k * 16 + lane] > around else around
        middle = s[TOPS + JOINT_SIDE * 16 + lane]
        rough = np.float32(LOOK_JOINT) if middle > JOINT_RATIO * around else ZERO32
        s[LOOK + lane] += rough if middle > JOINT_LEAST_STEP else ZERO32
