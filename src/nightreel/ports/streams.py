"""Source, sink and duplex over the rings: what every device stream has in common.

A *stream* is an open device that calls the compiled callbacks. Opening one is the business of
:mod:`nightreel.ports.portaudio` and :mod:`nightreel.ports.jack`; here is what happens around it: waiting, blocks,
gaps, and devices that go away and come back.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid, DeviceTrouble
from nightreel.ports import capture_ring
from nightreel.ports.capture_ring import CaptureRing, Loss
from nightreel.ports.play_ring import FADE_S, PlayRing
from nightreel.ports.protocols import Block, FloatArray
from nightreel.timeline import Gap
from nightreel.units import frames_from_seconds

RING_S = 20.0
BLOCK_S = 0.02
MOST_BLOCK_S = 0.5
POLL_S = 0.004
WATCH_S = 0.02
# A device that has not called for this long is lost. A server on a busy machine may pause for some 100 ms.
SILENT_S = 2.0
RETRY_S = 0.5
BUFFER_S = 0.2
CUSHION_S = 0.05
DUPLEX_CUSHION_S = 0.1
PANIC_S = 0.02


class Stream(Protocol):
    """An open device. ``close`` is idempotent, and never waits for more audio."""

    @property
    def alive(self) -> bool:
        """False once the driver knows that the device has gone."""
        ...

    @property
    def latency_frames(self) -> tuple[int, int]:
        """What the driver says of the way in and the way out; it is often wrong by some, and line check measures."""
        ...

    def close(self) -> None: ...


OpenStream = Callable[[CaptureRing | None, PlayRing | None], Stream]
"""Opens the device, arms the rings once everything is connected; raises DeviceTrouble and leaves nothing open."""


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


class _Watch:
    """Notices that a stream no longer calls. Time in which this process itself was stopped does not count."""

    def __init__(self, ring: CaptureRing | PlayRing) -> None:
        self._ring = ring
        self._calls = -1
        self._looked_s = time.monotonic()
        self._quiet_s = 0.0

    def is_lost(self, stream: Stream) -> bool:
        now_s = time.monotonic()
        calls = self._ring.calls
        if calls != self._calls:
            self._quiet_s = 0.0
        else:
            self._quiet_s += min(now_s - self._looked_s, 0.05)
        self._calls, self._looked_s = calls, now_s
        return self._ring.gone or not stream.alive or self._quiet_s > SILENT_S


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
        watch = _Watch(self._ring)
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
            except DeviceTrouble:
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


class _Player:
    """The writer's side of a play ring with its stream, shared by sink and duplex."""

    def __init__(self, ring: PlayRing, stream: Stream, device: str) -> None:
        self.ring = ring
        self._stream = stream
        self._device = device
        self._watch = _Watch(ring)

    @property
    def latency_frames(self) -> tuple[int, int]:
        return self._stream.latency_frames

    def require_alive(self) -> None:
        if self._watch.is_lost(self._stream):
            raise DeviceTrouble(
                "the device has gone while it was playing; nothing sounds",
                where=self._device,
                now="Bring it back, then start again",
            )

    def pause(self) -> None:
        self.require_alive()
        time.sleep(POLL_S)

    def close(self) -> None:
        self._stream.close()
        self.ring.restart()


