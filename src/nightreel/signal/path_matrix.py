"""Solve which return arrives on which send, from one capture of all sends while every return plays its own code.

One circular correlation per send and sequence shows every return at its own shift. A return is seen where both
sequences agree about latency and polarity; paths are taken strongest first and removed from both correlations before
weaker ones are looked for, so that the ringing of a strong path is not read as crosstalk. Clocks that run apart are
found from how far latencies moved between the two sequences, and undone before the final search.

Source: ISO 18233 (deconvolution by circular correlation with the sequence). Search, threshold and removal are ours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid
from nightreel.signal.codes import CodeSchedule, FloatArray, RealArray, bell

# Both correlations must exceed this many standard deviations of their noise, with one sign and at one latency.
# By chance: (2 Q(5))^2 / 2 = 1.6e-13 per place, 6e-5 over the 4e8 places of a 128 x 128 matrix with 500 ms each.
_SIGMAS = 5.0
_DEEPEST_DB = -72.0  # below this nothing is claimed, however quiet a send is
_DEEPEST_AFTER_LOSS_DB = -18.0  # with a twentieth of the frames lost, false peaks reached 23 dB below a path
_LEAD_FRAMES = 32  # search begins this far before latency 0
_SAME_PLACE_FRAMES = 8
_DRIFT_FRAMES = 10  # how far latencies may move between the sequences: 50 ppm need 4
_LOCKED_PPM = 1.0
_MOST_RETIMINGS = 3
_TAPS = 24
_PULSE_S = 0.0005  # the correlation peak is below -75 dB beyond


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
    doubtful : (sends,) True where one of the sequences shows something that no return accounts for, because two
        peaks fell on one place; another variant of the schedule tells them apart
    clock_offset_ppm : by how much sends run against returns; 0.0 when nothing was heard
    """

    rate_hz: int
    returns: int
    sends: int
    paths: tuple[Path, ...]
    noise_dbfs: RealArray
    sensitivity_db: RealArray
    doubtful: NDArray[np.bool_]
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


def settle_doubts(first: PathMatrix, second: PathMatrix, *, later_frames: int) -> PathMatrix:
    """The first matrix, with the sends it was in doubt about taken from a second look with another variant.

    ``later_frames`` is how much later the second capture began: with clocks that run apart, latencies moved meanwhile.
    """
    doubtful = first.doubtful
    moved = first.clock_offset_ppm * 1e-6 * later_frames
    kept = [path for path in first.paths if not doubtful[path.send_index]]
    seen = [
        replace(path, latency_frames=path.latency_frames - moved) for path in second.paths if doubtful[path.send_index]
    ]
    return replace(
        first,
        paths=tuple(sorted(kept + seen, key=lambda path: (path.send_index, -path.gain_db))),
        sensitivity_db=np.where(doubtful, second.sensitivity_db, first.sensitivity_db),
        doubtful=doubtful & second.doubtful,
    )


