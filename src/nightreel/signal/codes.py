"""Identification signals: shaped maximum-length sequences that let every return sound at once.

One period of a maximum-length sequence (m-sequence) of length N correlates with itself to N at shift 0 and to -1 at
every other shift. So shifts of *one* sequence are all but orthogonal, and one correlation of what a send brought in
shows every return at once, each at its own shift plus its own latency. A second sequence carries the same returns at
shifts in another order: only the true return gives the same latency in both, which tells shift from latency.

The sequences are shaped in the frequency domain to a bell between a few hundred hertz and 14 kHz, so that neither a
high-pass in a channel nor the band edge of a converter matters, and so that the correlation peak dies within half a
millisecond. All shifts share that spectrum. This module makes signals; :mod:`path_matrix` solves what comes back.

Source: ISO 18233 (acoustical measurement with maximum-length sequences); S. W. Golomb, *Shift Register Sequences*.
The bell, the timing and the choice of shifts are ours (see docs/linecheck.md).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid
from nightreel.units import amplitude_from_db

FloatArray = NDArray[np.float32]
RealArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

START_DBFS = -60.0
CEILING_DBFS = -30.0
LONGEST_LATENCY_S = 0.5
MOST_RETURNS = 128

# Middle terms of a primitive polynomial x^n + ... + 1 per order n (published tables; proved primitive in the tests).
PRIMITIVE_TAPS: Mapping[int, tuple[int, ...]] = MappingProxyType(
    {
        7: (6,),
        8: (7, 6, 1),
        9: (5,),
        10: (7,),
        11: (9,),
        12: (11, 10, 4),
        13: (12, 11, 8),
        14: (13, 12, 2),
        15: (14,),
        16: (15, 13, 4),
        17: (14,),
        18: (11,),
        19: (18, 17, 14),
        20: (17,),
    }
)

_BELL_TOP_HZ = 14_000.0
_BELL_SKEW = 0.5626  # puts the bell's middle at 4.1 kHz
_LONGEST_S = 4.0
_RAMP_S = 0.8
_TAIL_S = 0.02  # what a path may ring on after its latency
_FADE_S = 0.01


def reciprocal_taps(order: int, taps: tuple[int, ...]) -> tuple[int, ...]:
    """Taps of the reciprocal polynomial, primitive as well: its sequence is the first one read backwards."""
    return tuple(sorted((order - tap for tap in taps), reverse=True))


@lru_cache(maxsize=16)
def m_sequence(order: int, taps: tuple[int, ...] | None = None) -> NDArray[np.int8]:
    """One period of the maximum-length sequence as +1 and -1.

    Parameters
    ----------
    order : n, 7 to 20 unless ``taps`` are given
    taps : middle exponents of the primitive polynomial x^n + x^t + ... + 1; default from :data:`PRIMITIVE_TAPS`

    Returns
    -------
    int8, shape (2^n - 1,), read-only; starts from the all-ones register

    Raises ArgumentInvalid for an order without a table entry. Source: ISO 18233 Annex A.
    """
    if taps is None:
        if order not in PRIMITIVE_TAPS:
            raise ArgumentInvalid(f"no primitive polynomial of order {order} is listed", now="Choose an order 7 to 20")
        taps = PRIMITIVE_TAPS[order]
    length = (1 << order) - 1
    mask = 1
    for tap in taps:
        mask |= 1 << tap
    register = length
    bits = bytearray(length)
    for position in range(length):
        bits[position] = register & 1
        register = (register >> 1) | (((register & mask).bit_count() & 1) << (order - 1))
    sequence = (2 * np.frombuffer(bytes(bits), np.int8) - 1).astype(np.int8)
    sequence.flags.writeable = False
    return sequence


def bell(frequency_hz: NDArray[np.floating]) -> RealArray:
    """Power spectrum of the shaped signal, 1 in the middle (4.1 kHz), 0 at 0 Hz and from 14 kHz up."""
    part = np.clip(frequency_hz / _BELL_TOP_HZ, 0.0, 1.0)
    shape: RealArray = np.sin(np.pi * part**_BELL_SKEW) ** 4
    return shape


def shaped_period(sequence: NDArray[np.int8], rate_hz: int) -> RealArray:
    """One period of the sequence with the bell's spectrum, peak value 1. Float64, shape (N,)."""
    spectrum = np.fft.rfft(sequence.astype(np.float64))
    spectrum *= np.sqrt(bell(np.fft.rfftfreq(sequence.size, 1.0 / rate_hz)))
    period = np.fft.irfft(spectrum, sequence.size)
    peaked: RealArray = period / np.abs(period).max()
    return peaked


