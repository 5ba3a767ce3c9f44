"""What PortAudio calls for every period: compiled, without Python, without locks, files or allocation.

The signature is ``PaStreamCallback`` of portaudio.h (v19). The user data is the address of the *links*: int64 places
with the addresses of the capture ring's and the play ring's control block (0 for none), and what else it needs.

How much was lost: PortAudio's flags say *that* input overflowed, never how much. The time it states for the first
sample of each period is compared with the count of frames that came; the estimate is as good as the driver's clock,
and is only made when the flag is up. (Over JACK there is better: :mod:`nightreel.ports.jack_callback`.)
"""

from __future__ import annotations

import ctypes
from typing import Any

from numba import cfunc, njit, types

from nightreel.ports import capture_ring as capture
from nightreel.ports import play_ring as play
from nightreel.ports.memory import address_of, carray, counters_at, doubles_at, floats_at

CAPTURE, PLAY, CLOCK, RATE_HZ, JACK_CLIENT, PORTS_IN, PORTS_OUT = 0, 1, 2, 3, 4, 5, 6
LINK_PLACES = 8
# Flags and results of portaudio.h.
INPUT_OVERFLOW, OUTPUT_UNDERFLOW = 2, 4
CONTINUE = 0
# The clock block, float64: when the stream's first frame was captured by the stated times; frames since; 1 once known.
ORIGIN_S, FRAMES, KNOWN = 0, 1, 2
CLOCK_PLACES = 3
SMOOTHING = 0.01

_ULONG = types.uint32 if ctypes.sizeof(ctypes.c_ulong) == 4 else types.uint64
_TIMES: Any = types.CPointer(types.float64)  # type: ignore[no-untyped-call]
SIGNATURE = types.int32(types.voidptr, types.voidptr, _ULONG, _TIMES, _ULONG, types.voidptr)


@njit(cache=True, nogil=True)
def estimate_loss(clock, captured_s, frames, rate_hz, overflowed):  # type: ignore[no-untyped-def]
    """Frames lost before this period, judged by the stated capture times; 0 unless ``overflowed``.

    ``clock`` is (origin in s, frames so far, 1 once there is an origin). The origin follows slowly, because the
    device may run a little fast or slow against the computer's clock.
    """
    lost = 0
    if captured_s > 0.0:
        origin_s = captured_s - clock[FRAMES] / rate_hz
        if clock[KNOWN] == 0.0:
            clock[ORIGIN_S] = origin_s
            clock[KNOWN] = 1.0
        elif overflowed:
            lost = max(0, round((origin_s - clock[ORIGIN_S]) * rate_hz))
        else:
            clock[ORIGIN_S] += SMOOTHING * (origin_s - clock[ORIGIN_S])
    clock[FRAMES] += frames + lost
    return lost


@njit(cache=True, nogil=True)
def capture_period(links, samples_at, frames, captured_s, flags):  # type: ignore[no-untyped-def]
    control = carray(counters_at(links[CAPTURE]), capture.CONTROL_PLACES)
    control[capture.CALLS] += 1
    if control[capture.ARMED] == 0 or samples_at == 0:
        return
    overflowed = (flags & INPUT_OVERFLOW) != 0
    if overflowed:
        control[capture.FLAGS] += 1
    clock = carray(doubles_at(links[CLOCK]), CLOCK_PLACES)
    lost = estimate_loss(clock, captured_s, frames, float(links[RATE_HZ]), overflowed)
    if lost > 0:
        capture.note_loss(control, lost, capture.DEVICE_OVERFLOW)
    capture.put_interleaved(control, carray(floats_at(samples_at), frames * control[capture.CHANNELS]), frames)
    capture.publish(control)


@njit(cache=True, nogil=True)
def play_period(links, samples_at, frames, flags):  # type: ignore[no-untyped-def]
    control = carray(counters_at(links[PLAY]), play.CONTROL_PLACES)
    control[play.CALLS] += 1
    if samples_at == 0:
        return
    if (flags & OUTPUT_UNDERFLOW) != 0:
        control[play.FLAGS] += 1
    out = carray(floats_at(samples_at), frames * control[play.CHANNELS])
    if control[play.ARMED] == 0:
        out[:] = 0.0
        return
    play.play_frames(control, out, frames)
    play.free_played(control)


@cfunc(SIGNATURE, cache=True)
def portaudio_period(heard, played, frames, times, flags, links_at):  # type: ignore[no-untyped-def]
    """``PaStreamCallback``. ``times`` is (time of the first captured sample, now, time of the first played one)."""
    links = carray(counters_at(address_of(links_at)), LINK_PLACES)
    if links[CAPTURE] != 0:
        capture_period(links, address_of(heard), types.int64(frames), carray(times, 3)[0], types.int64(flags))
    if links[PLAY] != 0:
        play_period(links, address_of(played), types.int64(frames), types.int64(flags))
    return CONTINUE
