"""The one pass over the samples that feeds every meter, compiled by Numba.

Sixteen channels travel side by side (LANES), laid out so that one row of a tile is one frame of sixteen channels:
every inner loop runs over the lanes, which the compiler turns into vector instructions. What depends on single
samples (inter-sample peaks, and the places that :mod:`events` looks for) is only looked at where the extremes of a
cell of 32 frames say that something may be there; the result is exact nevertheless.

Arrays in, arrays changed in place, nothing returned but counts. The state and its meaning belong to ``meters``.
"""

# mypy: allow-untyped-defs
# Numba compiles these for the array types they are called with; annotations would only restate them.

from __future__ import annotations

import numpy as np
from numba import njit

from nightreel.signal.events import (
    CELL,
    CELLS_BACK,
    FLAT_LEAST_PEAK,
    JOINT_LEAST_STEP,
    JOINT_SIDE,
    OUT_LEAST,
    OUT_QUIET,
    OVER,
    ZERO,
    close_run,
    flat_tops,
    full_scale_runs,
    joint,
    out,
    repeat,
    zero_runs,
)
from nightreel.signal.interpolator import TAPS

LANES = 16
HISTORY = CELL * CELLS_BACK + CELL  # frames that stay within reach in a tile
TILE_ROWS = 3 * HISTORY
PIECE = 480  # frames taken in one go; a multiple of CELL, counted from the start of each 10 ms
STATE_ROWS = 7  # of a lane group, float64: four of the filters, then the sums that follow (see `_sums`)
LARGEST = np.float32(1e18)  # anything beyond is no sample but damage, as NaN and infinity are; taken as zero
SHARE_NEAR_TOP = np.float32(0.98)
ZERO32, ONE32 = np.float32(0.0), np.float32(1.0)


@njit(cache=True, nogil=True, fastmath={"contract", "nsz"})
def _sums(tile, first, rows, state, coef):
    """Sum, sum of squares and K-weighted sum of squares of `rows` rows of a tile; filters in direct form II."""
    b0, b1, b2, a1, a2 = coef[0], coef[1], coef[2], coef[3], coef[4]
    d0, d1, d2, e1, e2 = coef[5], coef[6], coef[7], coef[8], coef[9]
    row = 0
    while row + 4 <= rows:
        x = tile[(first + row) * 16 : (first + row + 4) * 16]
        for lane in range(16):
            s1 = state[lane]
            s2 = state[16 + lane]
            t1 = state[32 + lane]
            t2 = state[48 + lane]
            total = state[64 + lane]
            squares = state[80 + lane]
            loud = state[96 + lane]
            v = np.float64(x[lane])
            total += v
            squares += v * v
            u = b0 * v + s1
            s1 = (b1 * v + s2) - a1 * u
            s2 = b2 * v - a2 * u
            y = d0 * u + t1
            t1 = (d1 * u + t2) - e1 * y
            t2 = d2 * u - e2 * y
            loud += y * y
            v = np.float64(x[16 + lane])
            total += v
            squares += v * v
            u = b0 * v + s1
            s1 = (b1 * v + s2) - a1 * u
            s2 = b2 * v - a2 * u
            y = d0 * u + t1
            t1 = (d1 * u + t2) - e1 * y
            t2 = d2 * u - e2 * y
            loud += y * y
            v = np.float64(x[32 + lane])
            total += v
            squares += v * v
            u = b0 * v + s1
            s1 = (b1 * v + s2) - a1 * u
            s2 = b2 * v - a2 * u
            y = d0 * u + t1
            t1 = (d1 * u + t2) - e1 * y
            t2 = d2 * u - e2 * y
            loud += y * y
            v = np.float64(x[48 + lane])
            total += v
            squares += v * v
            u = b0 * v + s1
            s1 = (b1 * v + s2) - a1 * u
            s2 = b2 * v - a2 * u
            y = d0 * u + t1
            t1 = (d1 * u + t2) - e1 * y
            t2 = d2 * u - e2 * y
            loud += y * y
            state[lane] = s1
            state[16 + lane] = s2
            state[32 + lane] = t1
            state[48 + lane] = t2
            state[64 + lane] = total
            state[80 + lane] = squares
            state[96 + lane] = loud
        row += 4
    while row < rows:
        x = tile[(first + row) * 16 : (first + row + 1) * 16]
        for lane in range(16):
            s1 = state[lane]
            s2 = state[16 + lane]
            t1 = state[32 + lane]
            t2 = state[48 + lane]
            v = np.float64(x[lane])
            state[64 + lane] += v
            state[80 + lane] += v * v
            u = b0 * v + s1
            s1 = (b1 * v + s2) - a1 * u
            s2 = b2 * v - a2 * u
            y = d0 * u + t1
            t1 = (d1 * u + t2) - e1 * y
            t2 = d2 * u - e2 * y
            state[96 + lane] += y * y
            state[lane] = s1
            state[16 + lane] = s2
            state[32 + lane] = t1
            state[48 + lane] = t2
        row += 1