@dataclass(frozen=True, slots=True, kw_only=True)
class CodeSchedule:
    """What every return plays, frame by frame: ramp, settle, first sequence, settle, second sequence twice, fade.

    rate_hz : 44 100 to 192 000
    returns : 1 to 128, all sounding at once
    ceiling_dbfs : highest sample of the steady signal; at most -12
    start_dbfs : where the ramp starts
    variant : draws other shifts, for a second look at sends where two peaks fell on one place

    Source: ISO 18233 6.3 for excitation by whole periods after the system has settled.
    """

    rate_hz: int
    returns: int
    ceiling_dbfs: float = CEILING_DBFS
    start_dbfs: float = START_DBFS
    longest_latency_s: float = LONGEST_LATENCY_S
    variant: int = 0
    order: int = field(init=False)
    first_shifts: IntArray = field(init=False, repr=False, compare=False)
    second_shifts: IntArray = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not 44_100 <= self.rate_hz <= 192_000:
            raise ArgumentInvalid(f"{self.rate_hz} Hz is not a rate for identification", now="Use 44.1 to 192 kHz")
        if not 1 <= self.returns <= MOST_RETURNS:
            raise ArgumentInvalid(
                f"{self.returns} returns cannot sound at once", now=f"Check 1 to {MOST_RETURNS} at a time"
            )
        if not self.start_dbfs <= self.ceiling_dbfs <= -12.0:
            raise ArgumentInvalid(
                f"a ceiling of {self.ceiling_dbfs:g} dBFS from a start at {self.start_dbfs:g} dBFS is not allowed",
                now="Choose a ceiling between the start and -12 dBFS; -30 is enough for most desks",
            )
        if not 0.0 < self.longest_latency_s <= LONGEST_LATENCY_S:
            raise ArgumentInvalid(
                f"a longest latency of {self.longest_latency_s:g} s cannot be told apart",
                now=f"Use up to {LONGEST_LATENCY_S:g} s",
            )
        # The shortest order whose period outlasts latency and ringing.
        order = 13
        while (1 << order) - 1 < self.latency_frames + 4096:
            order += 1
        object.__setattr__(self, "order", order)
        first, second = _shifts((1 << order) - 1, self.variant)
        object.__setattr__(self, "first_shifts", first[: self.returns])
        object.__setattr__(self, "second_shifts", second[: self.returns])

    @property
    def period_frames(self) -> int:
        return (1 << self.order) - 1

    @property
    def latency_frames(self) -> int:
        """Longest latency that is searched, with a margin of 1 ms."""
        return round((self.longest_latency_s + 0.001) * self.rate_hz)

    @property
    def ramp_frames(self) -> int:
        """0.8 s, less where the whole would else take longer than 4 s (0.7 s at 44.1 kHz)."""
        rest = 2 * self.settle_frames + 3 * self.period_frames + self.fade_frames
        return min(round(_RAMP_S * self.rate_hz), round(_LONGEST_S * self.rate_hz) - rest)

    @property
    def fade_frames(self) -> int:
        return round(_FADE_S * self.rate_hz)

    @property
    def settle_frames(self) -> int:
        return self.latency_frames + round(_TAIL_S * self.rate_hz)

    @property
    def first_window(self) -> int:
        """First frame of the one period of the first sequence that is analysed."""
        return self.ramp_frames + self.settle_frames

    @property
    def second_window(self) -> int:
        """First frame of the two periods of the second sequence that are analysed."""
        return self.first_window + self.period_frames + self.settle_frames

    @property
    def total_frames(self) -> int:
        """Frames to play and to capture, the closing fade included."""
        return self.second_window + 2 * self.period_frames + self.fade_frames

    @property
    def amplitude(self) -> float:
        return amplitude_from_db(self.ceiling_dbfs)

    def sequences(self) -> tuple[RealArray, RealArray]:
        """The two shaped periods, peak value 1."""
        return _shaped_pair(self.order, self.rate_hz)

    def envelope(self, first_frame: int, frames: int) -> RealArray:
        """Gain of every return over these frames: even decibels up from the start level, steady, faded at the end."""
        at = np.arange(first_frame, first_frame + frames, dtype=np.float64)
        level_db = np.minimum(
            self.start_dbfs + (self.ceiling_dbfs - self.start_dbfs) * at / self.ramp_frames, self.ceiling_dbfs
        )
        left = np.clip((self.total_frames - 1 - at) / self.fade_frames, 0.0, 1.0)
        gain: RealArray = 10.0 ** (level_db / 20.0) * np.sin(0.5 * np.pi * left) ** 2
        gain[at < 0] = 0.0
        return gain

    def signal(self, first_frame: int, frames: int) -> FloatArray:
        """What to play: float32, shape (frames, returns); zeros before frame 0 and after the end."""
        first, second = self.sequences()
        turn = self.first_window + self.period_frames
        at = np.arange(first_frame, first_frame + frames)
        out = np.empty((frames, self.returns), np.float32)
        early = at < turn
        for period, start, shifts, part in (
            (first, self.first_window, self.first_shifts, early),
            (second, self.second_window, self.second_shifts, ~early),
        ):
            if part.any():
                phase = (at[part, None] - start - shifts[None, :]) % self.period_frames
                out[part] = period[phase]
        out *= self.envelope(first_frame, frames).astype(np.float32)[:, None]
        return out


