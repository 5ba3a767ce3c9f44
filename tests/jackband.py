"""A band and a pair of ears of the tests' own, as JACK clients that never wait for Python.

The band plays 24-bit noise whose every sample follows from the server's frame time and the channel, so that any
recorded frame can be told from any other. Both keep a log of the periods they were called for, because on a machine
without real-time scheduling a test has to know what was really played.
"""

from __future__ import annotations

import time
from typing import Any

import jack
import numpy as np
from numba import carray, cfunc, njit, types

from nightreel.ports import jack_callback
from nightreel.ports.memory import address_of, counters_at, floats_at

CLIENT, CHANNELS, PORTS, LOG, LOG_PLACES, LOGGED, TAPE, TAPE_FRAMES, TAPED = range(9)

_last_frame_time = types.ExternalFunction("jack_last_frame_time", types.uint32(types.int64))
_port_buffer = types.ExternalFunction("jack_port_get_buffer", types.int64(types.int64, types.uint32))


@njit(cache=True)
def note(frame_time, channel):
    """A 24-bit sample: a multiply-xorshift hash of time and channel."""
    x = np.uint32(frame_time) * np.uint32(2654435761) + np.uint32(channel + 1) * np.uint32(2246822519)
    x = np.uint32(x ^ (x >> np.uint32(15))) * np.uint32(2246822507)
    x = np.uint32(x ^ (x >> np.uint32(13))) * np.uint32(3266489909)
    x = np.uint32(x ^ (x >> np.uint32(16)))
    return np.float32((np.int64(x >> np.uint32(8)) - 8388608) / 8388608.0)


@njit(cache=True)
def notes(frame_time, frames, channels):
    """What the band plays, (frames, channels), from a frame time on."""
    block = np.empty((frames, channels), dtype=np.float32)
    for frame in range(frames):
        for channel in range(channels):
            block[frame, channel] = note((frame_time + frame) & 0xFFFFFFFF, channel)
    return block


@njit
def _log(facts, now, same):
    log = carray(counters_at(facts[LOG]), (facts[LOG_PLACES], 2))
    if facts[LOGGED] < facts[LOG_PLACES]:
        log[facts[LOGGED], 0] = now
        log[facts[LOGGED], 1] = same
        facts[LOGGED] += 1


@cfunc(types.int32(types.uint32, types.voidptr))
def _play(frames_asked, facts_at):
    facts = carray(counters_at(address_of(facts_at)), 16)
    ports = carray(counters_at(facts[PORTS]), facts[CHANNELS])
    frames = types.int64(frames_asked)
    now = types.int64(_last_frame_time(facts[CLIENT]))
    for channel in range(facts[CHANNELS]):
        buffer = carray(floats_at(_port_buffer(ports[channel], frames_asked)), frames)
        for frame in range(frames):
            buffer[frame] = note((now + frame) & 0xFFFFFFFF, channel)
    _log(facts, now, types.int64(types.int64(_last_frame_time(facts[CLIENT])) == now))
    return 0


@cfunc(types.int32(types.uint32, types.voidptr))
def _hear(frames_asked, facts_at):
    facts = carray(counters_at(address_of(facts_at)), 16)
    channels = facts[CHANNELS]
    ports = carray(counters_at(facts[PORTS]), channels)
    frames = types.int64(frames_asked)
    now = types.int64(_last_frame_time(facts[CLIENT]))
    at = facts[TAPED]
    if at + frames > facts[TAPE_FRAMES]:
        return 0
    tape = carray(floats_at(facts[TAPE]), (facts[TAPE_FRAMES], channels))
    for channel in range(channels):
        buffer = carray(floats_at(_port_buffer(ports[channel], frames_asked)), frames)
        for frame in range(frames):
            tape[at + frame, channel] = buffer[frame]
    facts[TAPED] = at + frames
    _log(facts, now, types.int64(types.int64(_last_frame_time(facts[CLIENT])) == now))
    return 0


