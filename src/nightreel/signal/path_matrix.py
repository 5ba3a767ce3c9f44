"""Solve which return arrives on which send, from one capture of all sends while every return plays its own code.

One circular correlation per send and sequence shows every return at its own shift. A return is seen where both
sequences agree about latency and polarity; paths are taken strongest first and removed from both correlations before
weaker ones are looked for, so that the ringing of a strong path is not read as crosstalk. Clocks that run apart are
found from how far latencies moved between the two sequences, and undone before the final search.

Source: ISO 18233 (deconvolution by circular correlation with the sequence). Search, threshold and removal are ours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid
from nightreel.signal.codes import CodeSchedule, FloatArray, RealArray

# Both correlations must exceed this many standard deviations of their noise, with one sign and at one latency.
# By chance: (2 Q(5))^2 / 2 = 1.6e-13 per place, 6e-5 over the 4e8 places of a 128 x 128 matrix with 500 ms each.
_SIGMAS = 5.0
_DEEPEST_DB = -72.0  # below this nothing is claimed, however quiet a send is
_LEAD_FRAMES = 32  # search begins this far before latency 0
_SAME_PLACE_FRAMES = 8
_DRIFT_FRAMES = 10  # how far latencies may move between the sequences: 50 ppm need 4
_LOCKED_PPM = 1.0
_TAPS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """One return seen on one send (both from 0).

    gain_db : of what arrives against what was played, in the signal's band (about 1 to 8 kHz)
    polarity : +1 or -1
    gain_uncertainty_db : one standard deviation, from the noise of the send
    latency_frames : from being handed to the output to being handed in, to a fraction of a frame
    confidence : 0 to 1; chance that this is no accident of noise and that both sequences agree
    """

    return_index: int
    send_index: int
    gain_db: float
    gain_uncertainty_db: float
    polarity: int
    latency_frames: float
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PathMatrix:
    """What was solved. ``paths`` are ordered by send, strongest first within a send.

    noise_dbfs : (sends,) RMS of what is on a send besides the codes
    sensitivity_db : (sends,) a path of this gain would just have been seen
    clock_offset_ppm : by how much sends run against returns; 0.0 when nothing was heard
    """

    rate_hz: int
    returns: int
    sends: int
    paths: tuple[Path, ...]
    noise_dbfs: RealArray
    sensitivity_db: RealArray
    clock_offset_ppm: float
    clock_uncertainty_ppm: float

    @property
    def clocks_locked(self) -> bool:
        return abs(self.clock_offset_ppm) <= max(_LOCKED_PPM, 4.0 * self.clock_uncertainty_ppm)

    def on_send(self, send_index: int) -> tuple[Path, ...]:
        """Strongest first."""
        return tuple(path for path in self.paths if path.send_index == send_index)

    def from_return(self, return_index: int) -> tuple[Path, ...]:
        """Strongest first."""
        found = [path for path in self.paths if path.return_index == return_index]
        return tuple(sorted(found, key=lambda path: -path.gain_db))

    def gains_db(self) -> RealArray:
        """(returns, sends); -inf where nothing was seen."""
        gains = np.full((self.returns, self.sends), -np.inf)
        for path in self.paths:
            gains[path.return_index, path.send_index] = path.gain_db
        return gains


def solve_paths(capture: FloatArray, schedule: CodeSchedule) -> PathMatrix:
    """The path matrix of one capture.

    Parameters
    ----------
    capture : float32, shape (schedule.total_frames or more, sends); frame 0 came in while frame 0 of
        ``schedule.signal`` went out

    Returns
    -------
    PathMatrix with paths down to -72 dB, or as deep as the noise of each send lets them be seen

    Raises ArgumentInvalid for a capture that is too short.
    """
    if capture.ndim != 2 or capture.shape[0] < schedule.total_frames:
        raise ArgumentInvalid(
            f"a capture of shape {capture.shape} is too short for the identification signal",
            now=f"Capture {schedule.total_frames} frames of all sends",
        )
    first, second, noise = _correlate(capture, schedule, 0.0)
    offset_ppm, uncertainty_ppm = _find_clock_offset(first, second, schedule)
    if abs(offset_ppm) > max(_LOCKED_PPM, 4.0 * uncertainty_ppm):
        first, second, noise = _correlate(capture, schedule, offset_ppm)
        rest_ppm, _ = _find_clock_offset(first, second, schedule)
        if abs(rest_ppm) > 0.1:
            offset_ppm += rest_ppm
            first, second, noise = _correlate(capture, schedule, offset_ppm)
    paths: list[Path] = []
    thresholds = np.empty(capture.shape[1])
    for send in range(capture.shape[1]):
        found, thresholds[send] = _solve_send(first[send], second[send], schedule, send)
        paths.extend(found)
    with np.errstate(divide="ignore"):
        noise_dbfs = 20.0 * np.log10(noise)
    return PathMatrix(
        rate_hz=schedule.rate_hz,
        returns=schedule.returns,
        sends=capture.shape[1],
        paths=tuple(paths),
        noise_dbfs=noise_dbfs,
        sensitivity_db=20.0 * np.log10(thresholds),
        clock_offset_ppm=offset_ppm,
        clock_uncertainty_ppm=uncertainty_ppm,
    )


def _correlate(
    capture: FloatArray, schedule: CodeSchedule, offset_ppm: float
) -> tuple[FloatArray, FloatArray, RealArray]:
    """Both correlations, (sends, N) with 1.0 for a path of unit gain, and each send's noise RMS."""
    from scipy import fft

    period = schedule.period_frames
    windows = []
    for start, frames in ((schedule.first_window, period), (schedule.second_window, 2 * period)):
        if offset_ppm:
            windows.append(_retime(capture, start, frames, offset_ppm))
        else:
            windows.append(capture[start : start + frames])
    once = np.ascontiguousarray(windows[0].T)
    twice = np.ascontiguousarray(windows[1].T)
    early, late = twice[:, :period], twice[:, period:]
    noise = np.std(early - late, axis=1, dtype=np.float64) / math.sqrt(2.0)
    correlations = []
    for received, code in zip((once, 0.5 * (early + late)), schedule.sequences(), strict=True):
        spectrum = np.fft.rfft(code)
        scale = 1.0 / (schedule.amplitude * float(np.dot(code, code)))
        template = (np.conj(spectrum) * scale).astype(np.complex64)
        correlations.append(fft.irfft(fft.rfft(received, axis=1) * template, n=period, axis=1).astype(np.float32))
    return correlations[0], correlations[1], noise