def solve_paths(capture: FloatArray, schedule: CodeSchedule, *, lost: NDArray[np.bool_] | None = None) -> PathMatrix:
    """The path matrix of one capture.

    Parameters
    ----------
    capture : float32, shape (schedule.total_frames or more, sends); frame 0 came in while frame 0 of
        ``schedule.signal`` went out
    lost : (frames,) True where a period was skipped: nothing came in (zeros stand in ``capture``) and what should have
        gone out did not. Gains are put right for it. Shifts are no longer orthogonal then, so on each send only
        paths down to 18 dB below its strongest are claimed.

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
        for _ in range(_MOST_RETIMINGS):
            first, second, noise = _correlate(capture, schedule, offset_ppm)
            rest_ppm, _ = _find_clock_offset(first, second, schedule)
            if abs(rest_ppm) < max(0.02, uncertainty_ppm):
                break
            offset_ppm += rest_ppm
    paths: list[Path] = []
    thresholds = np.empty(capture.shape[1])
    doubtful = np.zeros(capture.shape[1], bool)
    deepest_db = _DEEPEST_DB if lost is None or not lost.any() else _DEEPEST_AFTER_LOSS_DB
    for send in range(capture.shape[1]):
        found, thresholds[send], doubtful[send] = _solve_send(first[send], second[send], schedule, send, deepest_db)
        paths.extend(found)
    if lost is not None and lost.any():
        paths = [_made_whole(path, lost, schedule) for path in paths]
    with np.errstate(divide="ignore"):
        noise_dbfs = 20.0 * np.log10(noise)
    return PathMatrix(
        rate_hz=schedule.rate_hz,
        returns=schedule.returns,
        sends=capture.shape[1],
        paths=tuple(paths),
        noise_dbfs=noise_dbfs,
        sensitivity_db=20.0 * np.log10(thresholds),
        doubtful=doubtful,
        clock_offset_ppm=offset_ppm,
        clock_uncertainty_ppm=uncertainty_ppm,
    )


def _made_whole(path: Path, lost: NDArray[np.bool_], schedule: CodeSchedule) -> Path:
    """The gain a path would have shown had nothing been lost: only what was both played and captured was correlated.

    How a device behaves around a loss is its own affair, so the gain is as uncertain as the correction is large.
    """
    latency = max(0, round(path.latency_frames))
    here = ~lost
    shares = []
    for start, frames in (
        (schedule.first_window, schedule.period_frames),
        (schedule.second_window, 2 * schedule.period_frames),
    ):
        came, went = here[start : start + frames], here[start - latency : start - latency + frames]
        shares.append(float(np.count_nonzero(came & went)) / frames)
    share = (shares[0] + 2.0 * shares[1]) / 3.0
    missing_db = -20.0 * math.log10(max(share, 0.1))
    return replace(
        path,
        gain_db=path.gain_db + missing_db,
        gain_uncertainty_db=math.hypot(path.gain_uncertainty_db, missing_db),
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
    retimed: FloatArray = _weighted_frames(np.ascontiguousarray(capture), base + taps[0], weights)
    return retimed


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
        if abs(height) < max(6.0 * sigma, 10.0 ** (_DEEPEST_DB / 20.0)):
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
class _Peak:
    """One return's peak in both correlations of a send. ``latency`` and places count from the search's first frame."""

    return_index: int
    latency: float
    first_place: int
    second_place: int
    first_height: float
    second_height: float
    height: float = 0.0

    @property
    def weaker(self) -> float:
        return min(abs(self.first_height), abs(self.second_height))

    def agrees(self, sigmas: tuple[float, float]) -> bool:
        """Both sequences show about the same height."""
        allowed = 4.0 * math.hypot(*sigmas) + 0.15 * max(abs(self.first_height), abs(self.second_height))
        return abs(self.first_height - self.second_height) <= allowed


def _solve_send(
    first: FloatArray, second: FloatArray, schedule: CodeSchedule, send: int, deepest_db: float
) -> tuple[list[Path], float, bool]:
    """Paths on one send, strongest first; the height from which a path is seen; whether something is left over.

    deepest_db : how far below the strongest path of the send others are looked for
    """
    period = schedule.period_frames
    span = schedule.latency_frames + _LEAD_FRAMES
    sigmas = (_noise_of(first), _noise_of(second))
    threshold = max(_SIGMAS * max(sigmas), 10.0 ** (_DEEPEST_DB / 20.0))
    first, second = np.roll(first, _LEAD_FRAMES), np.roll(second, _LEAD_FRAMES)
    one, two = (np.resize(values, period + span + _LEAD_FRAMES) for values in (first, second))
    open_returns = np.arange(schedule.returns)
    taken: list[_Peak] = []
    while open_returns.size:
        heights, latencies = _scan(
            one, two, schedule.first_shifts[open_returns], schedule.second_shifts[open_returns], span
        )
        peaks = []
        for index, latency in zip(open_returns[heights > threshold], latencies[heights > threshold], strict=True):
            a = int((schedule.first_shifts[index] + latency) % period)
            b = int((schedule.second_shifts[index] + latency) % period)
            peaks.append(_Peak(int(index), float(latency), a, b, float(one[a]), float(two[b])))
        if not peaks:
            break
        best = _choose(peaks, sigmas, period)
        _place(best, one, two, period)
        taken.append(best)
        strongest = max(abs(peak.height) for peak in taken)
        threshold = max(threshold, strongest * 10.0 ** (deepest_db / 20.0))
        _remove(one, two, best, schedule)
        open_returns = np.array([peak.return_index for peak in peaks if peak is not best], np.int64)
    _disentangle(taken, first, second, schedule)
    taken.sort(key=lambda peak: -abs(peak.height))
    # One sequence alone reaches 4.5 standard deviations by chance; half as much again is something.
    left = max(float(np.abs(one[:period]).max()), float(np.abs(two[:period]).max()))
    doubtful = left > 1.5 * threshold or not all(peak.agrees(sigmas) for peak in taken)
    return [_as_path(peak, sigmas, schedule, send) for peak in taken], threshold, doubtful


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


def _near(a: int, b: int, period: int, reach: int) -> bool:
    apart = (a - b) % period
    return min(apart, period - apart) <= reach


def _choose(peaks: list[_Peak], sigmas: tuple[float, float], period: int) -> _Peak:
    """The next path to take: both sequences agree about its height, and its peaks are not merely two others' peaks."""

    def borrowed(peak: _Peak) -> bool:
        rivals = [other for other in peaks if other is not peak and other.weaker > 0.7 * peak.weaker]
        return any(_near(peak.first_place, o.first_place, period, _SAME_PLACE_FRAMES) for o in rivals) and any(
            _near(peak.second_place, o.second_place, period, _SAME_PLACE_FRAMES) for o in rivals
        )

    return max(peaks, key=lambda peak: (peak.agrees(sigmas), not borrowed(peak), peak.weaker))


