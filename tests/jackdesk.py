"""A desk of the tests' own as a JACK client: each send carries one return, delayed, turned over and attenuated.

The callback is compiled and waits for nothing. A whole period passes between what comes in and what goes out, as the
server's order of clients would else decide it; ``latency_frames`` is what a path really takes, that period included.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import jack
import numpy as np
from numba import carray, cfunc, types

from nightreel.ports import jack_callback
from nightreel.ports.memory import address_of, counters_at, floats_at

CHANNELS, IN_PORTS, OUT_PORTS, RING, RING_FRAMES, WRITTEN, SOURCES, DELAYS, GAINS, LAST_TIME, CLIENT, SKIPS = range(12)

_last_frame_time = types.ExternalFunction("jack_last_frame_time", types.uint32(types.int64))
_port_buffer = types.ExternalFunction("jack_port_get_buffer", types.int64(types.int64, types.uint32))


@cfunc(types.int32(types.uint32, types.voidptr))
def _through_the_desk(frames_asked, facts_at):
    facts = carray(counters_at(address_of(facts_at)), 16)
    channels, size = facts[CHANNELS], facts[RING_FRAMES]
    ins = carray(counters_at(facts[IN_PORTS]), channels)
    outs = carray(counters_at(facts[OUT_PORTS]), channels)
    ring = carray(floats_at(facts[RING]), (channels, size))
    sources = carray(counters_at(facts[SOURCES]), channels)
    delays = carray(counters_at(facts[DELAYS]), channels)
    gains = carray(floats_at(facts[GAINS]), channels)
    frames = types.int64(frames_asked)
    now = types.int64(_last_frame_time(facts[CLIENT]))
    at = facts[WRITTEN]
    if facts[LAST_TIME] >= 0:
        skipped = ((now - facts[LAST_TIME]) & 0xFFFFFFFF) - frames
        if 0 < skipped < size:
            # A real desk goes on while the server sleeps: it hears silence for so long.
            facts[SKIPS] += 1
            for channel in range(channels):
                for frame in range(skipped):
                    ring[channel, (at + frame) & (size - 1)] = 0.0
            at += skipped
    facts[LAST_TIME] = now
    for channel in range(channels):
        source = sources[channel]
        played = carray(floats_at(_port_buffer(outs[channel], frames_asked)), frames)
        for frame in range(frames):
            place = at + frame - delays[channel]
            if source < 0 or place < 0:
                played[frame] = 0.0
            else:
                played[frame] = gains[channel] * ring[source, place & (size - 1)]
    for channel in range(channels):
        heard = carray(floats_at(_port_buffer(ins[channel], frames_asked)), frames)
        for frame in range(frames):
            ring[channel, (at + frame) & (size - 1)] = heard[frame]
    facts[WRITTEN] = at + frames
    return 0


@dataclass
class Patch:
    """Per send (from 0): the return it carries (-1 for nothing), gain with polarity, delay in frames."""

    returns: list[int]
    gains: list[float]
    delays_frames: list[int]

    @classmethod
    def straight(cls, channels: int, delay_frames: int) -> Patch:
        return cls(list(range(channels)), [1.0] * channels, [delay_frames] * channels)


class JackDesk:
    """The running client; a context manager. ``repatch`` takes hold with the next period, as a switch would."""

    def __init__(self, server: str, patch: Patch, name: str = "desk") -> None:
        channels = len(patch.returns)
        self.client = jack.Client(name, servername=server, no_start_server=True, use_exact_name=True)
        assert min(patch.delays_frames) >= self.client.blocksize, "a desk takes at least a period"
        self._ins = _addresses([self.client.inports.register(f"return_{n + 1}") for n in range(channels)])
        self._outs = _addresses([self.client.outports.register(f"send_{n + 1}") for n in range(channels)])
        self._ring = np.zeros((channels, 1 << 16), np.float32)
        self._sources = np.zeros(channels, np.int64)
        self._delays = np.zeros(channels, np.int64)
        self._gains = np.zeros(channels, np.float32)
        self.repatch(patch)
        self._facts = np.zeros(16, np.int64)
        self._facts[[CHANNELS, RING_FRAMES, LAST_TIME]] = channels, self._ring.shape[1], -1
        for place, array in (
            (IN_PORTS, self._ins),
            (OUT_PORTS, self._outs),
            (RING, self._ring),
            (SOURCES, self._sources),
            (DELAYS, self._delays),
            (GAINS, self._gains),
        ):
            self._facts[place] = array.ctypes.data
        self._facts[CLIENT] = _address(self.client._ptr)
        status = jack._lib.jack_set_process_callback(
            self.client._ptr,
            jack._ffi.cast("JackProcessCallback", _through_the_desk.address),
            jack._ffi.cast("void*", self._facts.ctypes.data),
        )
        assert status == 0
        self.client.activate()

    def repatch(self, patch: Patch) -> None:
        self._delays[:] = patch.delays_frames
        self._gains[:] = patch.gains
        self._sources[:] = patch.returns

    @property
    def skips(self) -> int:
        """Periods that the server left out while the desk ran."""
        return int(self._facts[SKIPS])

    def __enter__(self) -> JackDesk:
        return self

    def __exit__(self, *exc: object) -> None:
        self.client.close()


def _address(pointer: Any) -> int:
    return int(jack._ffi.cast("intptr_t", pointer))


def _addresses(ports: list[Any]) -> Any:
    return np.array([_address(port._ptr) for port in ports], dtype=np.int64)


jack_callback.be_quiet()