@njit(cache=True, nogil=True)
def _extremes(tile, first, rows, cell):
    """Of `rows` rows of each lane: largest magnitude, second and third difference, sum of third differences.

    cell : float32, four rows of sixteen lanes. The third difference is the one of :func:`events._bend`, to the bit.
    """
    for i in range(64):
        cell[i] = 0.0
    for row in range(first, first + rows):
        x = tile[(row - 3) * 16 : (row + 1) * 16]
        for lane in range(16):
            v = x[48 + lane]
            d = (v - x[32 + lane]) - (x[32 + lane] - x[16 + lane])
            e = abs(d - ((x[32 + lane] - x[16 + lane]) - (x[16 + lane] - x[lane])))
            v = abs(v)
            d = abs(d)
            cell[lane] = v if v > cell[lane] else cell[lane]
            cell[16 + lane] = d if d > cell[16 + lane] else cell[16 + lane]
            cell[32 + lane] = e if e > cell[32 + lane] else cell[32 + lane]
            cell[48 + lane] += e


@njit(cache=True, nogil=True)
def _near_top(tile, first, rows, cell, near):
    """How many samples of each lane lie within two per cent of its largest magnitude."""
    for lane in range(16):
        near[lane] = 0.0
    for row in range(first, first + rows):
        x = tile[row * 16 : (row + 1) * 16]
        for lane in range(16):
            near[lane] += ONE32 if abs(x[lane]) >= cell[lane] * SHARE_NEAR_TOP else ZERO32


@njit(cache=True, nogil=True, fastmath={"contract"})
def _between_samples(tile, first, rows, lane, taps, column, line):
    """Largest magnitude between the samples: every phase of the interpolator over `rows` rows of one lane."""
    for i in range(rows + TAPS - 1):
        column[i] = tile[(first - TAPS + 1 + i) * 16 + lane]
    for i in range(rows + TAPS - 1, CELL + TAPS - 1):
        column[i] = 0.0
    most = ZERO32
    for phase in range(taps.shape[0]):
        for i in range(32):
            line[i] = 0.0
        for k in range(TAPS):
            h = taps[phase, k]
            x = column[k : k + 32]
            for i in range(32):
                line[i] += h * x[i]
        for i in range(rows):
            v = abs(line[i])
            if v > most:
                most = v
    return most


@njit(cache=True, nogil=True)
def _copy(block, at, rows, c0, width, tile, row0, bad):
    """Rows of the block into the tile, what is no number as zero; counts those in bad (16)."""
    for lane in range(16):
        bad[lane] = ZERO32
    for row in range(rows):
        into = tile[(row0 + row) * 16 : (row0 + row + 1) * 16]
        if width == 16:
            source = block[at + row, c0 : c0 + 16]
            for lane in range(16):
                v = source[lane]
                good = abs(v) <= LARGEST
                into[lane] = v if good else ZERO32
                bad[lane] += ZERO32 if good else ONE32
        else:
            for lane in range(width):
                v = block[at + row, c0 + lane]
                good = abs(v) <= LARGEST
                into[lane] = v if good else ZERO32
                bad[lane] += ZERO32 if good else ONE32
            for lane in range(width, 16):
                into[lane] = ZERO32


