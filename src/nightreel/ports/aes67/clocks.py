"""Clocks that may pace a sender, and what this computer knows of network time.

A computer whose system clock is disciplined by PTP (``ptp4l`` with ``phc2sys``, or a service of the same kind) can
time packets by TAI: with ``mediaclk:direct=0`` the timestamp of a moment is its TAI seconds times the rate, modulo
2**32 (RFC 7273 section 5). Whether it is disciplined can only be read, not proven, from here; the report says what
was read.
"""

from __future__ import annotations

import ctypes
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nightreel.ports.aes67 import placing

# Linux adjtimex(2): the clock is not synchronised; struct timex begins with modes, offset, freq, maxerror, esterror.
_STA_UNSYNC = 0x0040
_TIMEX_BYTES = 208
_TAI_WORD = 40  # index of `tai` among the 32-bit words of struct timex on 64-bit Linux
_CLOCK_TAI = 11
EVERY_S = 0.1
PTP_PROGRAMS = ("ptp4l", "phc2sys", "timemaster")


class MediaClock(Protocol):
    """The relation of media frames to the computer's clock, kept up to date by its owner (see :mod:`placing`)."""

    @property
    def shared(self) -> NDArray[np.int64]: ...

    @property
    def base(self) -> NDArray[np.float64]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockHealth:
    """What the system says of its own clock. ``estimated_error_us`` is the kernel's figure, None where not told."""

    synchronised: bool
    tai_offset_s: int
    estimated_error_us: int | None
    hardware_clocks: tuple[str, ...]
    programs: tuple[str, ...]

    @property
    def may_pace_by_tai(self) -> bool:
        return self.synchronised and self.tai_offset_s > 0 and bool(self.programs)

    def sentence(self) -> str:
        """For the terminal and the report."""
        cards = f"hardware clocks: {', '.join(self.hardware_clocks) or 'none'}"
        running = f"PTP programs running: {', '.join(self.programs) or 'none'}"
        if self.may_pace_by_tai:
            return f"The system clock is disciplined and knows TAI; packets can be timed by it ({cards}; {running})."
        return (
            f"The system clock is not known to follow PTP ({cards}; {running}): "
            "packets are timed by a received flow, or by this computer's own clock."
        )


def read_clock_health(*, proc: Path = Path("/proc"), cards: Path = Path("/sys/class/ptp")) -> ClockHealth:
    """Reads only; on systems other than Linux everything is unknown and nothing is claimed."""
    synchronised, tai_offset_s, error_us = _read_kernel_clock()
    names = [path.read_text().strip() for path in sorted(proc.glob("[0-9]*/comm")) if _readable(path)]
    return ClockHealth(
        synchronised=synchronised,
        tai_offset_s=tai_offset_s,
        estimated_error_us=error_us,
        hardware_clocks=tuple(path.name for path in sorted(cards.glob("ptp*"))) if cards.is_dir() else (),
        programs=tuple(sorted({name for name in names if name in PTP_PROGRAMS})),
    )


def _readable(path: Path) -> bool:
    try:
        path.read_bytes()
    except OSError:
        return False
    return True


def _read_kernel_clock() -> tuple[bool, int, int | None]:
    if not sys.platform.startswith("linux") or ctypes.sizeof(ctypes.c_void_p) != 8:
        return False, 0, None
    words = (ctypes.c_int * (_TIMEX_BYTES // 4))()
    state = ctypes.CDLL(None).adjtimex(ctypes.byref(words))
    if state < 0:
        return False, 0, None
    longs = ctypes.cast(words, ctypes.POINTER(ctypes.c_long))
    return not words[10] & _STA_UNSYNC, int(words[_TAI_WORD]), int(longs[4])


class TaiClock:
    """A MediaClock whose frame 0 lies at the epoch of TAI; it follows the system's TAI clock while it runs."""

    def __init__(self, *, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._shared = np.zeros(placing.SHARED_FIELDS, np.int64)
        self._base = np.zeros(1, np.float64)
        self._leave = threading.Event()
        self._read()
        self._shared[placing.STARTED] = 1
        self._thread = threading.Thread(target=self._run, name="TAI clock", daemon=True)
        self._thread.start()

    @property
    def shared(self) -> NDArray[np.int64]:
        return self._shared

    @property
    def base(self) -> NDArray[np.float64]:
        return self._base

    def _read(self) -> None:
        """Only the frame is moved; the instant it belongs to stays, so that a sender never sees half an update."""
        if not self._shared[placing.BASE_NS]:
            self._shared[placing.BASE_NS] = time.monotonic_ns()
        before = time.monotonic_ns()
        tai_ns = time.clock_gettime_ns(_CLOCK_TAI)
        moment = (before + time.monotonic_ns()) // 2
        self._base[0] = (tai_ns - (moment - int(self._shared[placing.BASE_NS]))) * 1e-9 * self._rate_hz

    def _run(self) -> None:
        while not self._leave.wait(EVERY_S):
            self._read()

    def stop(self) -> None:
        self._leave.set()
        self._thread.join()
