"""A FrameSource over a device stream: blocks, gaps, and a device that goes away and comes back."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightreel.errors import DeviceTrouble
from nightreel.ports import capture_ring
from nightreel.ports.capture_ring import CaptureRing, Loss
from nightreel.ports.protocols import Block, FloatArray
from nightreel.ports.streams import MOST_BLOCK_S, POLL_S, RING_S, OpenStream, Stream, Watch
from nightreel.timeline import Gap
from nightreel.units import frames_from_seconds

BLOCK_S = 0.02
WATCH_S = 0.02
RETRY_S = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureHealth:
    """How the capture side fares; frames unless named otherwise.

    flags : times the driver said that something was lost
    unsure : periods that were replaced while they were read (counted as lost)
    repeats : periods that the server ran twice (the second one counts)
    """

    ring: int
    filled: int
    high_water: int
    flags: int
    unsure: int
    repeats: int
    lost_device: bool


class _Keeper:
    """Keeps a capture stream running: notices its loss, accounts for the time, opens it again. One thread."""

    def __init__(self, ring: CaptureRing, open_stream: OpenStream, stream: Stream, rate_hz: int) -> None:
        self._ring = ring
        self._open = open_stream
        self._stream: Stream | None = stream
        self._rate_hz = rate_hz
        self._leave = threading.Event()
        self.lost = False
        self._thread = threading.Thread(target=self._run, name="nightreel-device-watch", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._leave.set()
        self._thread.join()
        if self._stream is not None:
            self._stream.close()
            self._ring.restart()

    def _run(self) -> None:
        while self._stream is not None and not self._leave.is_set():
            last_frame_s = self._watch(self._stream)
            if last_frame_s is None:
                return
            self.lost = True
            self._stream.close()
            self._ring.restart()
            self._stream = self._open_again(last_frame_s)
            self.lost = False

    def _watch(self, stream: Stream) -> float | None:
        """When the last frame came, once the device is lost; None when told to leave."""
        watch = Watch(self._ring)
        arrived, last_frame_s = -1, time.monotonic()
        while not self._leave.wait(WATCH_S):
            if self._ring.arrived_frames != arrived:
                arrived, last_frame_s = self._ring.arrived_frames, time.monotonic()
            if watch.is_lost(stream):
                return last_frame_s
        return None

    def _open_again(self, last_frame_s: float) -> Stream | None:
        """Lists the time as lost while it passes, so that the take's clock goes on; None when told to leave."""
        opener = _Opener(self._open, self._ring)
        listed = 0
        while not self._leave.is_set():
            stream = opener.try_for(WATCH_S * 5)
            passed = frames_from_seconds(time.monotonic() - last_frame_s, self._rate_hz)
            self._ring.note_loss(max(0, passed - listed), capture_ring.DEVICE_LOST)
            listed = max(listed, passed)
            if stream is not None:
                self._ring.arm()
                return stream
        opener.give_up()
        return None


class _Opener:
    """Tries to open a device over and over in a thread of its own: a driver may take its time over a refusal."""

    def __init__(self, open_stream: OpenStream, ring: CaptureRing) -> None:
        self._open = open_stream
        self._ring = ring
        self._opened: Stream | None = None
        self._leave = threading.Event()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run, name="nightreel-device-open", daemon=True)
        self._thread.start()

    def try_for(self, seconds: float) -> Stream | None:
        return self._opened if self._done.wait(seconds) else None

    def give_up(self) -> None:
        self._leave.set()
        self._thread.join()
        if self._opened is not None:
            self._opened.close()

    def _run(self) -> None:
        while not self._leave.is_set():
            try:
                self._opened = self._open(self._ring, None)
            except Exception:  # whatever a driver throws: the take goes on, and the next try may succeed
                self._leave.wait(RETRY_S)
            else:
                self._done.set()
                return


