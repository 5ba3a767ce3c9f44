"""Linear timecode: 80 bits a frame of picture as sound, written and read.

Source: SMPTE ST 12-1 (bit assignment, biphase mark, sync word, polarity correction bit, rise time 40 us).

Writing places every transition at its exact, fractional sample. Reading goes by transitions alone, so polarity does
not matter; a slicer that follows the signal's own extremes makes it independent of level and offset, and a tracked
bit period of speed. Only forward running code is read: a show's timecode does not run backwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid
from nightreel.signal.timecode import Timecode, TimecodeRate, timecode_at

BITS = 80
SYNC_WORD = 0b0011_1111_1111_1101  # as sent, first bit left
_RISE_S = 40e-6 / 0.59  # whole cosine ramp whose middle 80 % last 40 us
_SLOWEST_BITS_HZ, _FASTEST_BITS_HZ = 1_200.0, 3_600.0  # 24 fps at five eighths, 30 fps at one and a half times speed
_LEAST_LEVEL = 1e-4  # -80 dBFS: below this there is no code to read


@dataclass(frozen=True, slots=True, kw_only=True)
class LtcFrame:
    """One frame read. ``start`` is where its first bit begins, in frames of audio, to a fraction."""

    start: float
    label: Timecode
    user_bits: int
    bit_frames: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LtcRun:
    """Frames that follow each other without a jump.

    rate : the rate its labels and its speed fit best
    speed_ppm : how much faster it runs than that rate by the recording's clock
    """

    first: LtcFrame
    last: LtcFrame
    frames: int
    rate: TimecodeRate
    speed_ppm: float

    @property
    def end(self) -> float:
        """Where its last frame ends, in frames of audio."""
        return self.last.start + BITS * self.last.bit_frames


# Writing ------------------------------------------------------------------------------------------------------


def frame_bits(label: Timecode, rate: TimecodeRate, user_bits: int = 0) -> NDArray[np.uint8]:
    """The 80 bits of one frame in the order they are sent; the polarity bit keeps the number of zeros even."""
    word = label.frames % 10 | (label.frames // 10) << 8 | rate.drop << 10
    word |= (label.seconds % 10) << 16 | (label.seconds // 10) << 24
    word |= (label.minutes % 10) << 32 | (label.minutes // 10) << 40
    word |= (label.hours % 10) << 48 | (label.hours // 10) << 56
    for group in range(8):
        word |= (user_bits >> 4 * group & 0xF) << (4 + 8 * group)
    if (word.bit_count() + SYNC_WORD.bit_count()) % 2:
        word |= 1 << (59 if rate.count == 25 else 27)
    bits = [word >> i & 1 for i in range(64)] + [SYNC_WORD >> 15 - i & 1 for i in range(16)]
    return np.array(bits, dtype=np.uint8)


def encode_ltc(
    *,
    start: Timecode,
    rate: TimecodeRate,
    rate_hz: int,
    frames: int,
    level_dbfs: float = -18.0,
    speed: float = 1.0,
    user_bits: int = 0,
) -> NDArray[np.float32]:
    """Timecode as sound, from the label `start` at its first sample on; float32, shape (frames,), audio frames.

    level_dbfs : of its peaks. speed : 1.0 is the rate itself

    Raises ArgumentInvalid where the label does not exist at this rate.
    """
    if not start.fits(rate):
        raise ArgumentInvalid(f"there is no label {start} at {rate.words}", now="Use a label that the rate counts")
    bit_frames = rate_hz / (float(rate.fps) * speed * BITS)
    pictures = int(frames / (bit_frames * BITS)) + 2
    first = start.number(rate)
    bits = np.concatenate([frame_bits(timecode_at(first + i, rate), rate, user_bits) for i in range(pictures)])
    begins = np.arange(len(bits)) * bit_frames
    transitions = np.sort(np.concatenate([begins, begins[bits == 1] + bit_frames / 2]))
    ramp = _RISE_S * rate_hz
    signal = np.empty(frames, dtype=np.float32)
    for at in range(0, frames, 1 << 16):
        n = np.arange(at, min(frames, at + (1 << 16)), dtype=np.float64)
        after = np.searchsorted(transitions, n, side="right")
        since = n - transitions[after - 1]
        until = transitions[np.minimum(after, len(transitions) - 1)] - n
        shape = np.sin(np.pi / 2 * np.minimum(1.0, np.minimum(since, until) / (ramp / 2)))
        signal[at : at + len(n)] = np.where(after % 2 == 1, shape, -shape)
    signal *= np.float32(10 ** (level_dbfs / 20))
    return signal


# Reading ------------------------------------------------------------------------------------------------------

_COLUMNS = 5  # of a row of frames read: start, bit period, low and high half of the 64 bits, spare


@njit(cache=True, nogil=True)
def _read(x, first, fall, slicer, times, intervals, bits, rows):  # type: ignore[no-untyped-def]
    """Frames of code in `x`, whose first sample is frame `first`. Everything but `x` is state; returns rows filled.

    slicer : highest, lowest, side (+1, -1), last sample, time of the last transition, bit period (0: not known),
             time of an unpaired half (-1: none), bits held, intervals seen, odd intervals of late, last crossing of
             the middle, shortest and longest bit period that is looked for
    times, bits : rings of 128: where each bit began, and which it was; intervals : ring of 128
    """
    count = 0
    for i in range(x.size):
        v = x[i]
        high, low = slicer[0], slicer[1]
        middle = (high + low) / 2
        swing = (high - low) / 2
        high = v if v > high else middle + (high - middle) * fall
        low = v if v < low else middle + (low - middle) * fall
        slicer[0], slicer[1] = high, low
        before = slicer[3]
        slicer[3] = v
        # A transition is a crossing of the middle that goes on to a quarter of the swing.
        side = slicer[2]
        if (v - middle) * side < 0 and (before - middle) * side >= 0:
            slicer[10] = first + i - 1 + (before - middle) / (before - v)
        if (v - middle) * side >= -0.25 * swing or swing < _LEAST_LEVEL:
            continue
        slicer[2] = -side
        time = slicer[10]
        interval = time - slicer[4]
        slicer[4] = time
        seen = int(slicer[8])
        intervals[seen % 128] = interval
        slicer[8] = seen + 1
        period = slicer[5]
        if period == 0.0:
            if seen < 127:
                continue
            longest = 0.0
            shortest = 1e30
            for k in range(128):
                longest = max(longest, intervals[k])
                shortest = min(shortest, intervals[k])
            if not (1.5 * shortest < longest < 2.6 * shortest):
                continue
            whole, n = 0.0, 0
            for k in range(128):
                if intervals[k] > 0.72 * longest:
                    whole += intervals[k]
                    n += 1
            period = whole / n
            if not (slicer[11] < period < slicer[12]):
                continue
            slicer[5] = period
            slicer[6] = -1.0
            slicer[7] = 0.0
            slicer[9] = 0.0
        bit = -1
        begin = 0.0
        if 0.75 * period < interval < 1.4 * period and slicer[6] < 0:
            bit = 0
            begin = time - interval
            slicer[5] += 0.02 * (interval - period)
        elif 0.3 * period < interval <= 0.75 * period:
            if slicer[6] < 0:
                slicer[6] = time - interval
            else:
                bit = 1
                begin = slicer[6]
                slicer[6] = -1.0
                slicer[5] += 0.02 * (time - begin - period)
        else:  # not a bit: out of step, or no code
            slicer[6] = -1.0
            slicer[7] = 0.0
            slicer[9] += 1
            if slicer[9] > 200 or interval > 40 * period:
                slicer[5] = 0.0
                slicer[8] = 0.0
            continue
        if bit < 0:  # the first half of a one
            continue
        slicer[9] = max(0.0, slicer[9] - 0.25)
        held = int(slicer[7])
        bits[held % 128] = bit
        times[held % 128] = begin
        held += 1
        slicer[7] = held
        if held < 16:
            continue
        word = 0
        for k in range(16):
            word = word << 1 | bits[(held - 16 + k) % 128]
        if word != SYNC_WORD or held < BITS:
            continue
        low_half, high_half = 0, 0
        for k in range(32):
            low_half |= bits[(held - 80 + k) % 128] << k
            high_half |= bits[(held - 48 + k) % 128] << k
        if count < rows.shape[0]:
            rows[count, 0] = times[(held - 80) % 128]
            rows[count, 1] = (time - times[(held - 80) % 128]) / 80.0
            rows[count, 2] = low_half
            rows[count, 3] = high_half
            count += 1
    return count


class LtcReader:
    """Reads code from consecutive mono blocks: feed, and take the frames that each block completed."""

    def __init__(self, rate_hz: int, first_frame: int = 0) -> None:
        self._rate_hz = rate_hz
        self._at = first_frame
        self._slicer = np.zeros(13)
        self._slicer[2] = 1.0
        self._slicer[11] = rate_hz / _FASTEST_BITS_HZ
        self._slicer[12] = rate_hz / _SLOWEST_BITS_HZ
        self._fall = float(np.exp(-1.0 / (0.02 * rate_hz)))  # the slicer forgets an extreme within 20 ms
        self._times = np.zeros(128)
        self._intervals = np.zeros(128)
        self._bits = np.zeros(128, dtype=np.int64)

    def feed(self, samples: NDArray[np.float32]) -> tuple[LtcFrame, ...]:
        """float32 (frames,), finite. Frames whose labels cannot be (a digit above nine) are left out."""
        x = np.ascontiguousarray(samples, dtype=np.float32)
        rows = np.zeros((int(len(x) * _FASTEST_BITS_HZ / self._rate_hz / BITS) + 2, _COLUMNS))
        count = _read(x, float(self._at), self._fall, self._slicer, self._times, self._intervals, self._bits, rows)
        self._at += len(x)
        frames = []
        for start, bit_frames, low, high, _ in rows[:count].tolist():
            frame = _frame(start, bit_frames, int(low) | int(high) << 32)
            if frame is not None:
                frames.append(frame)
        return tuple(frames)


def read_ltc(samples: NDArray[np.float32], *, rate_hz: int, first_frame: int = 0) -> tuple[LtcFrame, ...]:
    """All frames of code in a mono signal, float32 (frames,)."""
    return LtcReader(rate_hz, first_frame).feed(samples)


def _frame(start: float, bit_frames: float, word: int) -> LtcFrame | None:
    def digits(units_at: int, tens_at: int, tens_bits: int) -> int | None:
        units, tens = word >> units_at & 0xF, word >> tens_at & ((1 << tens_bits) - 1)
        return tens * 10 + units if units < 10 else None

    frames, seconds = digits(0, 8, 2), digits(16, 24, 3)
    minutes, hours = digits(32, 40, 3), digits(48, 56, 2)
    if frames is None or seconds is None or minutes is None or hours is None:
        return None
    if frames > 29 or seconds > 59 or minutes > 59 or hours > 23:
        return None
    label = Timecode(hours=hours, minutes=minutes, seconds=seconds, frames=frames, drop=bool(word >> 10 & 1))
    user_bits = sum((word >> (4 + 8 * group) & 0xF) << 4 * group for group in range(8))
    return LtcFrame(start=start, label=label, user_bits=user_bits, bit_frames=bit_frames)


# Judging ------------------------------------------------------------------------------------------------------


def find_ltc_rate(frames: Sequence[LtcFrame], *, rate_hz: int) -> TimecodeRate | None:
    """The rate that the labels and the speed of the code fit best; None without at least two frames.

    Labels tell 24, 25 and 30 apart once a second has turned; the speed tells 23.976 from 24 and 29.97 from 30 (0.1 %).
    """
    if len(frames) < 2:
        return None
    fps = rate_hz / (BITS * float(np.median([f.bit_frames for f in frames])))
    turns = [a.label.frames for a, b in pairwise(frames) if b.label.frames in (0, 2) and a.label.frames > 22]
    count = max(turns) + 1 if turns else 0
    drop = sum(f.label.drop for f in frames) * 2 > len(frames)
    fitting = [
        rate for rate in TimecodeRate if rate.drop == drop and (rate.count == count or count not in (24, 25, 30))
    ]
    return min(fitting, key=lambda rate: abs(float(rate.fps) / fps - 1.0), default=None)


def find_ltc_runs(frames: Sequence[LtcFrame], *, rate_hz: int) -> tuple[LtcRun, ...]:
    """Runs without a jump: labels count up by one, and each frame begins where the last one ended (to half a frame)."""
    rate = find_ltc_rate(frames, rate_hz=rate_hz)
    if rate is None:
        return ()
    runs = []
    begin = 0
    for i in range(1, len(frames) + 1):
        if i < len(frames) and _follows(frames[i - 1], frames[i], rate):
            continue
        first, last = frames[begin], frames[i - 1]
        count = i - begin
        speed = 0.0
        if count > 1:
            expected = rate_hz / float(rate.fps)
            speed = (expected * (count - 1) / (last.start - first.start) - 1.0) * 1e6
        runs.append(LtcRun(first=first, last=last, frames=count, rate=rate, speed_ppm=speed))
        begin = i
    return tuple(runs)


def _follows(a: LtcFrame, b: LtcFrame, rate: TimecodeRate) -> bool:
    step = (b.label.number(rate) - a.label.number(rate)) % rate.frames_a_day
    return step == 1 and abs(b.start - a.start - BITS * a.bit_frames) < BITS * a.bit_frames / 2