def _retime(capture: FloatArray, start: int, frames: int, offset_ppm: float) -> FloatArray:
    """``frames`` frames as they would have come in had the clocks been locked. (frames, sends)."""
    place = np.arange(start, start + frames, dtype=np.float64) / (1.0 - offset_ppm * 1e-6)
    base = np.floor(place).astype(np.int64)
    taps = np.arange(_TAPS) - (_TAPS // 2 - 1)
    distance = taps[None, :] - (place - base)[:, None]
    # Kaiser window: 24 taps, flat to 14 kHz at 44.1 kHz, images below -75 dB.
    window = np.i0(7.5 * np.sqrt(np.clip(1.0 - (2.0 * distance / _TAPS) ** 2, 0.0, 1.0))) / np.i0(7.5)
    weights = (np.sinc(distance) * window).astype(np.float32)
    return _weighted_frames(np.ascontiguousarray(capture), base + taps[0], weights)


@njit(cache=True, nogil=True, fastmath=True)
def _weighted_frames(capture, first, weights):  # type: ignore[no-untyped-def]
    frames, taps = weights.shape
    sends = capture.shape[1]
    out = np.zeros((frames, sends), np.float32)
    last = capture.shape[0] - 1
    for frame in range(frames):
        for tap in range(taps):
            weight = weights[frame, tap]
            source = min(max(first[frame] + tap, 0), last)
            for send in range(sends):
                out[frame, send] += weight * capture[source, send]
    return out


def _find_clock_offset(first: FloatArray, second: FloatArray, schedule: CodeSchedule) -> tuple[float, float]:
    """Offset of the clocks in ppm and its uncertainty, from the strongest path of every send that has one."""
    apart = schedule.second_window + schedule.period_frames - schedule.first_window - schedule.period_frames / 2
    offsets, weights = [], []
    for one, two in zip(first, second, strict=True):
        sigma = max(_noise_of(one), _noise_of(two))
        peak = int(np.argmax(np.abs(one)))
        height = float(one[peak])
        if abs(height) < 6.0 * sigma:
            continue
        latency = (peak - schedule.first_shifts + _LEAD_FRAMES) % one.size - _LEAD_FRAMES
        possible = latency < schedule.latency_frames
        places = (schedule.second_shifts + latency)[possible, None] + np.arange(-_DRIFT_FRAMES, _DRIFT_FRAMES + 1)
        if not places.size:
            continue
        seen = two.take(places, mode="wrap") * math.copysign(1.0, height)
        row, column = np.unravel_index(int(np.argmax(seen)), seen.shape)
        if seen[row, column] < max(6.0 * sigma, 0.5 * abs(height)):
            continue
        moved = int(column) - _DRIFT_FRAMES + _vertex(two, int(places[row, column])) - _vertex(one, peak)
        offsets.append(moved / apart * 1e6)
        # A peak of n standard deviations is placed to about 1 / (2 pi 0.1 n) frames at 4.5 of 48 kHz.
        weights.append((abs(height) / max(sigma, 1e-4)) ** 2)
    if not offsets:
        return 0.0, math.inf
    order = np.argsort(offsets)
    spread = np.cumsum(np.array(weights)[order])
    middle = float(np.array(offsets)[order][int(np.searchsorted(spread, spread[-1] / 2))])
    uncertainty = 2.5 / (0.1 * 2.0 * math.pi * math.sqrt(spread[-1])) / apart * 1e6
    return middle, uncertainty


def _vertex(values: FloatArray, place: int) -> float:
    """Where the parabola through three neighbours has its top, relative to ``place``: -0.5 to 0.5."""
    left, middle, right = (float(values[(place + step) % values.size]) for step in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    return 0.0 if bend == 0.0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))


