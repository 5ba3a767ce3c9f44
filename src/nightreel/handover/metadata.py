"""What each file of a handover says about itself: bext, iXML and cue points (EBU Tech 3285, EBU R 98, iXML)."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from nightreel import __version__
from nightreel.handover.model import FileKind, Plan, PlannedFile
from nightreel.handover.plan import converted_frame
from nightreel.handover.samples import is_as_recorded
from nightreel.signal.meters import ProgrammeResult
from nightreel.take import Take, TakeState, Track
from nightreel.units import Encoding
from nightreel.wave import Bext, Cue, FileSet, Ixml, IxmlTrack, bext_for

_MODES = {1: "mono", 2: "stereo"}


def make_bext(take: Take, plan: Plan, file: PlannedFile, original: Bext | None = None) -> Bext:
    """TimeReference is that of the take plus the frames before the part, at the rate of the file.

    ``original`` is the chunk of the file it came from. Of files that Nightreel did not record it is kept: who made
    them, their description, their UMID and the history of their coding.
    """
    facts = take.facts
    first = file.part.span.first_frame
    foreign = facts.state is TakeState.FOREIGN
    bext = bext_for(
        started_at=facts.started_at + timedelta(seconds=first / facts.rate_hz),
        time_reference_frames=converted_frame(facts.time_reference_frames + first, facts.rate_hz, plan.rate_hz),
        description=": ".join(filter(None, (facts.show, file.part.title, label_of(take, file)))),
        history=_history(take, plan, file, original if foreign else None),
    )
    if foreign and original is not None:
        return replace(
            bext,
            description=original.description or bext.description,
            originator=original.originator,
            originator_reference=original.originator_reference,
            umid=original.umid,
        )
    return replace(bext, originator_reference=f"NIGHTREEL{family_uid(take, file)[:20].upper()}")


def with_loudness(bext: Bext, measured: ProgrammeResult) -> Bext:
    """The loudness fields of version 2; what cannot be measured (silence, too short) stays unset."""
    return replace(
        bext,
        integrated_lufs=measured.integrated_lufs,
        loudness_range_lu=measured.loudness_range_lu,
        max_true_peak_dbtp=measured.true_peak_dbtp,
        max_momentary_lufs=measured.max_momentary_lufs,
        max_short_term_lufs=measured.max_short_term_lufs,
    )


def make_ixml(take: Take, plan: Plan, file: PlannedFile) -> Ixml:
    facts = take.facts
    together = [f.path for f in plan.files if f.part == file.part and f.kind is FileKind.TRACK]
    reference = converted_frame(facts.time_reference_frames + file.part.span.first_frame, facts.rate_hz, plan.rate_hz)
    track = facts.track(file.line) if file.line is not None else None
    if track is None:
        tracks = tuple(IxmlTrack(channel_index=n, interleave_index=n, name=f"Mix {s}") for n, s in ((1, "L"), (2, "R")))
        files = None
    else:
        tracks = (IxmlTrack(channel_index=track.line, interleave_index=1, name=track.name, function=track.role.value),)
        files = FileSet(
            total_files=len(together),
            family_uid=family_uid(take, file),
            family_name=f"{facts.name}: {file.part.title}",
            index=str(together.index(file.path) + 1),
        )
    return Ixml(
        project=facts.show,
        scene=file.part.title if file.part.is_song else "",
        take=facts.name,
        tracks=tracks,
        rate_hz=plan.rate_hz,
        bits=plan.encoding.sample_bytes * 8,
        timestamp_frames=reference,
        file_set=files,
        original_filename=Path(file.path).name,
        parent_filename=_parent(track),
    )


def make_cues(take: Take, plan: Plan, file: PlannedFile) -> tuple[Cue, ...]:
    """The marks inside the part, counted from its first frame."""
    facts, span = take.facts, file.part.span
    first = converted_frame(span.first_frame, facts.rate_hz, plan.rate_hz)
    return tuple(
        Cue(frame=converted_frame(mark.frame, facts.rate_hz, plan.rate_hz) - first, label=mark.name)
        for mark in facts.marks
        if span.first_frame <= mark.frame < span.end_frame
    )


def family_uid(take: Take, file: PlannedFile) -> str:
    """The same for all files of one part, different for every other: 32 hex digits."""
    facts, span = take.facts, file.part.span
    text = f"{facts.show}\n{facts.name}\n{facts.started_at.isoformat()}\n{span.first_frame}\n{span.frames}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _history(take: Take, plan: Plan, file: PlannedFile, original: Bext | None) -> str:
    """EBU R 98 lines: how it was recorded, then what was done."""
    facts = take.facts

    def line(rate_hz: int, encoding: Encoding, channels: int, text: str) -> str:
        kind = "FLOAT" if encoding is Encoding.FLOAT32 else "PCM"
        return f"A={kind},F={rate_hz},W={encoding.sample_bytes * 8},M={_MODES[channels]},T={text}"

    if facts.state is TakeState.FOREIGN:
        lines = original.coding_history.split("\n") if original is not None and original.coding_history else []
    else:
        lines = [line(facts.rate_hz, facts.encoding, 1, f"Nightreel {facts.nightreel or __version__} recorded")]
    if file.kind is FileKind.MIX:
        lines = [line(plan.rate_hz, plan.encoding, 2, f"Nightreel {__version__} listening mix")]
    elif not is_as_recorded(take, plan.rate_hz, plan.encoding):
        lines.append(line(plan.rate_hz, plan.encoding, 1, f"Nightreel {__version__} converted"))
    return "\n".join(lines)


def label_of(take: Take, file: PlannedFile) -> str:
    track = take.facts.track(file.line) if file.line is not None else None
    return f"{track.line} {track.name}" if track is not None else "listening mix"


def _parent(track: Track | None) -> str:
    return Path(track.files[0].path).name if track is not None and track.files else ""
