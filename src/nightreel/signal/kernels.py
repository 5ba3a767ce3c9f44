"""The one pass over the samples that feeds every meter, compiled by Numba.

Sixteen channels travel side by side (LANES), laid out so that one row of a tile is one frame of sixteen channels:
every inner loop runs over the lanes, which the compiler turns into vector instructions. What depends on single
samples (runs at full scale, runs of zeros, inter-sample peaks) is only looked at where the extremes of a sub-block
of SUB_BLOCK frames say that something may be there; the result is exact nevertheless.

Arrays in, arrays changed in place, nothing returned but counts. The state and its meaning belong to ``meters``.
"""

# mypy: allow-untyped-defs
# Numba compiles these for the array types they are called with; annotations would only restate them.

from __future__ import annotations

import numpy as np
from numba import njit

LANES = 16
SUB_BLOCK = 32
HISTORY = 32  # frames kept in front of each piece: the taps of the interpolator and two for second differences
PIECE = 480
TAPS = 24
LARGEST = np.float32(1e18)  # anything beyond is no sample but damage, as NaN and infinity are; taken as zero
ZERO32, ONE32 = np.float32(0.0), np.float32(1.0)

# Rows of a lane group's state, float64: four of the filters, then the sums that follow (see `_sums`).
STATE_ROWS = 7

# Kinds of runs.
OVER, ZERO = 0, 1
RUN_KINDS = 2


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
def _extremes(tile, first, rows, most, bend):
    """Largest magnitude and largest second difference of each lane over `rows` rows, into most and bend (16)."""
    for lane in range(16):
        most[lane] = 0.0
        bend[lane] = 0.0
    for row in range(first, first + rows):
        x = tile[(row - 2) * 16 : (row + 1) * 16]
        for lane in range(16):
            v = x[32 + lane]
            d = abs((v - x[16 + lane]) - (x[16 + lane] - x[lane]))
            v = abs(v)
            most[lane] = v if v > most[lane] else most[lane]
            bend[lane] = d if d > bend[lane] else bend[lane]


@njit(cache=True, nogil=True, fastmath={"contract"})
def _between_samples(tile, first, rows, lane, taps, column, line):
    """Largest magnitude between the samples: every phase of the interpolator over `rows` rows of one lane."""
    for i in range(rows + TAPS - 1):
        column[i] = tile[(first - TAPS + 1 + i) * 16 + lane]
    for i in range(rows + TAPS - 1, SUB_BLOCK + TAPS - 1):
        column[i] = 0.0
    most = column[0] * 0
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
def keep_span(starts, lengths, held, start, length):
    """Keep the longest spans (of equals the earliest): at most starts.size of them. Returns how many are held."""
    if held < starts.size:
        starts[held] = start
        lengths[held] = length
        return held + 1
    worst = 0
    for i in range(1, held):
        if lengths[i] < lengths[worst] or (lengths[i] == lengths[worst] and starts[i] > starts[worst]):
            worst = i
    if length > lengths[worst] or (length == lengths[worst] and start < starts[worst]):
        starts[worst] = start
        lengths[worst] = length
    return held


@njit(cache=True, nogil=True)
def close_run(kind, c, end, first_frame, shortest, tail, head, count, total, starts, lengths, held):
    """A run of `kind` that is open on channel `c` ends at frame `end`: into the head if it began with the span."""
    length = tail[kind, c]
    tail[kind, c] = 0
    if length == 0:
        return
    if end - length == first_frame:
        head[kind, c] = length
    elif length >= shortest[kind]:
        count[kind, c] += 1
        total[kind, c] += length
        held[kind, c] = keep_span(starts[kind, c], lengths[kind, c], held[kind, c], end - length, length)


@njit(cache=True, nogil=True)
def _full_scale_runs(tile, row0, rows, lane, full_scale, frame, c, first_frame, shortest, tail, head, count, total,
                     starts, lengths, held, at_full_scale):  # fmt: skip
    for row in range(rows):
        if abs(tile[(row0 + row) * 16 + lane]) >= full_scale:
            tail[OVER, c] += 1
            at_full_scale[c] += 1
        elif tail[OVER, c] > 0:
            close_run(OVER, c, frame + row, first_frame, shortest, tail, head, count, total, starts, lengths, held)


@njit(cache=True, nogil=True)
def _zero_runs(tile, row0, rows, lane, silent, frame, c, first_frame, shortest, tail, head, count, total,
               starts, lengths, held):  # fmt: skip
    """Only runs that touch an edge of the sub-block matter: one inside is shorter than the shortest that counts."""
    if silent:
        tail[ZERO, c] += rows
        return
    leading = 0
    if tail[ZERO, c] > 0:
        while tile[(row0 + leading) * 16 + lane] == 0.0:
            leading += 1
        tail[ZERO, c] += leading
        close_run(ZERO, c, frame + leading, first_frame, shortest, tail, head, count, total, starts, lengths, held)
    elif frame == first_frame:
        while tile[(row0 + leading) * 16 + lane] == 0.0:
            leading += 1
        head[ZERO, c] = leading
    trailing = 0
    while tile[(row0 + rows - 1 - trailing) * 16 + lane] == 0.0:
        trailing += 1
    tail[ZERO, c] = trailing