def _noise_of(correlation: FloatArray) -> float:
    """Standard deviation of the noise, from the median of magnitudes: a few peaks do not move it."""
    return float(np.median(np.abs(correlation[::3]))) / 0.6745


@dataclass(slots=True)
class _Candidate:
    return_index: int
    latency: int
    first_place: int
    second_place: int
    first_height: float
    second_height: float

    @property
    def weaker(self) -> float:
        return min(abs(self.first_height), abs(self.second_height))


def _solve_send(
    first: FloatArray, second: FloatArray, schedule: CodeSchedule, send: int
) -> tuple[list[Path], float]:
    """Paths on one send, strongest first, and the height from which a path is seen."""
    span = schedule.latency_frames + _LEAD_FRAMES
    sigmas = (_noise_of(first), _noise_of(second))
    threshold = max(_SIGMAS * max(sigmas), 10.0 ** (_DEEPEST_DB / 20.0))
    longest = first.size + span + _LEAD_FRAMES
    one = np.resize(np.roll(first, _LEAD_FRAMES), longest).astype(np.float32)
    two = np.resize(np.roll(second, _LEAD_FRAMES), longest).astype(np.float32)
    heights, _ = _scan(one, two, schedule.first_shifts, schedule.second_shifts, span)
    open_returns = np.flatnonzero(heights > threshold)
    paths: list[Path] = []
    while open_returns.size:
        heights, latencies = _scan(
            one, two, schedule.first_shifts[open_returns], schedule.second_shifts[open_returns], span
        )
        candidates = []
        for row, index in enumerate(open_returns):
            if heights[row] > threshold:
                latency = int(latencies[row])
                places = int(schedule.first_shifts[index]) + latency, int(schedule.second_shifts[index]) + latency
                candidates.append(
                    _Candidate(int(index), latency, *places, float(one[places[0]]), float(two[places[1]]))
                )
        if not candidates:
            break
        best = _choose(candidates, sigmas, first.size)
        paths.append(_as_path(best, one, two, sigmas, schedule, send))
        strongest_db = max(path.gain_db for path in paths)
        threshold = max(threshold, 10.0 ** ((strongest_db + _DEEPEST_DB) / 20.0))
        _remove(one, two, best, schedule)
        open_returns = np.array([c.return_index for c in candidates if c is not best], np.int64)
    paths.sort(key=lambda path: -path.gain_db)
    return paths, threshold


