"""From an open take and a return plan to what the player needs: channels, holes, dead lines, places by name."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from nightreel.errors import ArgumentInvalid, NightreelError, PlanImpossible
from nightreel.show.model import AtSoundcheck
from nightreel.soundcheck.plan import ReturnPlan
from nightreel.soundcheck.player import Channel
from nightreel.take.model import TakeFacts
from nightreel.take.opened import Take
from nightreel.timeline import Mark, Song, Span, union
from nightreel.units import format_db, format_position, frames_from_seconds

if TYPE_CHECKING:
    from nightreel.signal.meters import MeterResult

_DEAD_DBFS = -80.0  # a line that never passed this carried nothing (common practice, no published source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """What is to be played, with its name for people."""

    name: str
    span: Span


def player_channels(
    plan: ReturnPlan, facts: TakeFacts, *, sink_channels: int, trims_db: Mapping[int, float] | None = None
) -> tuple[Channel, ...]:
    """Every line that has a track and a return on the plan's link, by return; live ones begin switched off.

    Raises PlanImpossible when a returned line's port is beyond what the sink has.
    """
    channels = []
    for line in plan.lines:
        port = line.return_port
        if port is None or port.link != plan.link or facts.track(line.line) is None:
            continue
        returned = line.use is AtSoundcheck.RETURNED
        if port.number > sink_channels:
            if not returned:
                continue
            raise PlanImpossible(
                f"line {line.line} ({line.name}) is returned on {port}, but the device has {sink_channels} returns",
                now="Choose a device with more returns, or leave the line live with --live",
            )
        trim_db = (trims_db or {}).get(line.line, 0.0)
        channels.append(Channel(line=line.line, channel=port.number - 1, returned=returned, trim_db=trim_db))
    return tuple(sorted(channels, key=lambda channel: channel.channel))


def find_holes(take: Take) -> dict[int, tuple[Span, ...]]:
    """Per line, where the take has no samples of it: recorded gaps, and files that are missing or short."""
    holes: dict[int, list[Span]] = {}
    for track in take.facts.tracks:
        holes[track.line] = [gap.span for gap in take.facts.gaps_of(track)]
    for part in take.missing:
        holes.setdefault(part.line, []).append(part.span)
    return {line: union(spans) for line, spans in holes.items() if spans}


def missing_lines(take: Take, plan: ReturnPlan) -> tuple[str, ...]:
    """One sentence for each returned line that the files hold nothing or not all of; it is sent as silence there."""
    texts = []
    wanted = {line.line: line.name for line in plan.returned}
    for part in take.missing:
        if part.line in wanted and part.span.frames > 0:
            whole = part.span.frames >= take.frames
            where = "all of it" if whole else f"from {format_position(part.span.first_frame, take.rate_hz)}"
            texts.append(
                f"Line {part.line} {wanted[part.line]} is silent, {where}: {part.why} ({part.path or 'no file'})."
            )
    return tuple(texts)


def find_dead_lines(take: Take) -> dict[int, str]:
    """Lines that carried nothing in the take, with the evidence; none where nothing was measured."""
    measured = _measured(take)
    if measured is None:
        return {}
    return {
        track.line: f"peak {format_db(float(peak))}"
        for track, peak in zip(take.facts.tracks, measured.peak_dbfs, strict=False)
        if peak < _DEAD_DBFS
    }


def find_peaks(take: Take) -> dict[int, float]:
    """True peak of each line in dBTP as the watch measured it; none where nothing was measured."""
    measured = _measured(take)
    if measured is None:
        return {}
    return {t.line: float(p) for t, p in zip(take.facts.tracks, measured.true_peak_dbtp, strict=False)}


def _measured(take: Take) -> MeterResult | None:
    try:
        meters = take.measured()
    except NightreelError:
        return None
    return None if meters is None else meters.result()


def find_song(facts: TakeFacts, text: str) -> Song:
    """A song by its number in the take or by a part of its name. Raises ArgumentInvalid that lists them."""
    songs = facts.songs
    if text.isdigit():
        found = [song for song in songs if song.number == int(text)]
    else:
        found = [song for song in songs if song.name.casefold() == text.casefold()] or [
            song for song in songs if text.casefold() in song.name.casefold()
        ]
    if len(found) != 1:
        named = ", ".join(f"{song.number} {song.name}" for song in songs[:20]) or "none are marked"
        what = "fits several songs" if found else "is no song of this take"
        raise ArgumentInvalid(f"'{text}' {what}", now=f"Songs: {named}")
    return found[0]


def find_mark(facts: TakeFacts, text: str) -> Mark:
    found = [mark for mark in sorted(facts.marks) if mark.name.casefold() == text.casefold()]
    if not found:
        named = ", ".join(mark.name for mark in sorted(facts.marks)[:20]) or "there are none"
        raise ArgumentInvalid(f"'{text}' is no mark of this take", now=f"Marks: {named}")
    return found[0]


def choose_section(facts: TakeFacts, *, song: str = "", mark: str = "", span: str = "") -> Section:
    """The whole take, a song, from a mark on, or a span such as ``12:30-14:05``. Raises ArgumentInvalid."""
    if sum(1 for wish in (song, mark, span) if wish) > 1:
        raise ArgumentInvalid("song, mark and span were asked for together", now="Choose one")
    if song:
        chosen = find_song(facts, song)
        return Section(name=chosen.name, span=chosen.span)
    if mark:
        place = find_mark(facts, mark)
        return Section(name=f"from '{place.name}' on", span=_between(facts, place.frame, facts.frames))
    if span:
        first, dash, last = span.partition("-")
        start = parse_place(facts, first)
        end = parse_place(facts, last) if dash and last.strip() else facts.frames
        return Section(name=span, span=_between(facts, start, end))
    return Section(name="the whole take", span=facts.span)


def parse_place(facts: TakeFacts, text: str) -> int:
    """A place in the take as ``75``, ``1:15``, ``1:02:09.5``: frame. Raises ArgumentInvalid outside the take."""
    cleaned = text.strip()
    if not re.fullmatch(r"(\d+:){0,2}\d+(\.\d+)?", cleaned):
        raise ArgumentInvalid(f"'{text}' is not a place in the take", now="Write it as 75, 1:15 or 1:02:09.5")
    seconds = 0.0
    for part in cleaned.split(":"):
        seconds = seconds * 60.0 + float(part)
    frame = frames_from_seconds(seconds, facts.rate_hz)
    if frame > facts.frames:
        end = format_position(facts.frames, facts.rate_hz)
        raise ArgumentInvalid(f"'{text}' is after the end of the take", now=f"It ends at {end}")
    return frame


def _between(facts: TakeFacts, first: int, end: int) -> Span:
    if end <= first:
        raise ArgumentInvalid("the span is empty", now="Let it end after it begins")
    return Span(first_frame=first, frames=end - first)


def neighbour_song(facts: TakeFacts, frame: int, step: int) -> Song | None:
    """The song after (+1) or before (-1) the one being played; before also means its own start after three seconds."""
    songs = facts.songs
    if step > 0:
        return next((song for song in songs if song.span.first_frame > frame), None)
    grace = 3 * facts.rate_hz
    earlier = [song for song in songs if song.span.first_frame < frame - grace]
    return earlier[-1] if earlier else (songs[0] if songs else None)
