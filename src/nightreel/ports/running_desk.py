"""The simulated stage: a desk model that audio runs through, sample by sample reproducible.

``SimulatedStage.process`` is a stream: any partition of the same input into blocks gives the same output, bit for bit.
What it leaves to others: time, gaps and the protocols, see :mod:`nightreel.ports.stage`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid
from nightreel.ports.desk import Desk, Origin
from nightreel.ports.protocols import FloatArray
from nightreel.units import amplitude_from_db

CHUNK_FRAMES = 4096
FULL_SCALE_24 = 2.0**23
# The fractional delay behind an unlocked clock: a windowed sinc, and room to drift before it has to slip.
TAPS = 32
SLACK_FRAMES = 512
BAND_ORDER = 2


@njit(cache=True, nogil=True)
def store_rows(rows, start, block):  # type: ignore[no-untyped-def]
    """Block (frames, ports) into the ring, one row a port; the ring's length is a power of two."""
    mask = rows.shape[1] - 1
    for port in range(rows.shape[0]):
        for frame in range(block.shape[0]):
            rows[port, (start + frame) & mask] = block[frame, port]


@njit(cache=True, nogil=True)
def add_paths(mixed, rows, start, places, gains):  # type: ignore[no-untyped-def]
    """``mixed[frame, send] += gain * rows[port, start + frame - latency]`` for each path; silence before frame 0."""
    mask = rows.shape[1] - 1
    for path in range(places.shape[0]):
        port, send, latency = places[path]
        gain = gains[path]
        for frame in range(max(0, latency - start), mixed.shape[0]):
            mixed[frame, send] += gain * rows[port, (start + frame - latency) & mask]


@njit(cache=True, nogil=True)
def convert(mixed):  # type: ignore[no-untyped-def]
    """What a 24-bit converter leaves, in place: whole steps of 1 / 2^23 within full scale."""
    for frame in range(mixed.shape[0]):
        for send in range(mixed.shape[1]):
            step = np.rint(np.float64(mixed[frame, send]) * FULL_SCALE_24)
            mixed[frame, send] = min(max(step, -FULL_SCALE_24), FULL_SCALE_24 - 1.0) / FULL_SCALE_24


