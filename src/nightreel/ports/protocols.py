"""The small protocols through which audio comes in and goes out.

Sources deliver *contiguous* blocks: what was lost on the way is already filled with zeros and listed in
``Block.gaps``, so everything downstream stays aligned without knowing how a device or a network loses samples.
Samples are float32 with full scale 1.0; 16- and 24-bit integers pass through it exactly (24-bit mantissa).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from nightreel.timeline import Gap

FloatArray = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """``samples`` (frames, channels) from ``first_frame`` of the media clock on; ``gaps`` lie inside this block."""

    first_frame: int
    samples: FloatArray
    gaps: tuple[Gap, ...] = ()

    @property
    def frames(self) -> int:
        return int(self.samples.shape[0])


@runtime_checkable
class FrameSource(Protocol):
    """Where frames come from. The first block starts at frame 0 and each block where the last one ended."""

    @property
    def rate_hz(self) -> int: ...

    @property
    def channels(self) -> int: ...

    @property
    def clock(self) -> str:
        """What paces it, in words for the take's facts."""
        ...

    def start(self) -> None:
        """Raises DeviceTrouble, NetworkTrouble or AudioFileInvalid; nothing is left open then."""
        ...

    def read(self, *, timeout_s: float) -> Block | None:
        """The next block; None when nothing came within ``timeout_s``. Raises EndOfFrames when there is no more."""
        ...

    def stop(self) -> None:
        """Idempotent; frees the device."""
        ...


@runtime_checkable
class FrameSink(Protocol):
    """Where frames go. ``write`` blocks until there is room: the sink paces the writer."""

    @property
    def rate_hz(self) -> int: ...

    @property
    def channels(self) -> int: ...

    def start(self) -> None: ...

    def write(self, samples: FloatArray) -> None:
        """(frames, channels); raises DeviceTrouble when the device is gone."""
        ...

    def flush(self) -> None:
        """Wait until what was written has been played."""
        ...

    def stop(self) -> None:
        """Idempotent; what was not played yet is dropped (callers fade first)."""
        ...

    @property
    def underruns(self) -> int:
        """Times the sink ran dry and played silence instead."""
        ...


@runtime_checkable
class Duplex(Protocol):
    """Both ways on one clock: what ``exchange`` returns was captured while ``played`` was on its way out.

    The offset between the two is constant while no gap is reported; line check measures it.
    """

    @property
    def rate_hz(self) -> int: ...

    @property
    def sends(self) -> int:
        """Channels from desk to computer."""
        ...

    @property
    def returns(self) -> int:
        """Channels from computer to desk."""
        ...

    def start(self) -> None: ...

    def exchange(self, played: FloatArray) -> Block:
        """Play (frames, returns); get exactly as many frames of (frames, sends)."""
        ...

    def stop(self) -> None: ...


@runtime_checkable
class HasReport(Protocol):
    """What a port may also be: one that can say more of its transport than gaps (network flows, their loss and drift).

    Both may be asked from any thread while the port runs.
    """

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences for people, each the same text for as long as its cause stands."""
        ...

    def report(self) -> Mapping[str, Any]:
        """Figures since the start, as plain values that JSON holds; ``summary`` is one line for the terminal."""
        ...


class EndOfFrames(Exception):
    """A source has no more frames: the end of a file, a stage that has finished. Not an error."""
