"""What JACK calls for every period, and what PortAudio calls when it runs over JACK: compiled, without Python.

JACK's frame time of the running cycle (``jack_last_frame_time``, jack/types.h and jack/jack.h) is exact: it moves on
by one period per cycle, and by more where the server skipped cycles. It is read before and after a period is copied:
if it has moved meanwhile, the buffers may already belong to the next cycle, and the period counts as lost.

Importing this module needs the JACK library; :func:`find_library` says whether it is there.
"""

from __future__ import annotations

import ctypes
import ctypes.util
from functools import cache

import llvmlite.binding  # type: ignore[import-untyped]
from numba import cfunc, njit, types

from nightreel.ports import capture_ring as capture
from nightreel.ports import play_ring as play
from nightreel.ports.memory import address_of, carray, counters_at, floats_at
from nightreel.ports.portaudio_callback import (
    CAPTURE,
    CONTINUE,
    JACK_CLIENT,
    LINK_PLACES,
    PLAY,
    PORTS_IN,
    PORTS_OUT,
    SIGNATURE,
)


@cache
def find_library() -> ctypes.CDLL | None:
    """The JACK library, loaded; None where there is none."""
    name = ctypes.util.find_library("jack")
    try:
        return ctypes.CDLL(name) if name else None
    except OSError:
        return None


def _register_symbols() -> None:
    """Let compiled code find JACK's functions by name, also when it comes from the cache."""
    library = find_library()
    if library is None:
        raise ImportError("the JACK library is not installed")
    for name in ("jack_last_frame_time", "jack_port_get_buffer"):
        function = ctypes.cast(getattr(library, name), ctypes.c_void_p).value
        llvmlite.binding.add_symbol(name, function)


_register_symbols()
# Pointers travel as int64: the control blocks hold them so.
_last_frame_time = types.ExternalFunction("jack_last_frame_time", types.uint32(types.int64))
_port_buffer = types.ExternalFunction("jack_port_get_buffer", types.int64(types.int64, types.uint32))


@njit(cache=True, nogil=True)
def put_ports(control, ports, frames):  # type: ignore[no-untyped-def]
    """As ``put_interleaved``, from one JACK port per channel."""
    if not capture.make_room(control, frames):
        return
    channels = control[capture.CHANNELS]
    size = control[capture.SIZE]
    ring = carray(floats_at(control[capture.RING]), (size, channels))
    at = control[capture.HEAD] % size
    run = min(frames, size - at)
    for channel in range(channels):
        heard = carray(floats_at(_port_buffer(ports[channel], types.uint32(frames))), frames)
        for frame in range(run):
            ring[at + frame, channel] = heard[frame]
        for frame in range(run, frames):
            ring[frame - run, channel] = heard[frame]
    control[capture.HEAD] += frames


@njit(cache=True, nogil=True)
def play_ports(control, ports, frames):  # type: ignore[no-untyped-def]
    """What is to be heard next, into one JACK port per channel."""
    channels = control[play.CHANNELS]
    most = control[play.SCRATCH_FRAMES]
    scratch = carray(floats_at(control[play.SCRATCH]), most * channels)
    for first in range(0, frames, most):
        part = min(most, frames - first)
        play.play_frames(control, scratch, part)
        for channel in range(channels):
            played = carray(floats_at(_port_buffer(ports[channel], types.uint32(frames))), frames)
            for frame in range(part):
                played[first + frame] = scratch[frame * channels + channel]


@njit(cache=True, nogil=True)
def silence_ports(control, ports, frames):  # type: ignore[no-untyped-def]
    for channel in range(control[play.CHANNELS]):
        carray(floats_at(_port_buffer(ports[channel], types.uint32(frames))), frames)[:] = 0.0


@cfunc(types.int32(types.uint32, types.voidptr), cache=True)
def jack_period(frames_asked, links_at):  # type: ignore[no-untyped-def]
    """``JackProcessCallback``."""
    links = carray(counters_at(address_of(links_at)), LINK_PLACES)
    frames = types.int64(frames_asked)
    client = links[JACK_CLIENT]
    now = types.int64(_last_frame_time(client))
    if links[CAPTURE] != 0:
        heard = carray(counters_at(links[CAPTURE]), capture.CONTROL_PLACES)
        heard[capture.CALLS] += 1
        if heard[capture.ARMED] == 1 and capture.begin_period(heard, now, frames):
            put_ports(heard, carray(counters_at(links[PORTS_IN]), heard[capture.CHANNELS]), frames)
            if types.int64(_last_frame_time(client)) != now:
                capture.doubt_period(heard)
    if links[PLAY] != 0:
        played = carray(counters_at(links[PLAY]), play.CONTROL_PLACES)
        ports = carray(counters_at(links[PORTS_OUT]), played[play.CHANNELS])
        played[play.CALLS] += 1
        if played[play.ARMED] == 1:
            play.begin_period(played, now, frames)
            play_ports(played, ports, frames)
            play.end_period(played, types.int64(_last_frame_time(client)) == now)
        else:
            silence_ports(played, ports, frames)
    return 0


@cfunc(SIGNATURE, cache=True)
def portaudio_jack_period(heard_at, played_at, frames_asked, times, flags, links_at):  # type: ignore[no-untyped-def]
    """``PaStreamCallback`` for streams over JACK; ``links`` hold any client of the same server, to ask the time."""
    links = carray(counters_at(address_of(links_at)), LINK_PLACES)
    frames = types.int64(frames_asked)
    client = links[JACK_CLIENT]
    now = types.int64(_last_frame_time(client))
    if links[CAPTURE] != 0:
        heard = carray(counters_at(links[CAPTURE]), capture.CONTROL_PLACES)
        heard[capture.CALLS] += 1
        if heard[capture.ARMED] == 1 and capture.begin_period(heard, now, frames):
            samples = carray(floats_at(address_of(heard_at)), frames * heard[capture.CHANNELS])
            capture.put_interleaved(heard, samples, frames)
            if types.int64(_last_frame_time(client)) != now:
                capture.doubt_period(heard)
    if links[PLAY] != 0:
        played = carray(counters_at(links[PLAY]), play.CONTROL_PLACES)
        samples = carray(floats_at(address_of(played_at)), frames * played[play.CHANNELS])
        played[play.CALLS] += 1
        if played[play.ARMED] == 1:
            play.begin_period(played, now, frames)
            play.play_frames(played, samples, frames)
            play.end_period(played, types.int64(_last_frame_time(client)) == now)
        else:
            samples[:] = 0.0
    return CONTINUE


@cfunc(types.void(types.int32, types.voidptr, types.voidptr), cache=True)
def jack_gone(code, reason, links_at):  # type: ignore[no-untyped-def]
    """``JackInfoShutdownCallback``: the server has left us."""
    links = carray(counters_at(address_of(links_at)), LINK_PLACES)
    if links[CAPTURE] != 0:
        carray(counters_at(links[CAPTURE]), capture.CONTROL_PLACES)[capture.GONE] = 1
    if links[PLAY] != 0:
        carray(counters_at(links[PLAY]), play.CONTROL_PLACES)[play.GONE] = 1


@cfunc(types.void(types.voidptr), cache=True)
def say_nothing(message):  # type: ignore[no-untyped-def]
    """A printer for ``jack_set_error_function`` that prints nothing."""


def be_quiet() -> None:
    """Keep the library from printing on a screen that is ours: what matters comes back as an error of ours."""
    library = find_library()
    assert library is not None
    for setter in (library.jack_set_error_function, library.jack_set_info_function):
        setter.argtypes = [ctypes.c_void_p]
        setter.restype = None
        setter(say_nothing.address)
