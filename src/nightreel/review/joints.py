"""Where a line's samples do not join: places that no sound makes, and sudden outs.

Three things are listed while a line is read through, all cheap, all only *candidates* for the findings to judge:

- **joint**: a single place where the third difference of the samples stands far above its surroundings on both
  sides. A lost or repeated block, a sample written twice, a clock that is not locked and a crackling contact make such
  places; an attack does not, because what follows it is as rough as the place itself.
- **repeat**: samples that are, bit for bit, those of up to 4096 frames before, for as long as the distance between
  them: a buffer that was delivered twice.
- **out**: the 1 ms envelope falls by 40 dB or more within 3 ms and comes back as steeply, 3 ms to 5 s later.

No published source: the method is ours, its thresholds were set on the bench of planted faults (docs/review.md).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]

CELL = 64  # frames a cell of the roughness measure
JOINT_RATIO = 10.0  # third difference at a joint over the mean of its surroundings
MAX_JOINTS = 20_000  # a line; beyond that only the count goes on
MAX_OUTS = 5_000
MAX_REPEATS = 2_000
REPEAT_REACH = 4096  # frames; buffers of real drivers are no longer
LEAST_REPEAT = 32
_HASH = np.uint32(2654435761)
FALL_DB = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Joints:
    """Candidates of one line.

    joint_frame, joint_ratio, joint_step : place, how far it stands out, and the size of the third difference there
    joints : how many there were in all (more than are listed, where the list was cut)
    out_first, out_end, out_before, out_floor : frames of each out, the envelope before it and its floor inside
    """

    joint_frame: NDArray[np.int64]
    joint_ratio: F32
    joint_step: F32
    joints: int
    out_first: NDArray[np.int64]
    out_end: NDArray[np.int64]
    out_before: F32
    out_floor: F32
    repeat_frame: NDArray[np.int64]  # first frame of each repeated run
    repeat_frames: NDArray[np.int64]  # its length
    repeat_distance: NDArray[np.int64]  # how far back the original lies


@njit(cache=True, nogil=True)
def _third(x, i):  # type: ignore[no-untyped-def]
    return abs((x[i] - x[i - 3]) - np.float32(3.0) * (x[i - 1] - x[i - 2]))


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _roughness(x, start, end):  # type: ignore[no-untyped-def]
    """Mean and highest third difference; sums may be taken in any order (vector registers), the input is finite."""
    total = np.float32(0.0)
    most = np.float32(0.0)
    for i in range(start, end):
        d = abs((x[i] - x[i - 3]) - np.float32(3.0) * (x[i - 1] - x[i - 2]))
        total += d
        most = max(most, d)
    return total / np.float32(CELL), most


@njit(cache=True, nogil=True)
def _scan(x, first, frames_list, ratios, steps, count):  # type: ignore[no-untyped-def]
    """Joints in ``x``, whose first and last two cells are only context. Returns how many are listed, and how many
    seen."""
    cells = x.size // CELL
    mean = np.zeros(cells, np.float32)
    top = np.zeros(cells, np.float32)
    for c in range(cells):
        mean[c], top[c] = _roughness(x, max(3, c * CELL), (c + 1) * CELL)
    listed = count
    seen = 0
    for c in range(2, cells - 2):
        before = max(mean[c - 1], mean[c - 2])
        after = max(mean[c + 1], mean[c + 2])
        around = max(before, after)
        if top[c] <= JOINT_RATIO * around or top[c] < 3e-6:
            continue
        # What the joint itself adds to its own cell and to its neighbour across a cell's edge must not hide it.
        seen += 1
        if listed < frames_list.size:
            place = c * CELL
            for i in range(max(3, c * CELL), (c + 1) * CELL):
                if _third(x, i) == top[c]:
                    place = i
            frames_list[listed] = first + place
            ratios[listed] = top[c] / (around + np.float32(1e-9))
            steps[listed] = top[c]
            listed += 1
    return listed, seen


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _envelope(x, cell, out):  # type: ignore[no-untyped-def]
    for c in range(out.size):
        most = np.float32(0.0)
        for i in range(c * cell, (c + 1) * cell):
            most = max(most, abs(x[i]))
        out[c] = most


@njit(cache=True, nogil=True)
def _outs(env, state, firsts, ends, befores, floors, count):  # type: ignore[no-untyped-def]
    """Sudden outs in a 1 ms envelope. ``state`` carries [cell, out start or -1, level before, floor, e1..e4, slow]."""
    fall = np.float32(10.0 ** (-FALL_DB / 20.0))
    for k in range(env.size):
        e = env[k]
        cell = state[0]
        recent = max(state[4], state[5], state[6])
        if state[1] < 0:
            oldest = max(state[6], state[7])
            # the level just before must be near what the line was doing, and fall steeply
            if e < oldest * fall and oldest > 0.1 * state[8] and oldest > 1e-3:
                state[1] = cell
                state[2] = max(oldest, state[8] * np.float32(0.5))
                state[3] = e
        else:
            if e > state[2] * np.float32(0.06):
                steep = min(state[5], state[6]) < state[2] * np.float32(0.015)
                length = cell - state[1]
                if steep and 3 <= length <= 5000 and count < firsts.size:
                    firsts[count] = int(state[1])
                    ends[count] = int(cell)
                    befores[count] = state[2]
                    floors[count] = state[3]
                    count += 1
                state[1] = -1
            elif cell - state[1] > 5000:
                state[1] = -1
            elif cell - state[1] > 2 and e > state[3]:
                state[3] = e if e < state[2] * np.float32(0.02) else state[3]
        state[7] = state[6]
        state[6] = state[5]
        state[5] = state[4]
        state[4] = e
        state[8] = max(state[8] * np.float32(0.995), recent)
        state[0] = cell + 1
    return count


@njit(cache=True, nogil=True)
def _repeats(x, bits, anchors, first, table, out, count, skip_to):  # type: ignore[no-untyped-def]
    """Runs of ``x`` through ``anchors`` that equal earlier samples bit for bit.

    Anchors are chosen by content (one sample in sixteen, by a hash of its bits), so that the same samples are anchors
    wherever they occur; ``table`` maps an anchor's samples to where they were seen last. Returns the number of runs
    listed, and where the last run ended.
    """
    n = x.size
    low = np.uint64(0xFFFFFFFF)
    for i in anchors:
        if i > n - 4 or x[i] == np.float32(0.0) or x[i] == x[i + 1]:
            continue
        h = np.uint64(bits[i]) * np.uint64(2654435761)
        h ^= np.uint64(bits[i + 1]) * np.uint64(2246822519) ^ np.uint64(bits[i + 2]) * np.uint64(3266489917)
        slot = ((h * np.uint64(668265263)) & low) >> np.uint64(20)
        seen = table[slot]
        table[slot] = first + i
        distance = first + i - seen
        if seen < 0 or distance > REPEAT_REACH or distance < 8 or i - distance < 0 or first + i < skip_to:
            continue
        if x[i] != x[i - distance] or x[i + 1] != x[i + 1 - distance] or x[i + 2] != x[i + 2 - distance]:
            continue
        a = i
        while a - 1 - distance >= 0 and x[a - 1] == x[a - 1 - distance]:
            a -= 1
        b = i + 1
        while b < n and x[b] == x[b - distance]:
            b += 1
        skip_to = first + b
        if b - a < max(LEAST_REPEAT, distance - 4) or count >= out.shape[0]:
            continue
        out[count, 0] = first + a
        out[count, 1] = b - a
        out[count, 2] = distance
        count += 1
    return count, skip_to


@dataclass(slots=True)
class JointsBuilder:
    """Feed consecutive mono blocks; state: two cells of context and one open millisecond."""

    rate_hz: int
    _tail: F32 = field(init=False)
    _tail_first: int = field(init=False, default=0)
    _frames: NDArray[np.int64] = field(init=False)
    _ratios: F32 = field(init=False)
    _steps: F32 = field(init=False)
    _listed: int = field(init=False, default=0)
    _seen: int = field(init=False, default=0)
    _ms: int = field(init=False)
    _ms_tail: F32 = field(init=False)
    _state: NDArray[np.float64] = field(init=False)
    _out: tuple[NDArray[np.int64], NDArray[np.int64], F32, F32] = field(init=False)
    _outs_count: int = field(init=False, default=0)
    _past: F32 = field(init=False)
    _past_first: int = field(init=False, default=0)
    _table: NDArray[np.int64] = field(init=False)
    _repeat: NDArray[np.int64] = field(init=False)
    _repeats_count: int = field(init=False, default=0)
    _repeat_end: int = field(init=False, default=0)

    def __post_init__(self) -> None:
        self._tail = np.zeros(0, np.float32)
        self._frames = np.zeros(MAX_JOINTS, np.int64)
        self._ratios = np.zeros(MAX_JOINTS, np.float32)
        self._steps = np.zeros(MAX_JOINTS, np.float32)
        self._ms = max(1, round(self.rate_hz / 1000))
        self._ms_tail = np.zeros(0, np.float32)
        self._state = np.zeros(9)
        self._state[1] = -1
        self._past = np.zeros(0, np.float32)
        self._table = np.full(4096, -1, np.int64)
        self._repeat = np.zeros((MAX_REPEATS, 3), np.int64)
        self._out = (
            np.zeros(MAX_OUTS, np.int64),
            np.zeros(MAX_OUTS, np.int64),
            np.zeros(MAX_OUTS, np.float32),
            np.zeros(MAX_OUTS, np.float32),
        )

    def feed(self, block: F32) -> None:
        """Mono float32, finite, contiguous."""
        x = np.concatenate((self._tail, block))
        whole = len(x) // CELL * CELL
        if whole >= 5 * CELL:
            self._listed, seen = _scan(
                x[:whole], self._tail_first, self._frames, self._ratios, self._steps, self._listed
            )
            self._seen += seen
            keep = whole - 4 * CELL  # the last two scanned as context, two more as context before the next
            self._tail, self._tail_first = x[keep:].copy(), self._tail_first + keep
        else:
            self._tail = x
        y = np.concatenate((self._ms_tail, block))
        cells = len(y) // self._ms
        env = np.empty(cells, np.float32)
        _envelope(y, self._ms, env)
        self._outs_count = _outs(env, self._state, *self._out, self._outs_count)
        self._ms_tail = y[cells * self._ms :].copy()
        z = np.concatenate((self._past, block))
        bits = z.view(np.uint32)
        start = max(0, len(self._past) - 4)
        anchors = np.flatnonzero(bits[start:] * _HASH < np.uint32(1 << 28)) + start
        self._repeats_count, self._repeat_end = _repeats(
            z, bits, anchors, self._past_first, self._table, self._repeat, self._repeats_count, self._repeat_end
        )
        keep = min(len(z), 2 * REPEAT_REACH)
        self._past, self._past_first = z[len(z) - keep :].copy(), self._past_first + len(z) - keep

    def result(self) -> Joints:
        n, m = self._listed, self._outs_count
        firsts, ends, befores, floors = self._out
        return Joints(
            joint_frame=self._frames[:n].copy(),
            joint_ratio=self._ratios[:n].copy(),
            joint_step=self._steps[:n].copy(),
            joints=self._seen,
            out_first=firsts[:m] * self._ms,
            out_end=ends[:m] * self._ms,
            out_before=befores[:m].copy(),
            out_floor=floors[:m].copy(),
            repeat_frame=self._repeat[: self._repeats_count, 0].copy(),
            repeat_frames=self._repeat[: self._repeats_count, 1].copy(),
            repeat_distance=self._repeat[: self._repeats_count, 2].copy(),
        )