@njit(cache=True, nogil=True)
def accumulate(block, start, first_frame, hop, sub, full_scale, shortest, coef, taps, abs_gain, bend_gain, weights,
               history, state, reach, window, window_sums, window_filled, most_momentary,
               hop_peak, hop_squares, hop_loud, base_hop, sum_of_samples, peak, between, tail, head, count, total,
               starts, lengths, held, at_full_scale, not_numbers):  # fmt: skip
    """Feed `block` (frames, channels) that begins at frame `start` of a span that began at `first_frame`.

    hop, sub : frames of the 100 ms and the 10 ms grid, both counted from frame 0 of the take
    history (groups, HISTORY * 16), state (groups, STATE_ROWS * 16), reach (groups, 32): per lane group
    window (columns, 40): the last forty K-weighted 10 ms sums; columns are channels, then programmes (weights)
    hop_* (hops, channels): row 0 is hop number `base_hop`
    """
    frames, channels = block.shape
    groups = history.shape[0]
    programmes = weights.shape[0]
    slots = window.shape[1]
    tile = np.zeros((HISTORY + PIECE) * 16, dtype=np.float32)
    most = tile[:16].copy()
    bend = tile[:16].copy()
    bad = tile[:16].copy()
    column = tile[: SUB_BLOCK + TAPS].copy()
    line = tile[:32].copy()
    done = 0
    while done < frames:
        frame = start + done
        rows = min(PIECE, frames - done, sub - frame % sub)
        hop_row = frame // hop - base_hop
        for group in range(groups):
            c0 = group * 16
            width = min(16, channels - c0)
            past = history[group]
            for i in range(HISTORY * 16):
                tile[i] = past[i]
            for lane in range(16):
                bad[lane] = ZERO32
            if width == 16:
                for row in range(rows):
                    source = block[done + row, c0 : c0 + 16]
                    into = tile[(HISTORY + row) * 16 : (HISTORY + row + 1) * 16]
                    for lane in range(16):
                        v = source[lane]
                        good = abs(v) <= LARGEST
                        into[lane] = v if good else ZERO32
                        bad[lane] += ZERO32 if good else ONE32
            else:
                for row in range(rows):
                    into = tile[(HISTORY + row) * 16 : (HISTORY + row + 1) * 16]
                    for lane in range(width):
                        v = block[done + row, c0 + lane]
                        good = abs(v) <= LARGEST
                        into[lane] = v if good else ZERO32
                        bad[lane] += ZERO32 if good else ONE32
                    for lane in range(width, 16):
                        into[lane] = ZERO32
            sums = state[group]
            _sums(tile, HISTORY, rows, sums, coef)
            ranges = reach[group]
            row0 = 0
            while row0 < rows:
                n = min(SUB_BLOCK, rows - row0)
                at = HISTORY + row0
                _extremes(tile, at, n, most, bend)
                for lane in range(width):
                    c = c0 + lane
                    m = most[lane]
                    if m > hop_peak[hop_row, c]:
                        hop_peak[hop_row, c] = m
                        if m > peak[c]:
                            peak[c] = m
                    b = bend[lane]
                    near = max(m, ranges[lane])
                    bent = max(b, ranges[16 + lane])
                    if n >= TAPS:
                        ranges[lane] = m
                        ranges[16 + lane] = b
                    else:
                        ranges[lane] = near
                        ranges[16 + lane] = bent
                    if min(abs_gain * near, near + bend_gain * bent) > between[c] and taps.shape[0] > 0:
                        v = _between_samples(tile, at, n, lane, taps, column, line)
                        if v > between[c]:
                            between[c] = v
                    f = frame + row0
                    if m >= full_scale:
                        _full_scale_runs(tile, at, n, lane, full_scale, f, c, first_frame, shortest, tail, head,
                                         count, total, starts, lengths, held, at_full_scale)  # fmt: skip
                    elif tail[OVER, c] > 0:
                        close_run(OVER, c, f, first_frame, shortest, tail, head, count, total, starts, lengths, held)
                    _zero_runs(tile, at, n, lane, m == 0.0, f, c, first_frame, shortest, tail, head, count, total,
                               starts, lengths, held)  # fmt: skip
                row0 += n
            for i in range(HISTORY * 16):
                past[i] = tile[rows * 16 + i]
            for lane in range(width):
                c = c0 + lane
                not_numbers[c] += int(bad[lane])
                sum_of_samples[c] += sums[64 + lane]
                hop_squares[hop_row, c] += sums[80 + lane]
                hop_loud[hop_row, c] += sums[96 + lane]
                window_sums[c] += sums[96 + lane]
            for lane in range(16):
                sums[64 + lane] = 0.0
                sums[80 + lane] = 0.0
                sums[96 + lane] = 0.0
        done += rows
        end = start + done
        if end % sub == 0:
            slot = (end // sub) % slots
            for c in range(channels):
                window[c, slot] = window_sums[c]
                window_sums[c] = 0.0
            for p in range(programmes):
                power = 0.0
                for c in range(channels):
                    power += weights[p, c] * window[c, slot]
                window[channels + p, slot] = power
            window_filled[0] += 1
            if window_filled[0] >= slots:
                for column_number in range(channels + programmes):
                    power = 0.0
                    for i in range(1, slots + 1):
                        power += window[column_number, (slot + i) % slots]
                    if power > most_momentary[column_number]:
                        most_momentary[column_number] = power
