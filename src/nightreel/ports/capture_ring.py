"""The ring between an audio callback that must never wait and a reader that may.

One thread puts (the callback, compiled, without Python), one takes. What had to be dropped is not forgotten: each loss
is an *event* (ring position, frames, cause) that the reader finds at exactly the place where the frames are missing.
A loss that finds the list of events full waits, and grows, until it can be listed: no frame leaves the account.

Where the device names the time of each period (JACK), a period counts only once its successor has come: if the same
period is run twice because a cycle overran, the second, complete one replaces the first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.ports.memory import carray, counters_at, floats_at, load_shared, store_shared
from nightreel.timeline import GapCause

# Places in the control block. Groups that different threads write lie on different cache lines (8 x 64 bit).
SIZE, CHANNELS, RING, EVENTS, EVENTS_SIZE = 0, 1, 2, 3, 4
WRITTEN, EVENTS_WRITTEN, HEAD, PENDING, PENDING_CAUSE = 8, 9, 10, 11, 12
TIMED, NEXT_TIME, CALLS, FLAGS, REPEATS, UNSURE, PERIOD, PERIOD_LOST = 16, 17, 18, 19, 20, 21, 22, 23
READ, EVENTS_READ, ARMED = 24, 25, 26
GONE = 32
CONTROL_PLACES = 40

CAUSES = (
    GapCause.UNKNOWN,
    GapCause.RING_FULL,
    GapCause.SERVER_SKIPPED,
    GapCause.DEVICE_OVERFLOW,
    GapCause.DEVICE_LOST,
)
RING_FULL, SERVER_SKIPPED, DEVICE_OVERFLOW, DEVICE_LOST = 1, 2, 3, 4
EVENT_FIELDS = 3
EVENT_PLACES = 1024


@njit(cache=True, nogil=True)
def list_pending(control):  # type: ignore[no-untyped-def]
    """Turn the loss that waits into an event at the head of the ring; False when there is no room for it."""
    if control[PENDING] == 0:
        return True
    events_written = control[EVENTS_WRITTEN]
    if events_written - load_shared(control, EVENTS_READ) >= control[EVENTS_SIZE]:
        return False
    events = carray(counters_at(control[EVENTS]), control[EVENTS_SIZE] * EVENT_FIELDS)
    at = (events_written % control[EVENTS_SIZE]) * EVENT_FIELDS
    events[at] = control[HEAD]
    events[at + 1] = control[PENDING]
    events[at + 2] = control[PENDING_CAUSE]
    control[PENDING] = 0
    store_shared(control, EVENTS_WRITTEN, events_written + 1)
    return True


@njit(cache=True, nogil=True)
def note_loss(control, frames, cause):  # type: ignore[no-untyped-def]
    """``frames`` frames are missing at the head of the ring."""
    if control[PENDING] > 0 and control[PENDING_CAUSE] != cause:
        list_pending(control)
    if control[PENDING] == 0:
        control[PENDING_CAUSE] = cause
    control[PENDING] += frames


@njit(cache=True, nogil=True)
def make_room(control, frames):  # type: ignore[no-untyped-def]
    """Whether ``frames`` frames can be written at the head; if not, they are noted as lost."""
    free = control[SIZE] - (control[HEAD] - load_shared(control, READ))
    if free < frames or not list_pending(control):
        note_loss(control, frames, RING_FULL)
        control[PERIOD_LOST] += frames
        return False
    return True


@njit(cache=True, nogil=True)
def publish(control):  # type: ignore[no-untyped-def]
    """Let the reader have everything up to the head."""
    control[PERIOD_LOST] = 0
    store_shared(control, WRITTEN, control[HEAD])


@njit(cache=True, nogil=True)
def take_back(control):  # type: ignore[no-untyped-def]
    """Forget the period that is not published yet, with the loss it was if it found the ring full."""
    control[HEAD] = control[WRITTEN]
    control[PENDING] -= control[PERIOD_LOST]
    control[PERIOD_LOST] = 0


@njit(cache=True, nogil=True)
def begin_period(control, now, frames):  # type: ignore[no-untyped-def]
    """Place a period of known time: notes what was skipped before it, confirms or takes back the one before.

    ``now`` is the device's frame time (32 bits, wrapping) of the period's first frame. False for a period that is
    older than the last one: it is not to be written.
    """
    if control[TIMED] == 1:
        jump = ((now - control[NEXT_TIME] + 0x80000000) & 0xFFFFFFFF) - 0x80000000
        if jump < 0:
            control[REPEATS] += 1
            if jump != -control[PERIOD]:
                return False
            take_back(control)
        else:
            publish(control)
            if jump > 0:
                note_loss(control, jump, SERVER_SKIPPED)
    control[TIMED] = 1
    control[PERIOD] = frames
    control[NEXT_TIME] = (now + frames) & 0xFFFFFFFF
    return True


@njit(cache=True, nogil=True)
def doubt_period(control):  # type: ignore[no-untyped-def]
    """The period just written was replaced while it was read: its samples may be mixed, so they count as lost."""
    control[UNSURE] += 1
    take_back(control)
    note_loss(control, control[PERIOD], SERVER_SKIPPED)
    control[PERIOD_LOST] = control[PERIOD]


@njit(cache=True, nogil=True)
def put_interleaved(control, samples, frames):  # type: ignore[no-untyped-def]
    """Write frames at the head (not published yet). ``samples`` is a flat array of frames x channels."""
    if not make_room(control, frames):
        return
    channels = control[CHANNELS]
    size = control[SIZE]
    ring = carray(floats_at(control[RING]), size * channels)
    at = control[HEAD] % size
    run = min(frames, size - at)
    ring[at * channels : (at + run) * channels] = samples[: run * channels]
    ring[: (frames - run) * channels] = samples[run * channels : frames * channels]
    control[HEAD] += frames


@njit(cache=True, nogil=True)
def look(control, events, seen):  # type: ignore[no-untyped-def]
    """Fill ``seen`` with (frames ready before the next event, frames lost there, cause); nothing is taken."""
    read = control[READ]
    ready = load_shared(control, WRITTEN) - read
    seen[0], seen[1], seen[2] = ready, 0, 0
    events_read = control[EVENTS_READ]
    if load_shared(control, EVENTS_WRITTEN) > events_read:
        at = (events_read % control[EVENTS_SIZE]) * EVENT_FIELDS
        if events[at] - read <= ready:
            seen[0], seen[1], seen[2] = events[at] - read, events[at + 1], events[at + 2]


@njit(cache=True, nogil=True)
def take(control, ring, block):  # type: ignore[no-untyped-def]
    """Copy ``block.shape[0]`` frames out, which ``look`` has promised."""
    size = control[SIZE]
    frames = block.shape[0]
    at = control[READ] % size
    run = min(frames, size - at)
    block[:run] = ring[at : at + run]
    block[run:] = ring[: frames - run]
    store_shared(control, READ, control[READ] + frames)


@njit(cache=True, nogil=True)
def take_event(control):  # type: ignore[no-untyped-def]
    store_shared(control, EVENTS_READ, control[EVENTS_READ] + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """``frames`` frames that never reached the ring, right after what was taken last."""

    frames: int
    cause: GapCause


class CaptureRing:
    """The reader's side, and the memory.

    channels, frames : the size; all of it is touched now, so that the callback never waits for memory
    """

    def __init__(self, *, channels: int, frames: int) -> None:
        self.samples: NDArray[np.float32] = np.empty((frames, channels), dtype=np.float32)
        self.samples.fill(0.0)
        self.control: NDArray[np.int64] = np.zeros(CONTROL_PLACES, dtype=np.int64)
        self._events: NDArray[np.int64] = np.zeros(EVENT_PLACES * EVENT_FIELDS, dtype=np.int64)
        self._seen: NDArray[np.int64] = np.zeros(3, dtype=np.int64)
        self.control[[SIZE, CHANNELS]] = frames, channels
        self.control[[RING, EVENTS]] = self.samples.ctypes.data, self._events.ctypes.data
        self.control[EVENTS_SIZE] = EVENT_PLACES
        self.high_water_frames = 0
        self.take(0)  # compiled, or loaded, before any audio runs
        self.note_loss(0, DEVICE_LOST)

    @property
    def size_frames(self) -> int:
        return int(self.control[SIZE])

    @property
    def fill_frames(self) -> int:
        return int(self.control[WRITTEN] - self.control[READ])

    @property
    def arrived_frames(self) -> int:
        """Everything ever written; stands still when the device does."""
        return int(self.control[WRITTEN])

    @property
    def calls(self) -> int:
        """How often the device has called."""
        return int(self.control[CALLS])

    def arm(self) -> None:
        """From now on the callback writes; before, it drops what it gets without an account."""
        self.control[ARMED] = 1

    def restart(self) -> None:
        """A new stream takes over, once the old one is closed: its times have nothing to do with the old one's."""
        publish(self.control)
        list_pending(self.control)
        self.control[[ARMED, TIMED, GONE]] = 0

    def take(self, most_frames: int) -> NDArray[np.float32] | Loss | None:
        """The next frames (1 to ``most_frames``, channels), the loss that stands there, or None when all is taken."""
        look(self.control, self._events, self._seen)
        ready, lost, cause = (int(n) for n in self._seen)
        self.high_water_frames = max(self.high_water_frames, self.fill_frames)
        if ready == 0 and lost > 0:
            take_event(self.control)
            return Loss(frames=lost, cause=CAUSES[cause])
        block: NDArray[np.float32] = np.empty((min(ready, most_frames), self.samples.shape[1]), dtype=np.float32)
        take(self.control, self.samples, block)
        return block if block.shape[0] else None

    @property
    def has_event(self) -> bool:
        """A loss is listed somewhere in what has not been taken yet."""
        return bool(self.control[EVENTS_WRITTEN] > self.control[EVENTS_READ])

    @property
    def gone(self) -> bool:
        """The server said that it has left."""
        return bool(self.control[GONE])

    def note_loss(self, frames: int, cause: int) -> None:
        """Only while no callback runs: publish what came last, then list ``frames`` lost frames."""
        publish(self.control)
        note_loss(self.control, frames, cause)
        list_pending(self.control)