class SimulatedStage:
    """A desk that runs: stage inputs and returns in, sends out.

    What leaves a send has passed a 24-bit converter: rounded to 1 / 2^23 and clipped at full scale. A single path
    at 0 dB without noise or band limit is bit-transparent for 24-bit audio.

    Not thread-safe; one stage belongs to one stream.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.position = 0  # frames processed so far
        self._tables = {origin: _table(desk, origin) for origin in Origin}
        longest = max((p.latency_frames for p in desk.paths()), default=0)
        self._rings = {
            Origin.SOCKET: _DelayRing(desk.sockets, longest),
            Origin.RETURN: _DelayRing(desk.returns, longest),
        }
        self._noise = _Noise(desk)
        self._bands = _Bands(desk)
        self._clock = _UnlockedClock(desk) if desk.clock_offset_ppm else None

    @property
    def extra_latency_frames(self) -> int:
        """What an unlocked clock adds to every path at its first frame; 0 when locked."""
        return self._clock.latency_frames if self._clock else 0

    def repatch(self, desk: Desk) -> None:
        """Go on with another patch from the next frame on, as when somebody at the desk presses a switch.

        The new desk needs the same rate, sockets, returns, sends and clock, and no longer latency than before;
        ArgumentInvalid otherwise. Filters and noise start afresh.
        """
        old = self.desk
        same = (old.rate_hz, old.sockets, old.returns, old.sends, old.clock_offset_ppm)
        if same != (desk.rate_hz, desk.sockets, desk.returns, desk.sends, desk.clock_offset_ppm):
            raise ArgumentInvalid("a running desk keeps its rate, clock and number of ports")
        longest = max((p.latency_frames for p in desk.paths()), default=0)
        for ring in self._rings.values():
            ring.ensure(longest)
        self.desk = desk
        self._tables = {origin: _table(desk, origin) for origin in Origin}
        self._noise = _Noise(desk)
        self._bands = _Bands(desk)

    def process(self, inputs: FloatArray | None, returns: FloatArray | None) -> FloatArray:
        """Run the next frames through the desk.

        Parameters
        ----------
        inputs : float32 (frames, sockets), full scale 1.0; None for a silent stage
        returns : float32 (frames, returns), full scale 1.0; None when nothing is played

        Returns
        -------
        float32 (frames, sends), 24-bit values

        Raises
        ------
        ArgumentInvalid : both None, unequal lengths, or a wrong number of channels
        """
        frames = self._agreed_frames(inputs, returns)
        inputs = None if inputs is None else np.ascontiguousarray(inputs, dtype=np.float32)
        returns = None if returns is None else np.ascontiguousarray(returns, dtype=np.float32)
        sends = np.zeros((frames, self.desk.sends), dtype=np.float32)
        for first in range(0, frames, CHUNK_FRAMES):
            end = min(first + CHUNK_FRAMES, frames)
            self._rings[Origin.SOCKET].push(None if inputs is None else inputs[first:end], end - first)
            self._rings[Origin.RETURN].push(None if returns is None else returns[first:end], end - first)
            sends[first:end] = self._mix(end - first)
        self.position += frames
        return sends

    def _agreed_frames(self, inputs: FloatArray | None, returns: FloatArray | None) -> int:
        lengths = set()
        for name, block, ports in (("inputs", inputs, self.desk.sockets), ("returns", returns, self.desk.returns)):
            if block is None:
                continue
            if block.ndim != 2 or block.shape[1] != ports:
                raise ArgumentInvalid(f"{name} need shape (frames, {ports}), got {block.shape}")
            lengths.add(block.shape[0])
        if len(lengths) != 1:
            raise ArgumentInvalid("inputs and returns need the same number of frames, and at least one of them")
        return int(lengths.pop())

    def _mix(self, frames: int) -> FloatArray:
        mixed = np.zeros((frames, self.desk.sends), dtype=np.float32)
        for origin, table in self._tables.items():
            self._rings[origin].add_paths(mixed, *table)
        self._bands.apply(mixed)
        if self._clock:
            mixed = self._clock.resample(mixed)
        self._noise.add(mixed)
        convert(mixed)
        return mixed


def _table(desk: Desk, origin: Origin) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """The desk's paths from sockets or returns as arrays: (port, send, latency in frames), and gain with polarity."""
    paths = [path for path in desk.paths() if path.origin is origin]
    places = np.array([(p.port, p.send, p.latency_frames) for p in paths], dtype=np.int64).reshape(-1, 3)
    gains = np.array([p.polarity * amplitude_from_db(p.gain_db) for p in paths], dtype=np.float32)
    return places, gains


class _DelayRing:
    """The last frames of each port, one row a port, so that any path can look back by its latency."""

    def __init__(self, ports: int, longest_frames: int) -> None:
        self._written = 0
        self._last = 0
        self._rows = np.zeros((ports, self._size_for(longest_frames)), dtype=np.float32)
        self._empty = np.zeros((CHUNK_FRAMES, ports), dtype=np.float32)

    @staticmethod
    def _size_for(longest_frames: int) -> int:
        return 1 << math.ceil(math.log2(longest_frames + CHUNK_FRAMES))

    def ensure(self, longest_frames: int) -> None:
        """Grow so that paths can look back this far; what came before the growth is only as old as it was."""
        size = self._size_for(longest_frames)
        old_size = self._rows.shape[1]
        if size <= old_size:
            return
        grown = np.zeros((self._rows.shape[0], size), dtype=np.float32)
        places = np.arange(max(0, self._written - old_size), self._written)
        grown[:, places % size] = self._rows[:, places % old_size]
        self._rows = grown

    def push(self, block: FloatArray | None, frames: int) -> None:
        store_rows(self._rows, self._written, self._empty[:frames] if block is None else block)
        self._written += frames
        self._last = frames

    def add_paths(self, mixed: FloatArray, places: NDArray[np.int64], gains: NDArray[np.float32]) -> None:
        """Add each path (port, send, latency in frames; gain) of the frames pushed last."""
        add_paths(mixed, self._rows, self._written - self._last, places, gains)


