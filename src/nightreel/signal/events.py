"""Places in a line's samples, found while they pass: runs, flat tops, repeats, joints and outs. Compiled by Numba.

Each works on one *cell* (up to 32 frames) of one lane of the tile that :mod:`kernels` keeps, and is only called where
the cell's extremes say that something may be there. All have a finite memory, or are kept open at a span's edges,
so that any partition of the samples finds the same places. No published source: the methods are ours; their thresholds
were set so that the traps of the unit tests (tones, attacks, distortion) stay silent.

An event store keeps, for each kind and channel, the KEPT weightiest events (of equals the earliest) and counts all.
"""

# mypy: allow-untyped-defs
from __future__ import annotations

import numpy as np
from numba import njit

# Kinds; typed, or Numba would compile everything anew for each.
OVER, ZERO, FLAT, REPEAT, JOINT, OUT = (np.int64(kind) for kind in range(6))
KINDS = 6
RUN_KINDS = 2  # of which only over and zero runs have no bound in length
KEPT = 1024

CELL = 32
CELLS_BACK = 128  # a repeat lies at most so many cells behind

FLAT_LEAST_PEAK = np.float32(0.01)  # -40 dBFS
FLAT_WIDE, FLAT_NARROW = np.float32(0.02), np.float32(0.005)
FLAT_CORNER = np.float32(12.0)  # times the wide share of the peak; a smooth top gives 4 to 5
FLAT_HARDER = np.float32(1.7)  # narrow over wide; a soft knee gives 1 and less
FLAT_LEAST = 4
FLAT_REACH = 1024  # frames back that a top may have begun
FLAT_LEVELS = 160  # bins of a quarter decibel down from full scale

REPEAT_LEAST = 32
REPEAT_MOST = 8192  # what repeats for longer is a periodic sound
REPEAT_LEAST_STEP = np.float32(1e-5)

JOINT_RATIO = np.float32(10.0)  # third difference over the mean of its surroundings
JOINT_LEAST_STEP = np.float32(3e-6)
JOINT_SIDE = 3  # cells on each side that are its surroundings

OUT_LEAST = np.float32(1e-3)  # what is softer cannot be said to fall out
OUT_MOST_S = 1.0
OUT_BACK = np.float32(0.1)
OUT_QUIET = np.float32(0.02)
OUT_FLOOR = np.float32(0.01)


@njit(cache=True, nogil=True)
def keep(store, details, held, kind, c, start, length, weight, first, second):
    """Keep the weightiest events, of equals the earliest. store: int64 (kinds, channels, 2, KEPT), start and length."""
    n = held[kind, c]
    at = n
    if n < KEPT:
        held[kind, c] = n + 1
    else:
        at = 0
        for i in range(1, n):
            w, v = details[kind, c, 0, i], details[kind, c, 0, at]
            if w < v or (w == v and store[kind, c, 0, i] > store[kind, c, 0, at]):
                at = i
        w = details[kind, c, 0, at]
        if weight < w or (weight == w and start >= store[kind, c, 0, at]):
            return
    store[kind, c, 0, at] = start
    store[kind, c, 1, at] = length
    details[kind, c, 0, at] = weight
    details[kind, c, 1, at] = first
    details[kind, c, 2, at] = second


@njit(cache=True, nogil=True)
def record(events, kind, c, start, length, weight, first, second):
    """Count an event and keep it if it is weighty. events: (count, total, held, store, details)."""
    count, total, held, store, details = events
    count[kind, c] += 1
    total[kind, c] += length
    keep(store, details, held, kind, c, start, length, weight, first, second)


@njit(cache=True, nogil=True)
def close_run(events, edges, kind, c, end, first_frame, shortest):
    """A run that is open on channel `c` ends at frame `end`: into the head if it began with the span."""
    tail, head = edges
    length = tail[kind, c]
    tail[kind, c] = 0
    if length == 0:
        return
    if end - length == first_frame:
        head[kind, c] = length
    elif length >= shortest[kind]:
        record(events, kind, c, end - length, length, np.float64(length), 0.0, 0.0)


@njit(cache=True, nogil=True)
def full_scale_runs(events, edges, tile, row0, rows, lane, full_scale, c, frame, first_frame, shortest, at_full_scale):
    tail = edges[0]
    for row in range(rows):
        if abs(tile[(row0 + row) * 16 + lane]) >= full_scale:
            tail[OVER, c] += 1
            at_full_scale[c] += 1
        elif tail[OVER, c] > 0:
            close_run(events, edges, OVER, c, frame + row, first_frame, shortest)


