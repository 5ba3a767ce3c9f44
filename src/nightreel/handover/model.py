"""What a handover is, as values: what was asked for, the plan, and what came of it. Nothing here touches a disk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType

from nightreel.disk import Digests
from nightreel.timeline import Span
from nightreel.units import Encoding

SONGS_TEMPLATE = "{song:02} {title}/{line:02} {name}"
WHOLE_TEMPLATE = "{line:02} {name}"


class Cut(StrEnum):
    """How a take becomes parts."""

    WHOLE = "whole"
    SONGS = "songs"
    EVERYTHING = "everything"  # songs, and what lies between them


class FileKind(StrEnum):
    TRACK = "track"
    MIX = "listening mix"
    MARKS = "marks"
    LIST = "list"


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What was asked for. ``None`` means: as the take is.

    lines : ranges of line numbers to hand over; empty means all
    """

    destinations: tuple[Path, ...]
    cut: Cut = Cut.WHOLE
    template: str = ""
    name: str = ""
    lines: tuple[range, ...] = ()
    rate_hz: int | None = None
    encoding: Encoding | None = None
    flac: bool = False
    mix: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A named span of the take. ``number`` is the song's place (0 before the first); ``is_song`` False lies between."""

    number: int
    title: str
    span: Span
    is_song: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFile:
    """One file to make. ``path`` is relative to the payload, with '/'; ``frames`` counts at the rate of the file."""

    path: str
    kind: FileKind
    part: Part
    line: int | None
    frames: int
    size_bytes: int  # close to what it will have; exact for PCM without cues


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that will be made, checked before anything moves.

    left_out : spans of the take that no part holds
    missing : samples that the take's account promises and its files do not hold; silent in what is handed over
    notes : what else the engineer should know before saying yes
    """

    name: str
    request: Request
    rate_hz: int
    encoding: Encoding
    lines: tuple[int, ...]
    mixed_lines: tuple[int, ...]
    parts: tuple[Part, ...]
    files: tuple[PlannedFile, ...]
    left_out: tuple[Span, ...]
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def size_bytes(self) -> int:
        return sum(file.size_bytes for file in self.files)

    @property
    def frames_of_tracks(self) -> int:
        return sum(part.span.frames for part in self.parts) * len(self.lines)


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeFile:
    """A finished file, as read back. ``clipped`` counts samples that conversion or mixing pushed past full scale."""

    planned: PlannedFile
    digests: Digests
    clipped: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One destination: every payload file was read back there and equals its digest."""

    folder: Path
    files: int
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MixFigures:
    """The listening mix as it was measured after its gain. ``line_gains_db`` by line number."""

    gain_db: float
    integrated_lufs: float
    true_peak_dbtp: float
    line_gains_db: Mapping[int, float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was handed over, for the receipt."""

    plan: Plan
    made: tuple[MadeFile, ...]
    deliveries: tuple[Delivery, ...]
    mix: MixFigures | None
    resumed_files: int