class _Noise:
    """White noise per send; drawn frame by frame, so that the size of blocks does not matter."""

    def __init__(self, desk: Desk) -> None:
        self._sends = [n for n, channel in enumerate(desk.channels) if channel.noise_dbfs is not None]
        levels = [amplitude_from_db(c.noise_dbfs) for c in desk.channels if c.noise_dbfs is not None]
        self._amplitudes = np.array(levels, dtype=np.float32)
        self._random = np.random.default_rng(desk.seed)

    def add(self, mixed: FloatArray) -> None:
        if self._sends:
            drawn = self._random.standard_normal((mixed.shape[0], len(self._sends)), dtype=np.float32)
            mixed[:, self._sends] += drawn * self._amplitudes


class _Bands:
    """Butterworth band-pass of second order per send that has one (a model of equipment, not of any standard)."""

    def __init__(self, desk: Desk) -> None:
        groups: dict[tuple[float, float], list[int]] = {}
        for send, channel in enumerate(desk.channels):
            if channel.band_hz is not None:
                groups.setdefault(channel.band_hz, []).append(send)
        self._groups: list[tuple[list[int], NDArray[np.float64]]] = []
        self._states: list[NDArray[np.float64]] = []
        if groups:
            from scipy import signal  # 1.3 s to import: only where a band is wanted

            for band_hz, sends in groups.items():
                sos: Any = signal.butter(BAND_ORDER, band_hz, "bandpass", fs=desk.rate_hz, output="sos")
                self._groups.append((sends, sos))
                self._states.append(np.zeros((sos.shape[0], 2, len(sends))))

    def apply(self, mixed: FloatArray) -> None:
        if not self._groups:
            return
        from scipy import signal

        for place, (sends, sos) in enumerate(self._groups):
            wide = mixed[:, sends].astype(np.float64)
            filtered, self._states[place] = signal.sosfilt(sos, wide, axis=0, zi=self._states[place])
            mixed[:, sends] = filtered


class _UnlockedClock:
    """Resamples all sends by the clock offset, and slips by whole frames when the slack is used up, as a real
    interface without a common clock does."""

    def __init__(self, desk: Desk) -> None:
        self._step = desk.clock_offset_ppm * 1e-6
        self.latency_frames = SLACK_FRAMES // 2 + TAPS
        self._kept = np.zeros((SLACK_FRAMES + 2 * TAPS, desk.sends), dtype=np.float32)
        self._position = 0

    def resample(self, mixed: FloatArray) -> FloatArray:
        frames = mixed.shape[0]
        stretch = np.concatenate([self._kept, mixed])
        places = np.arange(self._position, self._position + frames, dtype=np.int64)
        drift = places * self._step
        drift -= SLACK_FRAMES * np.round(drift / SLACK_FRAMES)
        delay = self.latency_frames - drift  # TAPS to TAPS + SLACK_FRAMES
        whole = np.floor(delay).astype(np.int64)
        part = delay - whole
        newest = np.arange(frames) + self._kept.shape[0] - whole
        resampled = np.zeros((frames, mixed.shape[1]))
        for tap in range(-TAPS // 2 + 1, TAPS // 2 + 1):
            # The sample sought lies ``part`` before ``newest``; a Hann-windowed sinc around it.
            distance = tap + part
            weight = np.sinc(distance) * (0.5 + 0.5 * np.cos(np.pi * np.clip(distance / (TAPS / 2), -1.0, 1.0)))
            resampled += weight[:, None] * stretch[newest + tap]
        self._kept = stretch[frames:]
        self._position += frames
        return resampled.astype(np.float32)
