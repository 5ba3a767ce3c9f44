"""The ring between a writer that may stall and an audio callback that must play something at once.

It never clicks. When it runs dry the last frame is let down to silence along a raised cosine instead of being cut off;
when it has filled up again the programme comes back along one. Until the first frames have arrived, and after each
underrun, it waits for a cushion before it plays. While nothing of this happens, what is played is what was written,
bit for bit.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.ports.memory import carray, counters_at, floats_at, load_shared, store_shared

SIZE, CHANNELS, RING, LAST, FADE_FRAMES, SCRATCH, SCRATCH_FRAMES = 0, 1, 2, 3, 4, 5, 6
WRITTEN, ARMED, CUSHION, ENDING, STOP_FRAMES = 8, 9, 10, 11, 12
READ, FREED, STATE, UNDERRUNS, RISEN, FALLEN, STOPPED_FRAMES = 16, 17, 18, 19, 20, 21, 22
PLAYED, OWED, TIMED, NEXT_TIME, PERIOD, PERIOD_READ, CALLS, FLAGS, UNSURE = 24, 25, 26, 27, 28, 29, 30, 31, 32
PERIOD_OWED, LOGGED, SKIPS = 33, 34, 35
GONE, OWES, LOG = 40, 41, 42
CONTROL_PLACES = 48

# What the callback is doing.
WAITING, PLAYING, FALLING, STOPPED = 0, 1, 2, 3
FADE_S = 0.005
# Of the last periods of known time: frame time, the programme's frame at its start, 1 once it was done in time.
LOG_PLACES, LOG_FIELDS = 8192, 3


@njit(cache=True, nogil=True)
def raised_cosine(done, frames):  # type: ignore[no-untyped-def]
    """From 0 to 1 while ``done`` goes from 0 to ``frames``; its steepest step is pi / (2 frames)."""
    return 0.5 - 0.5 * math.cos(math.pi * done / frames)


@njit(cache=True, nogil=True)
def play_frames(control, out, frames):  # type: ignore[no-untyped-def]
    """Fill ``out`` (flat, frames x channels) with what is to be heard next. The ring is not freed yet."""
    channels = control[CHANNELS]
    size = control[SIZE]
    ring = carray(floats_at(control[RING]), size * channels)
    last = carray(floats_at(control[LAST]), channels)
    fade = control[FADE_FRAMES]
    stop = load_shared(control, STOP_FRAMES)
    ending = load_shared(control, ENDING) == 1
    written = load_shared(control, WRITTEN)
    for frame in range(frames):
        to = frame * channels
        if control[OWED] > 0:
            skipped = min(control[OWED], written - control[READ])
            control[READ] += skipped
            control[OWED] -= skipped
        ready = written - control[READ]
        state = control[STATE]
        if state == STOPPED or (stop > 0 and state == WAITING):
            control[STATE] = STOPPED
            out[to : to + channels] = 0.0
            continue
        if state == WAITING and ready > 0 and (ready >= control[CUSHION] or ending):
            control[STATE] = PLAYING
            state = PLAYING
        if state == PLAYING and ready == 0:
            control[STATE] = FALLING
            control[FALLEN] = 0
            state = FALLING
            if not ending:
                control[UNDERRUNS] += 1
        if state != PLAYING and control[OWES] == 1:
            control[OWED] += 1
        if state == PLAYING:
            at = (control[READ] % size) * channels
            gain = 1.0
            if control[RISEN] < fade:
                control[RISEN] += 1
                gain = raised_cosine(control[RISEN], fade)
            if stop > 0:
                control[STOPPED_FRAMES] += 1
                gain *= 1.0 - raised_cosine(min(control[STOPPED_FRAMES], stop), stop)
            if gain == 1.0:
                for channel in range(channels):
                    last[channel] = out[to + channel] = ring[at + channel]
            else:
                for channel in range(channels):
                    last[channel] = out[to + channel] = np.float32(gain * ring[at + channel])
            control[READ] += 1
            control[PLAYED] += 1
            if stop > 0 and control[STOPPED_FRAMES] >= stop:
                control[STATE] = STOPPED
        elif state == FALLING:
            control[FALLEN] += 1
            gain = 1.0 - raised_cosine(control[FALLEN], fade)
            for channel in range(channels):
                out[to + channel] = np.float32(gain * last[channel])
            if control[FALLEN] >= fade:
                control[STATE] = WAITING
                # After an end the programme starts as it was written; after an underrun it comes back softly.
                control[RISEN] = fade if ending else 0
        else:
            out[to : to + channels] = 0.0


@njit(cache=True, nogil=True)
def free_played(control):  # type: ignore[no-untyped-def]
    """The writer may have the room of what has been played."""
    store_shared(control, FREED, control[READ])


@njit(cache=True, nogil=True)
def begin_period(control, now, frames):  # type: ignore[no-untyped-def]
    """A period of known time begins (frame time as in ``capture_ring.begin_period``).

    If it is the one before once more, what was played into that is played again; only a new one frees the ring.
    Where the programme stays on the device's time (``OWES``), it loses what the device skipped.
    """
    again = False
    if control[TIMED] == 1:
        jump = ((now - control[NEXT_TIME] + 0x80000000) & 0xFFFFFFFF) - 0x80000000
        again = jump < 0
        if again:
            control[READ] = control[PERIOD_READ]
            control[OWED] = control[PERIOD_OWED]
        else:
            free_played(control)
        if jump > 0:
            control[SKIPS] += 1
            if control[OWES] == 1:
                control[OWED] += jump
    control[TIMED] = 1
    if not again:
        control[LOGGED] += 1
    log = carray(counters_at(control[LOG]), (LOG_PLACES, LOG_FIELDS))
    at = (control[LOGGED] - 1) % LOG_PLACES
    log[at, 0] = now
    log[at, 1] = control[READ]
    log[at, 2] = 0
    control[PERIOD_READ] = control[READ]
    control[PERIOD_OWED] = control[OWED]
    control[NEXT_TIME] = (now + frames) & 0xFFFFFFFF


@njit(cache=True, nogil=True)
def end_period(control, in_time):  # type: ignore[no-untyped-def]
    """The period is filled; ``in_time`` if the server had not moved on meanwhile."""
    if in_time:
        carray(counters_at(control[LOG]), (LOG_PLACES, LOG_FIELDS))[(control[LOGGED] - 1) % LOG_PLACES, 2] = 1
    else:
        control[UNSURE] += 1


@njit(cache=True, nogil=True)
def write_frames(control, ring, block):  # type: ignore[no-untyped-def]
    """Copy a block in, for which there is room."""
    size = control[SIZE]
    frames = block.shape[0]
    at = control[WRITTEN] % size
    run = min(frames, size - at)
    ring[at : at + run] = block[:run]
    ring[: frames - run] = block[run:]
    store_shared(control, WRITTEN, control[WRITTEN] + frames)


class PlayRing:
    """The writer's side, and the memory.

    channels, frames : the size
    cushion_frames : how much has to be there before it plays
    fade_frames : length of the fades around an underrun
    """

    def __init__(self, *, channels: int, frames: int, cushion_frames: int, fade_frames: int) -> None:
        self.samples: NDArray[np.float32] = np.empty((frames, channels), dtype=np.float32)
        self.samples.fill(0.0)
        self.control: NDArray[np.int64] = np.zeros(CONTROL_PLACES, dtype=np.int64)
        self._last: NDArray[np.float32] = np.zeros(channels, dtype=np.float32)
        self._log: NDArray[np.int64] = np.zeros((LOG_PLACES, LOG_FIELDS), dtype=np.int64)
        self.control[LOG] = self._log.ctypes.data
        self._scratch: NDArray[np.float32] = np.zeros((8192, channels), dtype=np.float32)
        self.control[[SIZE, CHANNELS]] = frames, channels
        self.control[[RING, LAST]] = self.samples.ctypes.data, self._last.ctypes.data
        self.control[[SCRATCH, SCRATCH_FRAMES]] = self._scratch.ctypes.data, self._scratch.shape[0]
        self.control[CUSHION] = min(cushion_frames, frames)
        self.control[[FADE_FRAMES, RISEN]] = fade_frames, fade_frames
        self.write(np.zeros((0, channels), dtype=np.float32))  # compiled, or loaded, before any audio runs

    @property
    def size_frames(self) -> int:
        return int(self.control[SIZE])

    @property
    def free_frames(self) -> int:
        return self.size_frames - int(self.control[WRITTEN] - self.control[FREED])

    @property
    def waiting_frames(self) -> int:
        """Written and not played yet."""
        return int(self.control[WRITTEN] - self.control[READ])

    @property
    def underruns(self) -> int:
        return int(self.control[UNDERRUNS])

    @property
    def skips(self) -> int:
        """Times the server went on without us, or had moved on before a period was filled: heard as a hole."""
        return int(self.control[SKIPS] + self.control[UNSURE])

    @property
    def periods(self) -> NDArray[np.int64]:
        """(periods, 3) of the last ones of known time: frame time, programme frame at its start, 1 if in time."""
        logged = int(self.control[LOGGED])
        places = np.arange(max(0, logged - LOG_PLACES), logged) % LOG_PLACES
        return self._log[places]

    @property
    def calls(self) -> int:
        return int(self.control[CALLS])

    @property
    def gone(self) -> bool:
        """The server said that it has left."""
        return bool(self.control[GONE])

    @property
    def silent(self) -> bool:
        """Nothing is sounding."""
        return int(self.control[STATE]) in (WAITING, STOPPED)

    def arm(self) -> None:
        self.control[ARMED] = 1

    def write(self, block: NDArray[np.float32]) -> None:
        """(frames, channels), not more than ``free_frames``."""
        write_frames(self.control, self.samples, block)

    def stay_on_time(self) -> None:
        """From the start on each frame has its instant: what could not be played then is dropped, not played late."""
        self.control[OWES] = 1

    def set_ending(self, ending: bool) -> None:
        """Whether running dry is what the writer means: then it is no underrun, and no cushion is waited for."""
        self.control[ENDING] = int(ending)

    def ask_stop(self, fade_frames: int) -> None:
        """Fade out what sounds from the very next period on, then stay silent until ``start_afresh``."""
        self.control[STOPPED_FRAMES] = 0
        self.control[STOP_FRAMES] = max(1, fade_frames)

    def restart(self) -> None:
        """A new stream takes over, once the old one is closed."""
        self.control[[ARMED, TIMED, GONE, OWED]] = 0

    @property
    def stopped(self) -> bool:
        return int(self.control[STATE]) == STOPPED

    def start_afresh(self) -> None:
        """After a stop: throw away what was not played. The callback does not touch the ring while stopped."""
        self.control[[READ, FREED, PERIOD_READ]] = self.control[WRITTEN]
        self.control[RISEN] = self.control[FADE_FRAMES]
        self.control[[STOP_FRAMES, ENDING]] = 0
        self.control[STATE] = WAITING