@cfunc(types.int32(types.uint32, types.voidptr))
def _return(frames_asked, facts_at):
    facts = carray(counters_at(address_of(facts_at)), 16)
    channels = facts[CHANNELS]
    ports = carray(counters_at(facts[PORTS]), 2 * channels)
    frames = types.int64(frames_asked)
    now = types.int64(_last_frame_time(facts[CLIENT]))
    kept = carray(floats_at(facts[TAPE]), (channels, frames))
    for channel in range(channels):
        heard = carray(floats_at(_port_buffer(ports[channel], frames_asked)), frames)
        played = carray(floats_at(_port_buffer(ports[channels + channel], frames_asked)), frames)
        for frame in range(frames):
            played[frame] = kept[channel, frame]
        for frame in range(frames):
            kept[channel, frame] = heard[frame]
    _log(facts, now, types.int64(types.int64(_last_frame_time(facts[CLIENT])) == now))
    return 0


class _Musician:
    def __init__(
        self, server: str, name: str, channels: int, callback: Any, *, ins: int, outs: int, tape_frames: int = 0
    ) -> None:
        self.client = _open(name, server)
        self.period_frames = self.client.blocksize
        own = [self.client.inports.register(f"in_{n + 1}") for n in range(ins)]
        own += [self.client.outports.register(f"out_{n + 1}") for n in range(outs)]
        self._ports = np.array([_address(port._ptr) for port in own], dtype=np.int64)
        self._log = np.zeros((200_000, 2), dtype=np.int64)
        self._tape = np.zeros((tape_frames, channels), dtype=np.float32)
        self._tape.fill(0.0)
        self._facts = np.zeros(16, dtype=np.int64)
        self._facts[[CLIENT, CHANNELS, PORTS]] = _address(self.client._ptr), channels, self._ports.ctypes.data
        self._facts[[LOG, LOG_PLACES]] = self._log.ctypes.data, self._log.shape[0]
        self._facts[[TAPE, TAPE_FRAMES]] = self._tape.ctypes.data, tape_frames
        status = jack._lib.jack_set_process_callback(
            self.client._ptr,
            jack._ffi.cast("JackProcessCallback", callback.address),
            jack._ffi.cast("void*", self._facts.ctypes.data),
        )
        assert status == 0
        self.client.activate()

    @property
    def periods(self) -> Any:
        """(periods, 2): frame time, 1 where the cycle had not moved on when it was done."""
        return self._log[: self._facts[LOGGED]]

    @property
    def tape(self) -> Any:
        return self._tape[: self._facts[TAPED]]

    def close(self) -> None:
        self.client.close()

    def __enter__(self) -> _Musician:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def band(server: str, channels: int, name: str = "band") -> _Musician:
    """Plays on ``channels`` outputs."""
    return _Musician(server, name, channels, _play, ins=0, outs=channels)


def ears(server: str, channels: int, seconds: float = 20.0, name: str = "ears") -> _Musician:
    """Tapes ``channels`` inputs for so long at 48 kHz."""
    return _Musician(server, name, channels, _hear, ins=channels, outs=0, tape_frames=round(seconds * 48_000))


def desk(server: str, channels: int, name: str = "desk") -> _Musician:
    """Gives back on each output what came in on its input, a period later."""
    return _Musician(server, name, channels, _return, ins=channels, outs=channels, tape_frames=4096)


def _open(name: str, server: str) -> Any:
    """A busy server may refuse at first."""
    for attempt in range(20):
        try:
            return jack.Client(name, servername=server, no_start_server=True, use_exact_name=True)
        except jack.JackOpenError:
            time.sleep(0.1 * attempt)
    raise AssertionError("the server took no client")


def _address(pointer: Any) -> int:
    return int(jack._ffi.cast("intptr_t", pointer))


jack_callback.be_quiet()