def _place(
    peak: _Peak,
    one: FloatArray,
    two: FloatArray,
    period: int,
    use: tuple[bool, bool] = (True, True),
    reach: int = 2,
) -> None:
    """Height and latency to a fraction of a frame, from both correlations or from the one that is free of others."""
    steps = np.arange(-reach - 1, reach + 2)
    parts, weights = [], []
    # The second correlation holds two periods, so it weighs double.
    for values, place, used, weight in (
        (one, peak.first_place, use[0], 1.0),
        (two, peak.second_place, use[1], 2.0),
    ):
        if used:
            parts.append(values[(place + steps) % period])
            weights.append(weight)
    near = np.average(parts, axis=0, weights=weights).astype(np.float32)
    middle = int(np.argmax(np.abs(near[1:-1]))) + 1
    shift = _vertex(near, middle)
    left, top, right = (float(value) for value in near[middle - 1 : middle + 2])
    peak.height = top - 0.25 * (left - right) * shift
    moved = int(steps[middle])
    peak.first_place += moved
    peak.second_place += moved
    peak.latency = round(peak.latency) + moved + shift


def _remove(one: FloatArray, two: FloatArray, peak: _Peak, schedule: CodeSchedule) -> None:
    """Take a path and its ringing (what both sequences share around its peak) out of both, in place."""
    period = schedule.period_frames
    core = _pulse_frames(schedule)
    lead = 4 * core
    reach = np.arange(-lead, round(0.02 * schedule.rate_hz))
    first_places = (peak.first_place + reach) % period
    second_places = (peak.second_place + reach) % period
    a, b = one[first_places], two[second_places]
    shared = np.where(np.sign(a) == np.sign(b), np.sign(a) * np.minimum(np.abs(a), np.abs(b)), 0.0)
    if abs(a[lead] - b[lead]) <= 0.3 * max(abs(a[lead]), abs(b[lead])):
        middle = slice(lead - core, lead + core)
        shared[middle] = (a[middle] + 2.0 * b[middle]) / 3.0
    one[first_places] -= shared
    two[second_places] -= shared
    one[period:] = one[: one.size - period]
    two[period:] = two[: two.size - period]


def _disentangle(taken: list[_Peak], first: FloatArray, second: FloatArray, schedule: CodeSchedule) -> None:
    """Where peaks of two paths fell together in one sequence, measure them again in the other."""
    period = schedule.period_frames
    pulse_frames = _pulse_frames(schedule)
    around = np.arange(-pulse_frames, pulse_frames + 1)

    def crowd(peak: _Peak) -> tuple[bool, bool]:
        others = [other for other in taken if other is not peak]
        return (
            any(_near(peak.first_place, o.first_place, period, 2 * pulse_frames) for o in others),
            any(_near(peak.second_place, o.second_place, period, 2 * pulse_frames) for o in others),
        )

    crowded = [(peak, crowds) for peak in taken if any(crowds := crowd(peak))]
    for _ in range(3):
        for peak, crowds in crowded:
            one, two = first.copy(), second.copy()
            for other in taken:
                if other is not peak:
                    pulse = _pulse(other, schedule)
                    for values, place in ((one, other.first_place), (two, other.second_place)):
                        values[(place + around) % period] -= pulse
            use = (not crowds[0], not crowds[1]) if not all(crowds) else (True, True)
            _place(peak, one, two, period, use, reach=10)
            peak.first_height = float(one[peak.first_place % period])
            peak.second_height = float(two[peak.second_place % period])


def _pulse_frames(schedule: CodeSchedule) -> int:
    return round(_PULSE_S * schedule.rate_hz)


def _pulse(peak: _Peak, schedule: CodeSchedule) -> FloatArray:
    """What a path of this height looks like around its place, half a millisecond each way."""
    frequency = np.fft.rfftfreq(1024)
    spectrum = bell(frequency * schedule.rate_hz)
    spectrum /= 2.0 * spectrum.sum() - spectrum[0] - spectrum[-1]
    fraction = peak.latency - round(peak.latency)
    steps = np.arange(-_pulse_frames(schedule), _pulse_frames(schedule) + 1) - fraction
    shape = 2.0 * np.cos(2.0 * np.pi * steps[:, None] * frequency) @ spectrum
    pulse: FloatArray = (peak.height * shape).astype(np.float32)
    return pulse


def _as_path(peak: _Peak, sigmas: tuple[float, float], schedule: CodeSchedule, send: int) -> Path:
    places = schedule.returns * schedule.latency_frames
    chance = 0.5 * places
    for own, sigma in ((peak.first_height, sigmas[0]), (peak.second_height, sigmas[1])):
        chance *= math.erfc(abs(own) / max(sigma, 1e-9) / math.sqrt(2.0))
    agreement = peak.weaker / max(abs(peak.first_height), abs(peak.second_height))
    return Path(
        return_index=peak.return_index,
        send_index=send,
        gain_db=20.0 * math.log10(abs(peak.height)),
        gain_uncertainty_db=20.0 / math.log(10.0) * math.hypot(sigmas[0], 2.0 * sigmas[1]) / 3.0 / abs(peak.height),
        polarity=1 if peak.height > 0 else -1,
        latency_frames=peak.latency - _LEAD_FRAMES,
        confidence=max(0.0, 1.0 - chance) * min(1.0, agreement / 0.5),
    )
