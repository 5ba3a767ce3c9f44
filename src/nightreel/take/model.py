"""A recorded take as a document: what ``take.json`` states. Values only; reading and writing stand beside it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from nightreel.show.model import AtSoundcheck, Role
from nightreel.timeline import Gap, Mark, Song, Span, songs_from_marks
from nightreel.units import Encoding


class TakeState(StrEnum):
    RECORDING = "recording"
    CLOSED = "closed"
    RECOVERED = "recovered"
    FOREIGN = "foreign"  # a folder of files that Nightreel did not record


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackFile:
    """One file of a track: ``frames`` frames of the take from ``first_frame`` on. ``path`` is relative to the take.

    ``channel`` is the file's (from 0): several tracks may share one file of many channels.
    """

    path: str
    first_frame: int
    frames: int
    channel: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """The files of one line in one take, with the facts of the line as they were that night."""

    line: int
    name: str
    role: Role
    channel: int  # of the source, from 0
    files: tuple[TrackFile, ...]
    send: str = ""
    gain_db: float | None = None
    partner: int | None = None
    group: str = ""
    at_soundcheck: AtSoundcheck | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """What the watch said during a take. ``rank`` 1 comes first; ``line`` None concerns the whole take.

    ``end_frame`` is where its cause ended, None where it never did.
    """

    key: str  # names the cause, so that the same cause is told once: 'silent:12'
    rank: int
    line: int | None
    what: str
    now: str
    first_frame: int
    end_frame: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFacts:
    """The account of a take. Gap channels are the source's; :meth:`gaps_of` gives a track's own."""

    name: str
    show: str
    rate_hz: int
    encoding: Encoding
    started_at: datetime  # aware; local offset kept
    frames: int
    tracks: tuple[Track, ...]
    state: TakeState
    gaps: tuple[Gap, ...] = ()
    marks: tuple[Mark, ...] = ()
    clock: str = ""  # what the media clock was: device name, network clock, file
    time_reference_frames: int = 0  # frames since midnight at the first frame (EBU Tech 3285)
    stop_reason: str = ""
    follows: str = ""  # name of the take this one continues after a crash
    nightreel: str = ""  # version that wrote it

    @property
    def span(self) -> Span:
        return Span(first_frame=0, frames=self.frames)

    @property
    def songs(self) -> tuple[Song, ...]:
        return songs_from_marks(self.marks, end_frame=self.frames)

    def track(self, line: int) -> Track | None:
        return next((t for t in self.tracks if t.line == line), None)

    def gaps_of(self, track: Track) -> tuple[Gap, ...]:
        return tuple(g for g in self.gaps if not g.channels or track.channel in g.channels)
