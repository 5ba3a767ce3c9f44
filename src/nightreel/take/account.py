"""The account a journal gives: gaps, holes, marks, alerts and files of a take. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from nightreel.errors import NightreelError
from nightreel.take.facts import facts_from_json, gap_from_json
from nightreel.take.journal import Journal, Record, RecordKind
from nightreel.take.model import Alert, TakeFacts, Track, TrackFile
from nightreel.timeline import Gap, GapCause, Mark, Span, join_gaps, union


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One file of every track: ``number`` from 0; ``end_frame`` None while it is the last."""

    number: int
    first_frame: int
    end_frame: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What the journal of one destination says of its take.

    facts : as at the start, with marks and gaps (holes of this destination included) and files filled in; its
        ``frames`` are those of the last checkpoint or of the stop
    checkpoint_frame : frames before it were durable
    holes : spans missing here that another destination may have
    """

    facts: TakeFacts | None
    checkpoint_frame: int
    stopped: bool
    holes: tuple[Span, ...]
    alerts: tuple[Alert, ...]
    destinations: tuple[str, ...]
    parts: tuple[Part, ...]


def compute_account(journal: Journal) -> Account:
    """Fold the records; damaged or foreign ones are passed over."""
    facts: TakeFacts | None = None
    destinations: tuple[str, ...] = ()
    checkpoint = 0
    stop: Record | None = None
    parts: list[Part] = [Part(number=0, first_frame=0)]
    gaps: list[Gap] = []
    marks: list[Mark] = []
    for record in journal.records:
        match record.kind:
            case RecordKind.START if facts is None:
                facts, destinations = _start(record)
            case RecordKind.CHECKPOINT | RecordKind.RECOVERED:
                checkpoint = max(checkpoint, record.frame)
            case RecordKind.GAP:
                gaps.extend(_gaps(record))
            case RecordKind.MARK:
                marks.append(_mark(record))
            case RecordKind.SEGMENT:
                _begin_part(parts, record)
            case RecordKind.STOP:
                stop, checkpoint = record, max(checkpoint, record.frame)
            case _:
                pass
    holes, hole_gaps = _holes(journal)
    if facts is not None:
        facts = replace(
            facts,
            frames=checkpoint,
            gaps=join_gaps([*gaps, *hole_gaps]),
            marks=tuple(sorted(marks, key=lambda m: (m.frame, m.name))),
            stop_reason=str(stop.data.get("reason", "")) if stop else "",
            tracks=tuple(with_parts(track, parts, checkpoint) for track in facts.tracks),
        )
    return Account(
        facts=facts,
        checkpoint_frame=checkpoint,
        stopped=stop is not None,
        holes=holes,
        alerts=compute_alerts(journal),
        destinations=destinations,
        parts=tuple(parts),
    )


def subtract(spans: Iterable[Span], without: Iterable[Span]) -> tuple[Span, ...]:
    """The frames of ``spans`` that are in none of ``without``, as sorted, disjoint spans."""
    rest: list[Span] = []
    removed = union(without)
    for span in union(spans):
        first = span.first_frame
        for cut in removed:
            if cut.end_frame <= first or cut.first_frame >= span.end_frame:
                continue
            if cut.first_frame > first:
                rest.append(Span(first_frame=first, frames=cut.first_frame - first))
            first = max(first, cut.end_frame)
        if first < span.end_frame:
            rest.append(Span(first_frame=first, frames=span.end_frame - first))
    return tuple(rest)


def with_parts(track: Track, parts: Iterable[Part], frames: int) -> Track:
    """The track with one file a part; ``frames`` are those of the whole take.

    The files' names are those of :func:`part_path`; the start record names the first file of each track.
    """
    if not track.files:
        return track
    first = track.files[0]
    files = []
    for part in parts:
        end = frames if part.end_frame is None else min(frames, part.end_frame)
        count = max(0, end - part.first_frame)
        if count or part.number == 0:
            path = part_path(first.path, part.number)
            files.append(TrackFile(path=path, first_frame=part.first_frame, frames=count, channel=first.channel))
    return replace(track, files=tuple(files))


def part_path(path: str, number: int) -> str:
    """``tracks/01 Kick.wav`` is the first file (number 0), ``tracks/01 Kick part 2.wav`` the next."""
    if number == 0:
        return path
    stem, dot, suffix = path.rpartition(".")
    return f"{stem} part {number + 1}{dot}{suffix}"


def _begin_part(parts: list[Part], record: Record) -> None:
    """A part ends where the next begins, or earlier where its disk failed (``previous_end``)."""
    number, previous_end = record.data.get("number"), record.data.get("previous_end")
    if type(number) is not int or number < 1:
        return
    end = previous_end if type(previous_end) is int else record.frame
    parts[-1] = replace(parts[-1], end_frame=min(end, record.frame))
    parts.append(Part(number=number, first_frame=record.frame))


def compute_alerts(journal: Journal) -> tuple[Alert, ...]:
    """Every alert in the order it began, with the place where it ended."""
    begun: list[Alert] = []
    open_by_key: dict[str, int] = {}
    for record in journal.of(RecordKind.ALERT, RecordKind.ALERT_END):
        key = str(record.data.get("key", ""))
        if record.kind is RecordKind.ALERT_END:
            index = open_by_key.pop(key, None)
            if index is not None:
                begun[index] = replace(begun[index], end_frame=record.frame)
            continue
        open_by_key[key] = len(begun)
        begun.append(_alert(record, key))
    return tuple(begun)


def _alert(record: Record, key: str) -> Alert:
    line, rank = record.data.get("line"), record.data.get("rank")
    return Alert(
        key=key,
        rank=rank if type(rank) is int else 9,
        line=line if type(line) is int else None,
        what=str(record.data.get("what", "")),
        now=str(record.data.get("now", "")),
        first_frame=record.frame,
    )


def _start(record: Record) -> tuple[TakeFacts | None, tuple[str, ...]]:
    try:
        facts = facts_from_json(record.data.get("facts"), where="journal")
    except NightreelError:
        return None, ()
    places = record.data.get("destinations")
    return facts, tuple(str(p) for p in places) if isinstance(places, list) else ()


def _gaps(record: Record) -> list[Gap]:
    body: dict[str, Any] = {**record.data, "first_frame": record.frame}
    try:
        return [gap_from_json(body, where="journal")]
    except NightreelError:
        return []


def _mark(record: Record) -> Mark:
    song = record.data.get("song")
    return Mark(
        frame=record.frame,
        name=str(record.data.get("name", "")),
        song=song if type(song) is int else None,
        source=str(record.data.get("source", "")),
    )


def _holes(journal: Journal) -> tuple[tuple[Span, ...], list[Gap]]:
    """Holes of this destination, and the same as gaps with their causes."""
    gaps: list[Gap] = []
    for record in journal.of(RecordKind.HOLE):
        span = _span(record)
        if span is None:
            continue
        try:
            cause = GapCause(record.data.get("cause", GapCause.UNKNOWN))
        except ValueError:
            cause = GapCause.UNKNOWN
        gaps.append(Gap(first_frame=span.first_frame, frames=span.frames, cause=cause))
    return union(g.span for g in gaps), gaps


def _span(record: Record) -> Span | None:
    frames = record.data.get("frames")
    return Span(first_frame=record.frame, frames=frames) if type(frames) is int and frames >= 0 else None