@njit(cache=True, nogil=True)
def zero_runs(events, edges, tile, row0, rows, lane, c, frame, first_frame, shortest):
    """For a cell that is not all zeros. A run inside it is shorter than the shortest that counts: edges matter only."""
    tail, head = edges
    leading = 0
    if tail[ZERO, c] > 0 or frame == first_frame:
        while tile[(row0 + leading) * 16 + lane] == 0.0:
            leading += 1
        if tail[ZERO, c] > 0:
            tail[ZERO, c] += leading
            close_run(events, edges, ZERO, c, frame + leading, first_frame, shortest)
        else:
            head[ZERO, c] = leading
    trailing = 0
    while tile[(row0 + rows - 1 - trailing) * 16 + lane] == 0.0:
        trailing += 1
    tail[ZERO, c] = trailing


@njit(cache=True, nogil=True)
def _bend(tile, row, lane):
    """Magnitude of the third difference that ends at `row`, in the same arithmetic as the cell's extremes."""
    a, b = tile[row * 16 + lane], tile[(row - 1) * 16 + lane]
    c, d = tile[(row - 2) * 16 + lane], tile[(row - 3) * 16 + lane]
    return abs(((a - b) - (b - c)) - ((b - c) - (c - d)))


@njit(cache=True, nogil=True)
def joint(events, tile, frame, row_of_frame_0, lane, c, top, around):
    """The cell that begins at `frame` has one place far rougher than all around it, before and after: where?"""
    row = frame + row_of_frame_0
    for i in range(CELL):
        if _bend(tile, row + i, lane) == top:
            record(
                events,
                JOINT,
                c,
                frame + i,
                np.int64(1),
                np.float64(top / (around + np.float32(1e-9))),
                np.float64(top),
                0.0,
            )
            return


@njit(cache=True, nogil=True)
def _end_repeat(events, running, c, end):
    distance, start = running[c, 0], running[c, 1]
    running[c, 0] = 0
    length = end - start
    if distance > 0 and length >= max(REPEAT_LEAST, distance - 4):
        record(events, REPEAT, c, start, length, np.float64(length), np.float64(distance), 0.0)


@njit(cache=True, nogil=True)
def repeat(events, tile, running, keys, cell_frames, cell, row0, rows, lane, c, top, row_of_frame_0, oldest_row):
    """Runs that equal, bit for bit, what was up to CELLS_BACK cells before.

    A cell's largest third difference is what it is recognised by: where the same samples come again, the same largest
    difference comes again, wherever the cells' borders lie. running (channels, 2): distance (0 none, negative a
    periodic sound), first frame.
    """
    frame = row0 - row_of_frame_0
    distance = running[c, 0]
    if distance != 0:
        back = abs(distance)
        for row in range(row0, row0 + rows):
            if tile[row * 16 + lane] != tile[(row - back) * 16 + lane]:
                _end_repeat(events, running, c, row - row_of_frame_0)
                break
        if running[c, 0] > 0 and frame + rows - running[c, 1] > REPEAT_MOST:
            running[c, 0] = -distance
        return
    if top < REPEAT_LEAST_STEP:
        return
    for age in range(1, min(cell, CELLS_BACK - 2) + 1):
        if keys[((cell - age) % CELLS_BACK) * 16 + lane] != top:
            continue
        here = row0
        while here < row0 + rows and _bend(tile, here, lane) != top:
            here += 1
        there = cell_frames[(cell - age) % CELLS_BACK] + row_of_frame_0
        if here == row0 + rows or there - 3 < oldest_row:
            return
        last = there + CELL
        while there < last and _bend(tile, there, lane) != top:
            there += 1
        back = here - there
        if there == last or back < 8:
            return
        first = here
        while first - 1 - back >= oldest_row and tile[(first - 1) * 16 + lane] == tile[(first - 1 - back) * 16 + lane]:
            first -= 1
        end = here
        while end < row0 + rows and tile[end * 16 + lane] == tile[(end - back) * 16 + lane]:
            end += 1
        running[c, 0] = back
        running[c, 1] = first - row_of_frame_0
        if end < row0 + rows:
            _end_repeat(events, running, c, end - row_of_frame_0)
        elif end - first > REPEAT_MOST:
            running[c, 0] = -back
        return