@lru_cache(maxsize=4)
def _shaped_pair(order: int, rate_hz: int) -> tuple[RealArray, RealArray]:
    taps = PRIMITIVE_TAPS[order]
    pair = (
        shaped_period(m_sequence(order, taps), rate_hz),
        shaped_period(m_sequence(order, reciprocal_taps(order, taps)), rate_hz),
    )
    for period in pair:
        period.flags.writeable = False
    return pair


@lru_cache(maxsize=8)
def _shifts(period_frames: int, variant: int) -> tuple[IntArray, IntArray]:
    """Shifts of every return in both sequences: far apart in each, and far apart in their difference.

    The difference tells the return whatever its latency, so it is drawn first-fit from a fixed random order: a regular
    order would let two returns with one latency look like a third one between them.
    """
    random = np.random.default_rng([20_261_124, variant])
    step = period_frames // MOST_RETURNS
    apart, difference_apart = step // 2, min(48, step // 3)
    first = np.arange(MOST_RETURNS) * step + random.integers(0, step - apart + 1, MOST_RETURNS)
    second: list[int] = []
    taken = np.zeros(period_frames, bool)
    differences = np.zeros(period_frames, bool)

    def near(mask: NDArray[np.bool_], place: int, width: int) -> NDArray[np.bool_]:
        found: NDArray[np.bool_] = mask.take(np.arange(place - width + 1, place + width), mode="wrap")
        return found

    for own in first:
        for _ in range(10_000):
            place = int(random.integers(period_frames))
            difference = int(place - own) % period_frames
            if not near(taken, place, apart // 2).any() and not near(differences, difference, difference_apart).any():
                break
        else:
            raise AssertionError("no room for another shift")
        taken[place] = True
        differences[difference] = True
        second.append(place)
    return first.astype(np.int64), np.array(second, np.int64)
