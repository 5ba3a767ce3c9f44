"""The one pass over the samples that feeds every meter, compiled by Numba.

Sixteen channels travel side by side (LANES), laid out so that one row of a tile is one frame of sixteen channels:
every inner loop runs over the lanes, which the compiler turns into vector instructions. What depends on single
samples (inter-sample peaks, and the places that :mod:`events` looks for) is only looked at where the extremes of a
cell of 32 frames say that something may be there; the result is exact nevertheless.

Arrays in, arrays changed in place, nothing returned. The state and its meaning belong to :mod:`state`.

Numba's cache looks only at this file's date: after a change in :mod:`cells` or :mod:`events`, empty `.numba_cache`.
"""

# mypy: allow-untyped-defs
# Numba compiles these for the array types they are called with; annotations would only restate them.

from __future__ import annotations

import numpy as np
from numba import njit

from nightreel.signal.cells import (
    BETWEEN,
    LOOK,
    LOOK_BETWEEN,
    LOOK_FLAT,
    LOOK_JOINT,
    LOOK_OUT,
    LOOK_REPEAT,
    LOOK_RUNS,
    MEANS,
    MEANS_KEPT,
    MOST,
    ONE32,
    OPEN,
    RUNNING,
    TOP,
    TOPS,
    ZERO32,
    find_extremes,
    find_hits,
    find_near_top,
    weigh,
)
from nightreel.signal.events import (
    CELL,
    CELLS_BACK,
    JOINT_SIDE,
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


@njit(cache=True, nogil=True, fastmath={"contract"})
def _between_samples(tile, first, rows, lane, taps, column, line):
    """Largest magnitude between the samples: every phase of the interpolator over `rows` rows of one lane."""
    for i in range(rows + 23):
        column[i] = tile[(first - 23 + i) * 16 + lane]
    for i in range(rows + 23, 32 + 23):
        column[i] = ZERO32
    most = ZERO32
    for phase in range(taps.shape[0]):
        h = taps[phase]
        h0, h1, h2, h3, h4, h5, h6, h7 = h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7]
        h8, h9, h10, h11, h12, h13, h14, h15 = h[8], h[9], h[10], h[11], h[12], h[13], h[14], h[15]
        h16, h17, h18, h19, h20, h21, h22, h23 = h[16], h[17], h[18], h[19], h[20], h[21], h[22], h[23]
        for i in range(32):
            a = h0 * column[i] + h1 * column[i + 1] + h2 * column[i + 2] + h3 * column[i + 3]
            b = h4 * column[i + 4] + h5 * column[i + 5] + h6 * column[i + 6] + h7 * column[i + 7]
            c = h8 * column[i + 8] + h9 * column[i + 9] + h10 * column[i + 10] + h11 * column[i + 11]
            d = h12 * column[i + 12] + h13 * column[i + 13] + h14 * column[i + 14] + h15 * column[i + 15]
            e = h16 * column[i + 16] + h17 * column[i + 17] + h18 * column[i + 18] + h19 * column[i + 19]
            f = h20 * column[i + 20] + h21 * column[i + 21] + h22 * column[i + 22] + h23 * column[i + 23]
            line[i] = abs(((a + b) + (c + d)) + (e + f))
        for i in range(rows):
            most = line[i] if line[i] > most else most
    return most


@njit(cache=True, nogil=True)
def _copy(block, at, rows, c0, width, tile, row0):
    """Rows of sixteen channels of the block into the tile; lanes without a channel become zero."""
    for row in range(rows):
        into = tile[(row0 + row) * 16 : (row0 + row + 1) * 16]
        if width == 16:
            source = block[at + row, c0 : c0 + 16]
            for lane in range(16):
                into[lane] = source[lane]
        else:
            for lane in range(width):
                into[lane] = block[at + row, c0 + lane]
            for lane in range(width, 16):
                into[lane] = ZERO32


@njit(cache=True, nogil=True)
def _clean(tile, row0, rows, width, c0, not_numbers):
    """What is no number becomes zero, and is counted."""
    for row in range(row0, row0 + rows):
        for lane in range(width):
            if not abs(tile[row * 16 + lane]) <= LARGEST:
                tile[row * 16 + lane] = ZERO32
                not_numbers[c0 + lane] += 1


