"""Each medium against the show: does it fit, how long does it last, where does a track end, how long is a copy."""

from __future__ import annotations

from dataclasses import dataclass

from nightreel.advance.evidence import DriveEvidence, Evidence
from nightreel.advance.known import Known
from nightreel.advance.storage import (
    CopyTime,
    Growth,
    Room,
    TrackFormat,
    compute_copy_time,
    compute_growth,
    find_file_system,
    seconds_on,
)
from nightreel.advance.wishes import Wishes
from nightreel.show.model import Medium
from nightreel.units import format_size, format_time

RECORDER_RESERVE_BYTES = 200_000_000  # the recorder closes a drive cleanly when less is free


@dataclass(frozen=True, slots=True, kw_only=True)
class MediumPlan:
    """One medium against the show. ``seconds`` is the recording time it holds; None where its size is not known."""

    name: str
    purpose: str
    file_system: str
    size_bytes: int | None
    seconds: float | None
    fits: bool | None
    growth: tuple[Growth, ...]
    rate_bytes_per_s: float | None
    needed_bytes_per_s: int
    copy: CopyTime
    known: Known
    words: str


def plan_medium(
    medium: Medium,
    format: TrackFormat,
    room: Room,
    with_margin: Room,
    length_s: float,
    wishes: Wishes,
    evidence: Evidence,
) -> MediumPlan:
    """``medium`` holds what was measured already (:meth:`Evidence.medium`)."""
    file_system = find_file_system(medium.file_system) if medium.file_system else None
    seconds = (
        seconds_on(format, tracks=room.tracks, free_bytes=max(0, medium.size_bytes - RECORDER_RESERVE_BYTES))
        if medium.size_bytes is not None and room.tracks
        else None
    )
    measured = evidence.drives.get(medium.name, DriveEvidence())
    fits = None if medium.size_bytes is None else with_margin.file_bytes <= medium.size_bytes - RECORDER_RESERVE_BYTES
    rate = medium.write_bytes_per_s or wishes.copy_bytes_per_s
    words = []
    if fits is False and seconds is not None:
        words.append(f"full after {format_time(seconds)}: free room or take a larger drive")
    if medium.write_bytes_per_s is not None and medium.write_bytes_per_s < 2 * room.bytes_per_s:
        words.append(
            f"writes {format_size(medium.write_bytes_per_s)}/s, the take needs {format_size(room.bytes_per_s)}/s "
            "and as much again in reserve"
        )
    growth = compute_growth(format, length_s=length_s, file_system=file_system)
    words.extend(
        f"{g.name} ends a track after {format_time(g.seconds)}: {g.segments} files a track"
        for g in growth
        if g.segments > 1
    )
    if medium.file_system and file_system is None:
        words.append(f"no figures are known for the file system '{medium.file_system}'")
    elif file_system and file_system.advice:
        words.append(file_system.advice)
    return MediumPlan(
        name=medium.name,
        purpose=medium.purpose,
        file_system=file_system.name if file_system else medium.file_system,
        size_bytes=medium.size_bytes,
        seconds=seconds,
        fits=fits,
        growth=growth,
        rate_bytes_per_s=medium.write_bytes_per_s,
        needed_bytes_per_s=room.bytes_per_s,
        copy=compute_copy_time(
            room.file_bytes,
            source_bytes_per_s=rate,
            target_bytes_per_s=rate,
            target_read_bytes_per_s=measured.read_bytes_per_s,
        ),
        known=Known.MEASURED
        if measured.write_bytes_per_s
        else Known.ENTERED
        if medium.write_bytes_per_s
        else Known.ASSUMED,
        words="; ".join(words) or "good",
    )