class RingSource:
    """A FrameSource over a device. Lost frames are zeros with a gap; a lost device is a gap until it is back.

    ring_s : how long the reader may stall before anything is lost
    block_frames : what a read waits for; it may give less at a gap or at its timeout, and more after a stall
    """

    def __init__(
        self,
        open_stream: OpenStream,
        *,
        rate_hz: int,
        channels: int,
        clock: str,
        ring_s: float = RING_S,
        block_frames: int | None = None,
    ) -> None:
        self._open = open_stream
        self._rate_hz = rate_hz
        self._channels = channels
        self._clock = clock
        self._ring_frames = frames_from_seconds(ring_s, rate_hz)
        self._block_frames = block_frames or frames_from_seconds(BLOCK_S, rate_hz)
        self._most_frames = frames_from_seconds(MOST_BLOCK_S, rate_hz)
        self._ring: CaptureRing | None = None
        self._keeper: _Keeper | None = None
        self._position = 0
        self._loss: Loss | None = None

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def channels(self) -> int:
        return self._channels

    @property
    def clock(self) -> str:
        return self._clock

    @property
    def health(self) -> CaptureHealth | None:
        """None before the start."""
        if self._ring is None:
            return None
        control = self._ring.control
        return CaptureHealth(
            ring=self._ring.size_frames,
            filled=self._ring.fill_frames,
            high_water=self._ring.high_water_frames,
            flags=int(control[capture_ring.FLAGS]),
            unsure=int(control[capture_ring.UNSURE]),
            repeats=int(control[capture_ring.REPEATS]),
            lost_device=self._keeper is not None and self._keeper.lost,
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences for people, each for as long as its cause stands."""
        health = self.health
        if health is None or not health.lost_device:
            return ()
        return (f"{self._clock}: the device has gone. It is looked for; until it is back the take has a gap.",)

    def report(self) -> Mapping[str, Any]:
        """Figures since the start; ``summary`` is one line for the terminal."""
        health = self.health
        if health is None:
            return {"summary": f"{self._clock}: not started"}
        ring_s, high_water_s = health.ring / self._rate_hz, health.high_water / self._rate_hz
        state = "gone" if health.lost_device else "running"
        return {
            "summary": f"{self._clock}: {state}, at most {high_water_s:.1f} s of {ring_s:.0f} s waited for the reader",
            "ring_s": ring_s,
            "waiting_s": health.filled / self._rate_hz,
            "most_waiting_s": high_water_s,
            "overflow_flags": health.flags,
            "periods_in_doubt": health.unsure,
            "periods_repeated": health.repeats,
            "device_lost": health.lost_device,
        }

    def start(self) -> None:
        ring = CaptureRing(channels=self._channels, frames=self._ring_frames)
        stream = self._open(ring, None)
        ring.arm()
        self._ring = ring
        self._keeper = _Keeper(ring, self._open, stream, self._rate_hz)

    def read(self, *, timeout_s: float) -> Block | None:
        ring = self._ring
        if ring is None:
            raise DeviceTrouble("the source was not started")
        if self._loss is None:
            self._wait(ring, timeout_s)
            got = ring.take(self._most_frames)
            if got is None:
                return None
            if not isinstance(got, Loss):
                return self._deliver(got, ())
            self._loss = got
        return self._deliver_loss(self._loss)

    def stop(self) -> None:
        """What is in the ring can still be read."""
        if self._keeper is not None:
            self._keeper.stop()
            self._keeper = None

    def _wait(self, ring: CaptureRing, timeout_s: float) -> None:
        deadline_s = time.monotonic() + timeout_s
        while ring.fill_frames < self._block_frames and not ring.has_event and self._keeper is not None:
            left_s = deadline_s - time.monotonic()
            if left_s <= 0.0:
                return
            time.sleep(min(POLL_S, left_s))

    def _deliver(self, samples: FloatArray, gaps: tuple[Gap, ...]) -> Block:
        block = Block(first_frame=self._position, samples=samples, gaps=gaps)
        self._position += block.frames
        return block

    def _deliver_loss(self, loss: Loss) -> Block:
        frames = min(loss.frames, self._most_frames)
        rest = loss.frames - frames
        self._loss = Loss(frames=rest, cause=loss.cause) if rest else None
        gap = Gap(first_frame=self._position, frames=frames, cause=loss.cause)
        return self._deliver(np.zeros((frames, self._channels), dtype=np.float32), (gap,))