@njit(cache=True, nogil=True)
def accumulate(block, start, first_frame, grid, full_scale, coef, taps, gains, weights, shortest,
               tiles, filters, reach, cells, memory, window, hops, base_hop, sums, extremes, edges, events):  # fmt: skip
    """Feed `block` (frames, channels) that begins at frame `start` of a span that began at `first_frame`.

    grid : frames of the 100 ms and of the 10 ms grid, both counted from frame 0 of the take
    gains : bounds of the interpolator, see :mod:`interpolator`
    tiles (groups, rows * 16), filters (groups, STATE_ROWS * 16), reach (groups, 32): per lane group
    cells : [tile rows in use, cells so far], cell_frames, cell_ends
    memory : keys, running, means, tops, envelope: what :mod:`events` remembers of each channel
    window : sums (columns, 40) of the last K-weighted 10 ms, this 10 ms so far, [sums so far], greatest 400 ms;
        columns are channels, then programmes (weights)
    hops : peak, squares, K-weighted squares (hops, channels); row 0 is hop number `base_hop`
    sums : of samples, samples at full scale, no numbers, flat tops by level; extremes : peak, between the samples
    """
    hop, sub = grid
    abs_gain, bend_gain = gains
    position, cell_frames, cell_ends = cells
    keys, running, means, tops, envelope = memory
    hop_peak, hop_squares, hop_loud = hops
    sum_of_samples, at_full_scale, not_numbers, flat_levels = sums
    peak, between = extremes
    tail = edges[0]
    frames, channels = block.shape
    groups = tiles.shape[0]
    capacity = tiles.shape[1] // 16
    cell = np.zeros(64, dtype=np.float32)
    bad = np.zeros(16, dtype=np.float32)
    near = np.zeros(16, dtype=np.float32)
    column = np.zeros(CELL + TAPS, dtype=np.float32)
    line = np.zeros(32, dtype=np.float32)
    done = 0
    while done < frames:
        frame = start + done
        in_sub = frame % sub
        rows = min(frames - done, sub - in_sub, PIECE - in_sub % PIECE)
        hop_row = frame // hop - base_hop
        row0 = position[0]
        if row0 + rows > capacity:  # the tile is full: what may still be asked for moves to its front
            for group in range(groups):
                for i in range(HISTORY * 16):
                    tiles[group, i] = tiles[group, (row0 - HISTORY) * 16 + i]
            row0 = HISTORY
        row_of_frame_0 = row0 - frame
        oldest_row = max(3, row0 - HISTORY)
        for group in range(groups):
            c0 = group * 16
            width = min(16, channels - c0)
            tile = tiles[group]
            _copy(block, done, rows, c0, width, tile, row0, bad)
            state = filters[group]
            _sums(tile, row0, rows, state, coef)
            ranges = reach[group]
            at = row0
            number = position[1]
            while at < row0 + rows:
                n = min(CELL, row0 + rows - at)
                f = at - row_of_frame_0
                if group == 0:
                    cell_frames[number % CELLS_BACK] = f
                    cell_ends[number % cell_ends.size] = f + n
                _extremes(tile, at, n, cell)
                _near_top(tile, at, n, cell, near)
                for lane in range(width):
                    c = c0 + lane
                    m, b, top = cell[lane], cell[16 + lane], cell[32 + lane]
                    if m > hop_peak[hop_row, c]:
                        hop_peak[hop_row, c] = m
                    near_m = max(m, ranges[lane])
                    near_b = max(b, ranges[16 + lane])
                    ranges[lane] = m if n >= TAPS else near_m
                    ranges[16 + lane] = b if n >= TAPS else near_b
                    if min(abs_gain * near_m, near_m + bend_gain * near_b) > between[c] and taps.shape[0] > 0:
                        v = _between_samples(tile, at, n, lane, taps, column, line)
                        if v > between[c]:
                            between[c] = v
                    means[c, number % 8] = cell[48 + lane] / n
                    tops[c, number % 8] = top
                    if number >= 2 * JOINT_SIDE and tops[c, (number - JOINT_SIDE) % 8] > JOINT_LEAST_STEP:
                        joint(events, tile, means, tops, cell_frames, number, lane, c, row_of_frame_0)
                    if m >= full_scale:
                        full_scale_runs(events, edges, tile, at, n, lane, full_scale, c, f, first_frame, shortest,
                                        at_full_scale)  # fmt: skip
                    elif tail[OVER, c] > 0:
                        close_run(events, edges, OVER, c, f, first_frame, shortest)
                    if m == 0.0:
                        tail[ZERO, c] += n
                    else:
                        zero_runs(events, edges, tile, at, n, lane, c, f, first_frame, shortest)
                        if near[lane] >= 3.0 and m >= FLAT_LEAST_PEAK:
                            flat_tops(events, flat_levels, tile, at, n, lane, c, m, row_of_frame_0, full_scale)
                        if (
                            m >= OUT_LEAST
                            and number > 16
                            and envelope[c, (number - 2) % cell_ends.size] < OUT_QUIET * m
                        ):
                            out(events, envelope, cell_ends, number, c, m)
                    repeat(events, tile, running, keys, cell_frames, number, at, n, lane, c, top, row_of_frame_0,
                           oldest_row)  # fmt: skip
                    keys[c, number % CELLS_BACK] = top
                    envelope[c, number % cell_ends.size] = m
                at += n
                number += 1
            for lane in range(width):
                c = c0 + lane
                peak[c] = max(peak[c], hop_peak[hop_row, c])
                not_numbers[c] += int(bad[lane])
                sum_of_samples[c] += state[64 + lane]
                hop_squares[hop_row, c] += state[80 + lane]
                hop_loud[hop_row, c] += state[96 + lane]
                window[1][c] += state[96 + lane]
            for lane in range(48):
                state[64 + lane] = 0.0
        position[0] = row0 + rows
        position[1] = number
        done += rows
        if (start + done) % sub == 0:
            _close_window((start + done) // sub, window, weights)


@njit(cache=True, nogil=True)
def _close_window(number, window, weights):
    """Ten milliseconds are complete: the 400 ms that end here."""
    last, now, filled, greatest = window
    channels = now.size
    slots = last.shape[1]
    slot = number % slots
    for c in range(channels):
        last[c, slot] = now[c]
        now[c] = 0.0
    for p in range(weights.shape[0]):
        power = 0.0
        for c in range(channels):
            power += weights[p, c] * last[c, slot]
        last[channels + p, slot] = power
    filled[0] += 1
    if filled[0] >= slots:
        for k in range(last.shape[0]):
            power = 0.0
            for i in range(1, slots + 1):
                power += last[k, (slot + i) % slots]
            greatest[k] = max(greatest[k], power)
