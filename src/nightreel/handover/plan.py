"""The plan of a handover, computed from the take's account alone: what would be made, and why it cannot be. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from nightreel.disk import safe_name
from nightreel.errors import ArgumentInvalid, PlanImpossible
from nightreel.handover.model import SONGS_TEMPLATE, WHOLE_TEMPLATE, Cut, FileKind, Part, Plan, PlannedFile, Request
from nightreel.handover.names import fill, find_clashes, require_template
from nightreel.show.model import ROLE_FACTS
from nightreel.take import MissingPart
from nightreel.take.model import TakeFacts, TakeState, Track
from nightreel.timeline import Span
from nightreel.units import Encoding, format_position, format_time

HEADER_BYTES = 4096
FLAC_SHARE = 0.7  # of the PCM bytes; live tracks pack better, noise worse (common practice, no published source)
MIX_FOLDER = "Listening mix"
MARKS_PATH = "marks.mid"
LIST_PATH = "marks.csv"


def make_plan(facts: TakeFacts, request: Request, missing: Sequence[MissingPart] = ()) -> Plan:
    """Raises ArgumentInvalid or PlanImpossible with the remedy; disks are not looked at here.

    missing : what the opened take found wanting in its files
    """
    if facts.state is TakeState.RECORDING:
        raise PlanImpossible(
            "the take is still being recorded, or its recorder died",
            where=facts.name,
            now="Stop it with `nightreel stop`; if nothing runs any more, make it whole with `nightreel recover`",
        )
    if facts.frames == 0:
        raise PlanImpossible("the take holds no frames", where=facts.name, now="Choose another take")
    rate_hz = request.rate_hz or facts.rate_hz
    encoding = request.encoding or facts.encoding
    if request.flac and encoding not in (Encoding.PCM16, Encoding.PCM24):
        raise ArgumentInvalid(f"FLAC holds 16 or 24 bits, not {encoding}", now="Add --encoding pcm24")
    tracks = _tracks(facts, request.lines)
    parts = cut_parts(facts, request.cut)
    template = request.template or (WHOLE_TEMPLATE if request.cut is Cut.WHOLE else SONGS_TEMPLATE)
    require_template(template)
    extension = ".flac" if request.flac else ".wav"
    files = []
    for part in parts:
        for track in tracks:
            path = fill(template, _values(facts, part, track), extension)
            files.append(_audio(path, FileKind.TRACK, part, track.line, facts, rate_hz, encoding, request.flac))
    mixed = tuple(t.line for t in tracks if ROLE_FACTS[t.role].in_listening_mix) if request.mix else ()
    if request.mix and not mixed:
        raise PlanImpossible(
            "no line belongs in a listening mix", where=facts.name, now="Leave the mix out, or look at the lines' roles"
        )
    if mixed:
        for part in parts:
            title = facts.name if request.cut is Cut.WHOLE else f"{part.number:02} {part.title}"
            path = f"{MIX_FOLDER}/{safe_name(title + extension, most_bytes=160)}"
            files.append(_audio(path, FileKind.MIX, part, None, facts, rate_hz, encoding, request.flac))
    whole = Part(number=0, title=facts.name, span=facts.span, is_song=False)
    for path, kind in ((MARKS_PATH, FileKind.MARKS), (LIST_PATH, FileKind.LIST)):
        files.append(PlannedFile(path=path, kind=kind, part=whole, line=None, frames=0, size_bytes=4096))
    _require_distinct(files, template)
    return Plan(
        name=safe_name(request.name or f"{facts.name}-{request.cut}", most_bytes=120),
        request=request,
        rate_hz=rate_hz,
        encoding=encoding,
        lines=tuple(track.line for track in tracks),
        mixed_lines=mixed,
        parts=parts,
        files=tuple(files),
        left_out=_left_out(facts, parts),
        missing=_missing(facts, missing, {track.line for track in tracks}),
        notes=_notes(facts, tracks, parts, rate_hz, encoding),
    )


def cut_parts(facts: TakeFacts, cut: Cut) -> tuple[Part, ...]:
    """Disjoint parts in time order. With ``EVERYTHING`` they cover the take without a hole.

    Raises PlanImpossible when songs are asked for and no mark begins one.
    """
    if cut is Cut.WHOLE:
        return (Part(number=0, title=facts.name, span=facts.span, is_song=False),)
    songs = facts.songs
    if not songs:
        raise PlanImpossible(
            "no mark in this take begins a song",
            where=facts.name,
            now="Hand the take over whole (--whole), or mark the songs first",
        )
    parts: list[Part] = []
    at, last = 0, ""
    for song in songs:
        if cut is Cut.EVERYTHING and song.span.first_frame > at:
            title = f"after {last}" if last else f"before {song.name}"
            span = Span(first_frame=at, frames=song.span.first_frame - at)
            parts.append(Part(number=song.number - 1, title=title, span=span, is_song=False))
        parts.append(Part(number=song.number, title=song.name, span=song.span, is_song=True))
        at, last = song.span.end_frame, song.name
    if cut is Cut.EVERYTHING and at < facts.frames:
        span = Span(first_frame=at, frames=facts.frames - at)
        parts.append(Part(number=len(songs), title=f"after {last}", span=span, is_song=False))
    return tuple(parts)


def converted_frame(frame: int, from_hz: int, to_hz: int) -> int:
    """Where a frame of the take lies at another rate: nearest, halves up, so that spans that touch still touch."""
    return (2 * frame * to_hz + from_hz) // (2 * from_hz)


def _tracks(facts: TakeFacts, lines: Sequence[range]) -> tuple[Track, ...]:
    if not facts.tracks:
        raise PlanImpossible("the take has no tracks", where=facts.name, now="Choose another take")
    for wanted in lines:
        if not any(track.line in wanted for track in facts.tracks):
            words = str(wanted.start) if len(wanted) == 1 else f"{wanted.start} to {wanted.stop - 1}"
            known = ", ".join(str(track.line) for track in facts.tracks)
            raise ArgumentInvalid(f"the take has no line {words}", where=facts.name, now=f"It has {known}")
    return tuple(track for track in facts.tracks if not lines or any(track.line in wanted for wanted in lines))


def _values(facts: TakeFacts, part: Part, track: Track) -> dict[str, object]:
    begins = facts.started_at + timedelta(seconds=part.span.first_frame / facts.rate_hz)
    return {
        "show": facts.show,
        "date": f"{facts.started_at:%Y-%m-%d}",
        "time": f"{begins:%H.%M.%S}",
        "take": facts.name,
        "song": part.number,
        "title": part.title,
        "line": track.line,
        "name": track.name or f"line {track.line}",
        "role": track.role.value,
        "group": track.group or "no group",
    }


def _audio(
    path: str,
    kind: FileKind,
    part: Part,
    line: int | None,
    facts: TakeFacts,
    rate_hz: int,
    encoding: Encoding,
    flac: bool,
) -> PlannedFile:
    first = converted_frame(part.span.first_frame, facts.rate_hz, rate_hz)
    frames = converted_frame(part.span.end_frame, facts.rate_hz, rate_hz) - first
    data_bytes = frames * encoding.sample_bytes * (2 if kind is FileKind.MIX else 1)
    size_bytes = round(data_bytes * FLAC_SHARE) if flac else HEADER_BYTES + data_bytes + data_bytes % 2
    return PlannedFile(path=path, kind=kind, part=part, line=line, frames=frames, size_bytes=size_bytes)


def _require_distinct(files: Sequence[PlannedFile], template: str) -> None:
    clashes = find_clashes(file.path for file in files)
    if clashes:
        one, other = clashes[0]
        more = f" ({len(clashes)} clashes in all)" if len(clashes) > 1 else ""
        raise PlanImpossible(
            f"with the template '{template}' two files would have one name: '{one}' and '{other}'{more}",
            now="Add {line} for the lines, {song} for the songs",
        )


def _left_out(facts: TakeFacts, parts: Sequence[Part]) -> tuple[Span, ...]:
    out, at = [], 0
    for part in parts:
        if part.span.first_frame > at:
            out.append(Span(first_frame=at, frames=part.span.first_frame - at))
        at = part.span.end_frame
    if at < facts.frames:
        out.append(Span(first_frame=at, frames=facts.frames - at))
    return tuple(out)


def _missing(facts: TakeFacts, missing: Sequence[MissingPart], lines: set[int]) -> tuple[str, ...]:
    sentences = []
    for part in missing:
        if part.line in lines and part.span.frames:
            begin = format_position(part.span.first_frame, facts.rate_hz)
            length = format_time(part.span.frames / facts.rate_hz)
            file = f" ({part.path})" if part.path else ""
            sentences.append(f"line {part.line}: nothing from {begin} on for {length}: {part.why}{file}")
    return tuple(sentences)


def _notes(
    facts: TakeFacts, tracks: Sequence[Track], parts: Sequence[Part], rate_hz: int, encoding: Encoding
) -> tuple[str, ...]:
    notes = []
    out = _left_out(facts, parts)
    if out:
        total = format_time(sum(span.frames for span in out) / facts.rate_hz)
        notes.append(f"{total} of the take lie outside of the songs and stay behind; --everything hands them over too")
    for gap in facts.gaps:
        inside = [p.title for p in parts if p.span.first_frame < gap.end_frame and gap.first_frame < p.span.end_frame]
        lines = [track.line for track in tracks if gap in facts.gaps_of(track)]
        if inside and lines:
            at = format_position(gap.first_frame, facts.rate_hz)
            where = "" if len(lines) == len(tracks) else f" on {_numbers(lines)}"
            notes.append(f"gap of {gap.frames} frames{where} at {at} ({gap.cause.value}), silent in '{inside[0]}'")
    if rate_hz != facts.rate_hz:
        notes.append(f"converted from {facts.rate_hz} to {rate_hz} Hz: no longer the samples that were recorded")
    if encoding.sample_bytes < facts.encoding.sample_bytes:
        notes.append(f"reduced from {facts.encoding} to {encoding} with dither")
    if facts.state is TakeState.RECOVERED:
        notes.append("the take was recovered after a crash")
    return tuple(notes)


def _numbers(lines: Sequence[int]) -> str:
    """``line 7`` or ``lines 1-4, 9``: runs as people write them."""
    runs: list[list[int]] = []
    for line in sorted(lines):
        if runs and line == runs[-1][-1] + 1:
            runs[-1].append(line)
        else:
            runs.append([line])
    words = [str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs]
    return f"line{'' if len(lines) == 1 else 's'} {', '.join(words)}"
