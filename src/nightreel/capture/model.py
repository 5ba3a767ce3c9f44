"""What the recorder is asked for, what it plans, and the states it and its destinations can be in. Values only."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from pathlib import Path
from typing import Any

from nightreel.errors import ArgumentInvalid
from nightreel.show.model import Show
from nightreel.take.model import Track
from nightreel.units import Encoding


class RecorderState(StrEnum):
    """See :data:`MOVES`."""

    STARTING = "starting"
    ARMED = "armed"  # the source runs and the last seconds are kept; nothing is written yet
    RECORDING = "recording"
    CLOSING = "closing"
    CLOSED = "closed"


MOVES: dict[RecorderState, frozenset[RecorderState]] = {
    RecorderState.STARTING: frozenset({RecorderState.ARMED, RecorderState.RECORDING, RecorderState.CLOSED}),
    RecorderState.ARMED: frozenset({RecorderState.RECORDING, RecorderState.CLOSED}),
    RecorderState.RECORDING: frozenset({RecorderState.CLOSING}),
    RecorderState.CLOSING: frozenset({RecorderState.CLOSED}),
    RecorderState.CLOSED: frozenset(),
}


class DestinationState(StrEnum):
    """Of one place where the take is written."""

    WRITING = "writing"
    LATE = "late"  # it writes, but the ring fills up
    FAILED = "failed"  # it refused; tried again every few seconds
    FULL = "full"  # closed cleanly at the reserve, or refused for lack of room
    CLOSED = "closed"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRequest:
    """What ``nightreel record`` hands to the recorder's process; plain values, so that it travels as JSON.

    source : 'device:NAME', 'jack:NAME', 'stage:demo', 'files:FOLDER' ... see :mod:`nightreel.capture.sources`
    mirrors : folders that get a complete second copy of the take folder
    link : whose sends the source delivers, '' where the show has only one
    ring_s : how long a disk may stall before anything is lost
    preroll_s : kept while armed
    segment_s : begin new files after so long; None = only where the file system limits their size
    reserve_bytes : a destination is closed cleanly when less is free, while another goes on
    measured : whether the watch measures levels; without it the review measures the take afterwards
    follows : the take that this one continues after a crash
    """

    show: str
    source: str
    name: str = "evening"
    mirrors: tuple[str, ...] = ()
    link: str = ""
    encoding: str = ""
    length_s: float | None = None
    checkpoint_s: float = 1.0
    ring_s: float = 20.0
    preroll_s: float = 30.0
    segment_s: float | None = None
    reserve_bytes: int = 200_000_000
    polyphonic: bool = False
    armed: bool = False
    measured: bool = True
    follows: str = ""

    def __post_init__(self) -> None:
        for name, value, least, most in (
            ("checkpoint interval", self.checkpoint_s, 0.05, 60.0),
            ("ring", self.ring_s, 1.0, 600.0),
            ("pre-roll", self.preroll_s, 0.0, 600.0),
            ("segment length", 60.0 if self.segment_s is None else self.segment_s, 1.0, 86_400.0),
        ):
            if not least <= value <= most:
                raise ArgumentInvalid(f"a {name} of {value:g} s", now=f"Choose {least:g} to {most:g} s")
        if self.reserve_bytes < 0:
            raise ArgumentInvalid("the free-space reserve is below zero", now="Choose 0 or more")
        if not self.name.strip():
            raise ArgumentInvalid("the take has no name", now="Give one with --name")

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_dict(cls, body: dict[str, Any]) -> RecordRequest:
        known = {f.name for f in fields(cls)}
        values = {key: value for key, value in body.items() if key in known}
        values["mirrors"] = tuple(values.get("mirrors", ()))
        return cls(**values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A destination: ``folder`` is its take folder, which does not exist yet."""

    name: str  # 'primary', 'mirror', 'mirror 2'
    folder: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordPlan:
    """Everything decided before the first byte is written.

    tracks : in line order; the files named are those of the first part
    part_frames : the most frames of one file; None without limit (even, so that headers need no pad byte)
    song_index : how many songs of the set list have begun already (after a crash)
    """

    request: RecordRequest
    show: Show
    show_folder: Path
    take_name: str
    rate_hz: int
    encoding: Encoding
    tracks: tuple[Track, ...]
    places: tuple[Place, ...]
    part_frames: int | None = None
    song_index: int = 0

    @property
    def source_channels(self) -> int:
        """How many channels the source must have."""
        return max((t.channel for t in self.tracks), default=-1) + 1

    @property
    def bytes_per_s(self) -> int:
        """At each destination."""
        return self.rate_hz * self.encoding.sample_bytes * len(self.tracks)

    @property
    def file_channels(self) -> int:
        return len(self.tracks) if self.request.polyphonic else 1