@njit(cache=True, nogil=True)
def accumulate(block, start, first_frame, grid, full_scale, coef, taps, gains, weights, shortest,
               tiles, filters, lanes, cells, memory, window, hops, base_hop, sums, edges, events):  # fmt: skip
    """Feed `block` (frames, channels) that begins at frame `start` of a span that began at `first_frame`.

    grid : frames of the 100 ms and of the 10 ms grid, both counted from frame 0 of the take
    gains : bounds of the interpolator, see :mod:`interpolator`
    tiles (groups, rows * 16), filters (groups, STATE_ROWS * 16), lanes (groups, LANE_FLOATS): per lane group
    cells : [tile rows in use, cells so far], cell_frames, cell_ends
    memory : keys (groups, CELLS_BACK * 16), envelope (groups, cells, 16), running (channels, 2): see :mod:`events`
    window : sums (columns, 40) of the last K-weighted 10 ms, this 10 ms so far, [sums so far], greatest 400 ms;
        columns are channels, then programmes (weights)
    hops : peak, squares, K-weighted squares (hops, channels); row 0 is hop number `base_hop`
    sums : of samples, samples at full scale, no numbers, flat tops by level
    """
    hop, sub = grid
    abs_gain, bend_gain = gains
    position, cell_frames, cell_ends = cells
    keys, envelope, running = memory
    hop_peak, hop_squares, hop_loud = hops
    sum_of_samples, at_full_scale, not_numbers, flat_levels = sums
    tail = edges[0]
    frames, channels = block.shape
    groups = tiles.shape[0]
    capacity = tiles.shape[1] // 16
    column = np.zeros(CELL + TAPS, dtype=np.float32)
    line = np.zeros(32, dtype=np.float32)
    spare = np.zeros(STATE_ROWS * 16)
    done = np.int64(0)
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
        number = position[1]
        for group in range(groups):
            c0 = group * 16
            width = min(16, channels - c0)
            tile = tiles[group]
            _copy(block, done, rows, c0, width, tile, row0)
            state = filters[group]
            for i in range(STATE_ROWS * 16):
                spare[i] = state[i]
            _sums(tile, row0, rows, state, coef)
            broken = False
            for lane in range(16):
                broken |= not state[80 + lane] < 1e30
            if broken:
                _clean(tile, row0, rows, width, c0, not_numbers)
                for i in range(STATE_ROWS * 16):
                    state[i] = spare[i]
                _sums(tile, row0, rows, state, coef)
            s = lanes[group]
            number = position[1]
            at = row0
            while at < row0 + rows:
                n = min(CELL, row0 + rows - at)
                f = at - row_of_frame_0
                if group == 0:
                    cell_frames[number % CELLS_BACK] = f
                    cell_ends[number % cell_ends.size] = f + n
                find_extremes(tile, at, n, s)
                find_near_top(tile, at, n, s)
                find_hits(keys[group], s)
                weigh(s, n, abs_gain, bend_gain, full_scale)
                for lane in range(width):
                    c = c0 + lane
                    m = s[MOST + lane]
                    hop_peak[hop_row, c] = m if m > hop_peak[hop_row, c] else hop_peak[hop_row, c]
                    look = int(s[LOOK + lane])
                    if f == first_frame:
                        look |= LOOK_RUNS
                    if look == 0:
                        continue
                    if look & LOOK_BETWEEN and taps.shape[0] > 0:
                        v = _between_samples(tile, at, n, lane, taps, column, line)
                        if v > s[BETWEEN + lane]:
                            s[BETWEEN + lane] = v
                    if look & LOOK_RUNS:
                        if m >= full_scale:
                            full_scale_runs(events, edges, tile, at, n, lane, full_scale, c, f, first_frame, shortest,
                                            at_full_scale)  # fmt: skip
                        elif tail[OVER, c] > 0:
                            close_run(events, edges, OVER, c, f, first_frame, shortest)
                        if m == 0.0:
                            tail[ZERO, c] += n
                        else:
                            zero_runs(events, edges, tile, at, n, lane, c, f, first_frame, shortest)
                        s[OPEN + lane] = ONE32 if tail[OVER, c] + tail[ZERO, c] > 0 else ZERO32
                    if look & LOOK_FLAT:
                        flat_tops(events, flat_levels, tile, at, n, lane, c, m, row_of_frame_0, full_scale)
                    if look & LOOK_JOINT and number >= 2 * JOINT_SIDE:
                        around = ZERO32
                        for k in range(MEANS_KEPT):
                            if k != JOINT_SIDE:
                                around = max(around, s[MEANS + k * 16 + lane])
                        joint(events, tile, cell_frames[(number - JOINT_SIDE) % CELLS_BACK], row_of_frame_0, lane, c,
                              s[TOPS + JOINT_SIDE * 16 + lane], around)  # fmt: skip
                    if look & LOOK_OUT and number > 16:
                        out(events, envelope[group], cell_ends, number, lane, c, m)
                    if look & LOOK_REPEAT:
                        repeat(events, tile, running, keys[group], cell_frames, number, at, n, lane, c, s[TOP + lane],
                               row_of_frame_0, oldest_row)  # fmt: skip
                        s[RUNNING + lane] = ONE32 if running[c, 0] != 0 else ZERO32
                place = keys[group]
                for lane in range(16):
                    place[(number % CELLS_BACK) * 16 + lane] = s[TOP + lane]
                for lane in range(16):
                    envelope[group, number % cell_ends.size, lane] = s[MOST + lane]
                at += n
                number += 1
            for lane in range(width):
                c = c0 + lane
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