class RingSink:
    """A FrameSink over a device. It never clicks: see :mod:`nightreel.ports.play_ring`.

    buffer_s : how far ahead the writer may run; a jump is heard after at most this long
    """

    def __init__(
        self, open_stream: OpenStream, *, rate_hz: int, channels: int, device: str, buffer_s: float = BUFFER_S
    ) -> None:
        self._open = open_stream
        self._rate_hz = rate_hz
        self._channels = channels
        self._device = device
        self._buffer_frames = frames_from_seconds(buffer_s, rate_hz)
        self._player: _Player | None = None
        self._underruns = 0

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def channels(self) -> int:
        return self._channels

    @property
    def underruns(self) -> int:
        return self._player.ring.underruns if self._player else self._underruns

    @property
    def skips(self) -> int:
        """Times the server went on without this process: a hole in what is heard, though the writer was in time."""
        return self._player.ring.skips if self._player else 0

    @property
    def periods(self) -> NDArray[np.int64]:
        """(periods, 3): what was played when, of the last periods over JACK; see :attr:`PlayRing.periods`."""
        return self._require_player().ring.periods

    def start(self) -> None:
        cushion = min(frames_from_seconds(CUSHION_S, self._rate_hz), self._buffer_frames // 2)
        ring = PlayRing(
            channels=self._channels,
            frames=self._buffer_frames,
            cushion_frames=cushion,
            fade_frames=frames_from_seconds(FADE_S, self._rate_hz),
        )
        stream = self._open(None, ring)
        ring.arm()
        self._player = _Player(ring, stream, self._device)

    def write(self, samples: FloatArray) -> None:
        player = self._require_player()
        _require_block(samples, self._channels)
        player.require_alive()
        ring = player.ring
        ring.set_ending(False)
        done = 0
        while done < samples.shape[0]:
            room = ring.free_frames
            if ring.stopped:
                return  # faded out from another thread: the rest is not to be heard
            if room == 0:
                player.pause()
                continue
            ring.write(samples[done : done + room])
            done += min(room, samples.shape[0] - done)

    def flush(self) -> None:
        player = self._require_player()
        player.ring.set_ending(True)
        while player.ring.waiting_frames > 0 or not player.ring.silent:
            player.pause()

    def fade_out(self, seconds: float = PANIC_S) -> None:
        """The quickest way to silence without a click: what sounds is faded from the very next period on, what
        was written ahead is thrown away, and a ``write`` that waits in another thread returns. Blocks until silent;
        ``write`` plays again afterwards."""
        player = self._require_player()
        player.ring.ask_stop(frames_from_seconds(seconds, self._rate_hz))
        while not player.ring.stopped:
            player.pause()
        time.sleep(2 * POLL_S)  # lets a waiting ``write`` see it
        player.ring.start_afresh()

    def stop(self) -> None:
        if self._player is not None:
            self._underruns = self._player.ring.underruns
            self._player.close()
            self._player = None

    def _require_player(self) -> _Player:
        if self._player is None:
            raise DeviceTrouble("the sink was not started", where=self._device)
        return self._player


class RingDuplex:
    """A Duplex over one device, both ways in the same periods.

    Playing runs ``latency_frames[2]`` frames ahead of capturing, so that the caller may be late by as much. Periods
    that the device skipped are skipped on both sides: the offset holds after a gap, too. ``underruns`` other than
    before says that something was not played in time (silence went out instead) and the offset may have moved.
    """

    def __init__(
        self,
        open_stream: OpenStream,
        *,
        rate_hz: int,
        sends: int,
        returns: int,
        device: str,
        ahead_s: float = DUPLEX_CUSHION_S,
    ) -> None:
        self._open = open_stream
        self._rate_hz = rate_hz
        self._sends = sends
        self._returns = returns
        self._device = device
        self._ahead_frames = frames_from_seconds(ahead_s, rate_hz)
        self._most_frames = frames_from_seconds(MOST_BLOCK_S, rate_hz)
        self._heard: CaptureRing | None = None
        self._player: _Player | None = None
        self._position = 0
        self._loss: Loss | None = None

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def sends(self) -> int:
        return self._sends

    @property
    def returns(self) -> int:
        return self._returns

    @property
    def underruns(self) -> int:
        return self._player.ring.underruns if self._player else 0

    @property
    def skips(self) -> int:
        """Times the server went on without this process, each with a gap in what was captured."""
        return self._player.ring.skips if self._player else 0

    @property
    def latency_frames(self) -> tuple[int, int, int]:
        """(in, out, ahead): what the driver says of its two ways, and how far playing runs ahead here."""
        into, out = self._player.latency_frames if self._player else (0, 0)
        return into, out, self._ahead_frames

    def start(self) -> None:
        heard = CaptureRing(channels=self._sends, frames=frames_from_seconds(RING_S, self._rate_hz))
        played = PlayRing(
            channels=self._returns,
            frames=self._ahead_frames + 2 * self._most_frames,
            cushion_frames=0,
            fade_frames=frames_from_seconds(FADE_S, self._rate_hz),
        )
        played.stay_on_time()
        played.write(np.zeros((self._ahead_frames, self._returns), dtype=np.float32))
        stream = self._open(heard, played)
        played.arm()
        heard.arm()
        self._heard = heard
        self._player = _Player(played, stream, self._device)

    def exchange(self, played: FloatArray) -> Block:
        if self._heard is None or self._player is None:
            raise DeviceTrouble("the duplex was not started", where=self._device)
        _require_block(played, self._returns)
        first_frame = self._position
        samples = np.zeros((played.shape[0], self._sends), dtype=np.float32)
        gaps: list[Gap] = []
        for first in range(0, played.shape[0], self._most_frames):
            part = played[first : first + self._most_frames]
            self._player.ring.write(part)
            self._fill(samples[first : first + part.shape[0]], gaps)
        return Block(first_frame=first_frame, samples=samples, gaps=tuple(gaps))

    def stop(self) -> None:
        if self._player is not None:
            self._player.close()
            self._player = None

    def _fill(self, samples: FloatArray, gaps: list[Gap]) -> None:
        assert self._heard is not None
        assert self._player is not None
        done = 0
        while done < samples.shape[0]:
            wanted = samples.shape[0] - done
            if self._loss is None:
                got = self._heard.take(wanted)
                if got is None:
                    self._player.pause()
                    continue
                if not isinstance(got, Loss):
                    samples[done : done + got.shape[0]] = got
                    done += got.shape[0]
                    self._position += got.shape[0]
                    continue
                self._loss = got
            frames = min(self._loss.frames, wanted)
            rest = self._loss.frames - frames
            gaps.append(Gap(first_frame=self._position, frames=frames, cause=self._loss.cause))
            self._loss = Loss(frames=rest, cause=self._loss.cause) if rest else None
            done += frames
            self._position += frames


def _require_block(samples: FloatArray, channels: int) -> None:
    if samples.ndim != 2 or samples.shape[1] != channels:
        raise ArgumentInvalid(f"what is played needs shape (frames, {channels}), got {samples.shape}")
