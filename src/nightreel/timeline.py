"""Places on the media clock: spans, gaps and marks, in whole frames.

A *frame* is one sample of every channel. Spans are half-open: ``first_frame`` is in, ``end_frame`` is not.
Every frame of every line of a take was either received and written, or stands in a :class:`Gap` with its cause.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Span:
    """``frames`` frames from ``first_frame`` on."""

    first_frame: int
    frames: int

    def __post_init__(self) -> None:
        if self.first_frame < 0 or self.frames < 0:
            raise ValueError(f"a span needs first_frame >= 0 and frames >= 0, got {self}")

    @property
    def end_frame(self) -> int:
        return self.first_frame + self.frames


class GapCause(StrEnum):
    """Why samples never arrived."""

    DEVICE_OVERFLOW = "device overflow"
    SERVER_SKIPPED = "audio server skipped"
    NETWORK_LOSS = "network loss"
    DEVICE_LOST = "device lost"
    RING_FULL = "ring full: the disk was too slow"
    DISK_FAILED = "disk failed"
    RESTARTED = "recorder restarted"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Gap:
    """Samples that never arrived: filled with zeros, counted, listed, never hidden.

    ``channels`` are the source's channels (from 0) that miss them; empty means every channel.
    """

    first_frame: int
    frames: int
    cause: GapCause
    channels: tuple[int, ...] = ()

    @property
    def end_frame(self) -> int:
        return self.first_frame + self.frames

    @property
    def span(self) -> Span:
        return Span(first_frame=self.first_frame, frames=self.frames)


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Mark:
    """A named instant of a take. ``song`` is the place in the set list (from 1) that begins here, if one does."""

    frame: int
    name: str
    song: int | None = None
    source: str = "command"


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Song:
    """A named span of a take; ``number`` counts from 1 in playing order."""

    number: int
    name: str
    span: Span


def union(spans: Iterable[Span]) -> tuple[Span, ...]:
    """The same frames as sorted, disjoint, non-empty spans (touching spans are joined)."""
    merged: list[Span] = []
    for span in sorted(spans):
        if span.frames == 0:
            continue
        if merged and span.first_frame <= merged[-1].end_frame:
            end = max(merged[-1].end_frame, span.end_frame)
            merged[-1] = Span(first_frame=merged[-1].first_frame, frames=end - merged[-1].first_frame)
        else:
            merged.append(span)
    return tuple(merged)


def join_gaps(gaps: Iterable[Gap]) -> tuple[Gap, ...]:
    """Gaps of one cause and the same channels that touch or overlap become one; sorted by place."""
    joined: list[Gap] = []
    last: dict[tuple[GapCause, tuple[int, ...]], int] = {}
    for gap in sorted(gaps):
        key = (gap.cause, gap.channels)
        index = last.get(key)
        if index is not None and gap.first_frame <= joined[index].end_frame:
            before = joined[index]
            end = max(before.end_frame, gap.end_frame)
            joined[index] = replace(before, frames=end - before.first_frame)
        else:
            last[key] = len(joined)
            joined.append(gap)
    return tuple(sorted(joined))


def songs_from_marks(marks: Iterable[Mark], *, end_frame: int) -> tuple[Song, ...]:
    """Songs as the marks say: each mark that names a song starts one, which lasts to the next mark or the end.

    A mark without a song number ends the running song; where no mark has a number, each mark starts a song.
    """
    ordered = sorted((m for m in marks if m.frame < end_frame), key=lambda m: m.frame)
    named = any(m.song is not None for m in ordered)
    begun: dict[int, Mark] = {}
    for mark in ordered:
        if not named or mark.song is not None:
            begun.setdefault(mark.frame, mark)  # two marks on one frame begin one song
    starts = list(begun.values())
    songs = []
    for number, mark in enumerate(starts, 1):
        end = min((m.frame for m in ordered if m.frame > mark.frame), default=end_frame)
        span = Span(first_frame=mark.frame, frames=end - mark.frame)
        songs.append(Song(number=number, name=mark.name, span=span))
    return tuple(s for s in songs if s.span.frames > 0)