@njit(cache=True, nogil=True)
def out(events, envelope, cell_ends, cell, lane, c, most):
    """The line just came back steeply: was it cut off as steeply up to a second before?

    envelope (cells of 1.05 s, 16): largest magnitudes of the last cells; this one's is `most`.
    """
    ring = envelope.shape[0]
    reach = min(cell, ring - 12)
    inside = 0
    floor = most
    k = cell - 1
    last = envelope[k % ring, lane]
    if last >= OUT_QUIET * most:  # the cell before may hold the first samples of the return, if it did not tell itself
        k -= 1
        if last >= OUT_LEAST and envelope[k % ring, lane] < OUT_QUIET * last:
            return
    end = k + 1
    limit = OUT_QUIET * most
    while inside < reach and envelope[k % ring, lane] < limit:
        floor = min(floor, envelope[k % ring, lane])
        inside += 1
        k -= 1
    if inside < 4 or inside >= reach:
        return
    before = np.float32(0.0)
    for i in range(1, 6):
        before = max(before, envelope[(k - i) % ring, lane])
    quiet = np.float32(0.0)
    for i in range(3, inside + 1):  # the fall may take two cells
        quiet = max(quiet, envelope[(k + i) % ring, lane])
    if before < OUT_LEAST or before < OUT_BACK * most or quiet > OUT_FLOOR * before:
        return
    start = cell_ends[k % ring]
    length = cell_ends[(end - 1) % ring] - start
    record(events, OUT, c, start, length, np.float64(length), np.float64(before), np.float64(floor))


@njit(cache=True, nogil=True)
def flat_tops(events, levels, tile, row0, rows, lane, c, most, row_of_frame_0, full_scale):
    """Tops cut off below full scale, told from smooth ones without knowing pitch or level.

    Let a run of samples lie within a share w of the highest value m, and let s be the slope at which the wave entered
    that run of L samples. For a parabola, and so for every smooth top, s x L = 4 w m whatever its curvature. A wave
    that is cut off with a corner has its full slope there; and the product over w grows when w is made narrower,
    which saturation with a soft knee does not do. The run may begin in an earlier cell, but ends in this one.
    """
    if most >= full_scale:
        return
    for sign in (np.float32(1.0), np.float32(-1.0)):
        row = row0 - 2
        while row < row0 + rows:
            if sign * tile[row * 16 + lane] < most * (1 - FLAT_WIDE):
                row += 1
                continue
            first = row
            while first > row0 - FLAT_REACH and sign * tile[(first - 1) * 16 + lane] >= most * (1 - FLAT_WIDE):
                first -= 1
            end = row + 1
            top = np.float32(0.0)
            while end < row0 + rows and sign * tile[end * 16 + lane] >= most * (1 - FLAT_WIDE):
                end += 1
            row = end
            if end >= row0 + rows - 1 or first <= row0 - FLAT_REACH:
                continue
            for i in range(first, end):
                top = max(top, sign * tile[i * 16 + lane])
            while sign * tile[first * 16 + lane] < top * (1 - FLAT_WIDE):
                first += 1
            while sign * tile[(end - 1) * 16 + lane] < top * (1 - FLAT_WIDE):
                end -= 1
            if end < row0 - 1 or end - first < FLAT_LEAST:  # found in the cell before, or none
                continue
            wide = _product(tile, first, end, lane, sign) / (FLAT_WIDE * top)
            if wide < FLAT_CORNER:
                continue
            a, b, inner = end, first, 0
            for i in range(first, end):
                if sign * tile[i * 16 + lane] > top * (1 - FLAT_NARROW):
                    a = min(a, i)
                    b = i + 1
                    inner += 1
            if inner < FLAT_LEAST - 1 or inner < 0.7 * (b - a):
                continue
            if _product(tile, a, b, lane, sign) / (FLAT_NARROW * top) > wide * FLAT_HARDER:
                record(
                    events,
                    FLAT,
                    c,
                    first - row_of_frame_0,
                    end - first,
                    np.float64(end - first),
                    np.float64(top * sign),
                    0.0,
                )
                level = int(-80.0 * np.log10(top))
                levels[c, min(max(level, 0), FLAT_LEVELS - 1)] += 1


@njit(cache=True, nogil=True)
def _product(tile, first, end, lane, sign):
    """The smaller of the slopes of entry and exit, times the length of the run."""
    entry = sign * (tile[first * 16 + lane] - tile[(first - 2) * 16 + lane])
    leave = sign * (tile[(end - 1) * 16 + lane] - tile[(end + 1) * 16 + lane])
    return min(entry, leave) * np.float32(0.5) * (end - first)
