"""A FrameSink and a Duplex over a device stream."""

from __future__ import annotations

import threading
import time

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid, DeviceTrouble
from nightreel.ports.capture_ring import CaptureRing, Loss
from nightreel.ports.play_ring import FADE_S, PlayRing
from nightreel.ports.protocols import Block, FloatArray
from nightreel.ports.streams import MOST_BLOCK_S, POLL_S, RING_S, OpenStream, Stream, Watch
from nightreel.timeline import Gap
from nightreel.units import frames_from_seconds

BUFFER_S = 0.2
CUSHION_S = 0.05
DUPLEX_CUSHION_S = 0.1
PANIC_S = 0.02


class _Player:
    """The writer's side of a play ring with its stream, shared by sink and duplex."""

    def __init__(self, ring: PlayRing, stream: Stream, device: str) -> None:
        self.ring = ring
        self._stream = stream
        self._device = device
        self._watch = Watch(ring)

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
        self._cuts = 0  # how often it was faded out
        self._writing = threading.Lock()

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
        cuts, done = self._cuts, 0
        while done < samples.shape[0]:
            with self._writing:
                if self._cuts != cuts:
                    return  # faded out from another thread: the rest is not to be heard
                room = ring.free_frames
                ring.write(samples[done : done + room])
            done += min(room, samples.shape[0] - done)
            if room == 0:
                player.pause()

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
        self._cuts += 1
        player.ring.ask_stop(frames_from_seconds(seconds, self._rate_hz))
        while not player.ring.stopped:
            player.pause()
        with self._writing:
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