@njit(cache=True, nogil=True, fastmath=True)
def _scan(one, two, first_shifts, second_shifts, span):  # type: ignore[no-untyped-def]
    """For each return: the greatest height both sequences share at one latency and with one sign, and where."""
    count = first_shifts.size
    heights = np.zeros(count, np.float32)
    latencies = np.zeros(count, np.int64)
    for row in range(count):
        a = one[first_shifts[row] : first_shifts[row] + span]
        b = two[second_shifts[row] : second_shifts[row] + span]
        best = np.float32(0.0)
        for k in range(span):
            best = max(best, max(min(a[k], b[k]), -max(a[k], b[k])))
        heights[row] = best
        if best > 0.0:
            for k in range(span):
                if max(min(a[k], b[k]), -max(a[k], b[k])) >= best:
                    latencies[row] = k
                    break
    return heights, latencies


def _choose(candidates: list[_Candidate], sigmas: tuple[float, float], period: int) -> _Candidate:
    """The next path to take: both sequences agree about its height, and its peaks are not merely two others' peaks."""

    def near(a: int, b: int) -> bool:
        apart = (a - b) % period
        return min(apart, period - apart) <= _SAME_PLACE_FRAMES

    def agrees(c: _Candidate) -> bool:
        allowed = 4.0 * math.hypot(*sigmas) + 0.15 * max(abs(c.first_height), abs(c.second_height))
        return abs(abs(c.first_height) - abs(c.second_height)) <= allowed

    def borrowed(c: _Candidate) -> bool:
        rivals = [o for o in candidates if o is not c and o.weaker > 0.7 * c.weaker]
        return any(near(c.first_place, o.first_place) for o in rivals) and any(
            near(c.second_place, o.second_place) for o in rivals
        )

    return max(candidates, key=lambda c: (agrees(c), not borrowed(c), c.weaker))


def _as_path(
    best: _Candidate,
    one: FloatArray,
    two: FloatArray,
    sigmas: tuple[float, float],
    schedule: CodeSchedule,
    send: int,
) -> Path:
    reach = np.arange(-3, 4)
    # The second correlation holds two periods, so it weighs double.
    peak = (one.take(best.first_place + reach, mode="wrap") + 2.0 * two.take(best.second_place + reach, mode="wrap")) / 3.0
    peak = peak.astype(np.float32)
    middle = int(np.argmax(np.abs(peak[1:-1]))) + 1
    shift = _vertex(peak, middle)
    left, top, right = (float(v) for v in peak[middle - 1 : middle + 2])
    height = abs(top - 0.25 * (left - right) * shift)
    places = 3.3e6 * schedule.latency_frames / 24_048
    chance = 1.0
    for own, sigma in ((best.first_height, sigmas[0]), (best.second_height, sigmas[1])):
        chance *= math.erfc(abs(own) / max(sigma, 1e-9) / math.sqrt(2.0))
    ratio = best.weaker / max(abs(best.first_height), abs(best.second_height))
    return Path(
        return_index=best.return_index,
        send_index=send,
        gain_db=20.0 * math.log10(height),
        gain_uncertainty_db=20.0 / math.log(10.0) * math.hypot(sigmas[0], 2.0 * sigmas[1]) / 3.0 / height,
        polarity=1 if top > 0 else -1,
        latency_frames=best.latency - _LEAD_FRAMES + (middle - 3) + shift,
        confidence=max(0.0, 1.0 - 0.5 * places * chance) * min(1.0, ratio / 0.5),
    )


def _remove(one: FloatArray, two: FloatArray, best: _Candidate, schedule: CodeSchedule) -> None:
    """Take a path and its ringing (what both sequences share around its peak) out of both, in place."""
    period = schedule.period_frames
    reach = np.arange(-96, round(0.02 * schedule.rate_hz))
    first_places = (best.first_place + reach) % period
    second_places = (best.second_place + reach) % period
    a, b = one[first_places], two[second_places]
    shared = np.where(np.sign(a) == np.sign(b), np.sign(a) * np.minimum(np.abs(a), np.abs(b)), 0.0)
    core = slice(96 - 24, 96 + 24)
    shared[core] = (a[core] + 2.0 * b[core]) / 3.0 if _similar(a[96], b[96]) else shared[core]
    one[first_places] -= shared
    two[second_places] -= shared
    one[period:] = one[: one.size - period]
    two[period:] = two[: two.size - period]


def _similar(a: float, b: float) -> bool:
    return abs(a - b) <= 0.3 * max(abs(a), abs(b))
