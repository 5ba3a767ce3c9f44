"""Every sample accounted for: what take.json states, derived again from the files and compared."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nightreel.review.findings.family import Family, Kind
from nightreel.review.material import FileFact, Material
from nightreel.review.model import Account, Evidence, Finding, LineAccount, Severity
from nightreel.take.model import TakeState
from nightreel.take.opened import Take
from nightreel.timeline import Gap, GapCause, Span, union
from nightreel.units import format_time

LENGTH_TOLERANCE_S = 0.1  # recorders stop their tracks within a buffer or two of each other
SERIOUS_GAP_S = 2.0  # a gap one hears as a hole in the song rather than as a stumble (common practice)

FAMILY = Family(
    name="account of samples",
    kinds=(
        Kind("gap", "Samples that never arrived"),
        Kind("file-unreadable", "A track's file is missing or cannot be read"),
        Kind("file-short", "A file is shorter than the take states"),
        Kind("file-altered", "A file no longer holds what was recorded"),
        Kind("not-numbers", "Samples that are no numbers (NaN or infinite) in a float file"),
        Kind("lengths-differ", "Files of a folder differ in length"),
        Kind("rates-differ", "Files of a folder differ in sample rate"),
    ),
    method="take.json's lengths and gaps against the files: frames present, and zeros where gaps stand",
    source="the account of the take itself; no threshold",
    find=None,
)

_CAUSE_REMEDY = {
    GapCause.NETWORK_LOSS: "Look at the network between stage box and computer: cable, switch (multicast, priority of "
    "audio and clock packets), receive buffer; record on both networks where the desk has two.",
    GapCause.DEVICE_OVERFLOW: "The computer did not fetch the samples in time: raise the device's buffer, close other "
    "programs, switch power saving off.",
    GapCause.SERVER_SKIPPED: "The audio server skipped cycles: raise its period, give it real-time priority, close "
    "other programs.",
    GapCause.DEVICE_LOST: "The sound device vanished: look at its cable, hub and power supply.",
    GapCause.RING_FULL: "The disk was too slow: record to a faster drive, measured before the show, with a mirror.",
    GapCause.DISK_FAILED: "Copy the take to another drive now, then replace this one.",
    GapCause.RESTARTED: "The recorder was started again here; nothing can be fetched back for this span.",
    GapCause.UNKNOWN: "See the take's journal for what happened there.",
}


def compute_account(take: Take, material: Material) -> tuple[Account, tuple[Finding, ...]]:
    """The account of every line, and what is wrong with it."""
    facts = take.facts
    missing: dict[int, int] = {track.line: 0 for track in facts.tracks}
    for part in take.missing:
        missing[part.line] += part.span.frames
    lines = tuple(
        LineAccount(
            line=track.line,
            frames=facts.frames,
            present=facts.frames - missing[track.line],
            missing=missing[track.line],
            in_gaps=sum(span.frames for span in union(g.span for g in facts.gaps_of(track))),
        )
        for track in facts.tracks
    )
    altered = _filled_gaps(material)
    account = Account(
        stated_frames=facts.frames,
        gaps=facts.gaps,
        lines=lines,
        agrees=not take.missing and not altered,
        source="files" if facts.state is TakeState.FOREIGN else "take.json",
    )
    missing_findings = [] if facts.state is TakeState.FOREIGN else _missing_findings(take)
    return account, (*_gap_findings(take), *missing_findings, *altered, *_not_numbers(material))


def foreign_findings(take: Take, files: Sequence[FileFact], broken: Sequence[FileFact]) -> tuple[Finding, ...]:
    """What is wrong with the files of a folder that Nightreel did not record: each named, with its reason."""
    found: list[Finding] = []
    troubled = [*(f for f in files if f.trouble), *broken]
    for fact in {f.path: f for f in reversed(troubled)}.values():
        partly = fact.frames_present > 0
        found.append(
            Finding(
                kind="file-short" if partly else "file-unreadable",
                severity=Severity.STOPS,
                lines=tuple(f.line for f in troubled if f.path == fact.path),
                confidence=1.0,
                what=f"'{fact.path}' {'is only partly readable' if partly else 'cannot be read'}: {fact.trouble}.",
                remedy="Copy it again from where it was recorded and compare the sizes. The other files were reviewed.",
            )
        )
    readable = [f for f in files if not f.trouble]
    other_rate = [f for f in readable if f.rate_hz != take.rate_hz]
    if other_rate:
        named = ", ".join(f"'{f.path}' ({f.rate_hz} Hz)" for f in other_rate[:5])
        found.append(
            Finding(
                kind="rates-differ",
                severity=Severity.STOPS,
                lines=tuple(dict.fromkeys(f.line for f in other_rate)),
                confidence=1.0,
                evidence=(Evidence(name="files of another rate", value=len(other_rate)),),
                what=f"{len(other_rate)} of {len(files)} files have another sample rate than {take.rate_hz} Hz: "
                f"{named}.",
                remedy="Convert them to the rate of the others before use; played as they are, they run at the "
                "wrong pitch. "
                "They were not measured.",
            )
        )
    same = [f for f in readable if f.rate_hz == take.rate_hz]
    short = [f for f in same if f.frames_present < take.frames]
    if short:
        most_s = max(take.frames - f.frames_present for f in short) / take.rate_hz
        named = ", ".join(f"'{f.path}'" for f in short[:5])
        found.append(
            Finding(
                kind="lengths-differ",
                severity=Severity.FIX if most_s > LENGTH_TOLERANCE_S else Severity.NOTE,
                lines=tuple(dict.fromkeys(f.line for f in short)),
                confidence=1.0,
                evidence=(
                    Evidence(name="shorter files", value=len(short)),
                    Evidence(name="longest difference", value=most_s, unit="s"),
                ),
                what=f"{len(short)} of {len(same)} files are shorter than the longest, by up to {_length(most_s)}: "
                f"{named}.",
                remedy="Where the files begin together, the rest of the shorter ones counts as silence. Look "
                "whether a copy was "
                "cut off, and whether all files begin at the same moment.",
            )
        )
    return tuple(found)


def _not_numbers(material: Material) -> list[Finding]:
    return [
        Finding(
            kind="not-numbers",
            severity=Severity.FIX,
            lines=(line,),
            confidence=1.0,
            evidence=(Evidence(name="samples", value=measured.not_finite),),
            what=f"{measured.label}: {measured.not_finite} samples are no numbers (NaN or infinite); measured as "
            f"silence.",
            remedy="The program that wrote the file made them: write it again, as 24-bit PCM. Played as it is, it "
            "can make a "
            "full-scale bang.",
            caution="Do not play this file to loudspeakers or in-ears before it is mended.",
        )
        for line, measured in material.lines.items()
        if measured.not_finite
    ]


def _gap_findings(take: Take) -> list[Finding]:
    facts = take.facts
    found = []
    groups: dict[tuple[GapCause, tuple[int, ...]], list[Gap]] = {}
    for gap in facts.gaps:
        groups.setdefault((gap.cause, gap.channels), []).append(gap)
    for (cause, channels), gaps in groups.items():
        spans = union(g.span for g in gaps)
        total_s = sum(s.frames for s in spans) / facts.rate_hz
        longest_s = max(s.frames for s in spans) / facts.rate_hz
        lines = tuple(t.line for t in facts.tracks if not channels or t.channel in channels)
        everyone = len(lines) == len(facts.tracks)
        who = "every line" if everyone else f"{len(lines)} of {len(facts.tracks)} lines"
        count = "1 gap" if len(spans) == 1 else f"{len(spans)} gaps"
        longest = "" if len(spans) == 1 else f", the longest {_length(longest_s)}"
        found.append(
            Finding(
                kind="gap",
                severity=Severity.STOPS if longest_s > SERIOUS_GAP_S else Severity.FIX,
                lines=() if everyone else lines,
                spans=spans,
                confidence=1.0,
                evidence=(
                    Evidence(name="gaps", value=len(spans)),
                    Evidence(name="missing in all", value=total_s, unit="s"),
                    Evidence(name="longest", value=longest_s, unit="s"),
                ),
                what=f"{count} on {who}, {_length(total_s)} in all{longest}: {cause.value}.",
                remedy=f"{_CAUSE_REMEDY[cause]} The tracks stay in time: the gap holds silence of exactly its length.",
            )
        )
    return found


def _missing_findings(take: Take) -> list[Finding]:
    facts = take.facts
    found = []
    for part in take.missing:
        track = facts.track(part.line)
        label = f"line {part.line} '{track.name}'" if track else f"line {part.line}"
        whole = part.span.frames >= facts.frames
        if whole:
            what = f"{label}: its file cannot be used: {part.why}."
        else:
            when = format_time(part.span.first_frame / facts.rate_hz)
            what = (
                f"{label} ends at {when}, {_length(part.span.frames / facts.rate_hz)} before the take does: {part.why}."
            )
        found.append(
            Finding(
                kind="file-unreadable" if whole else "file-short",
                severity=Severity.STOPS,
                lines=(part.line,),
                spans=(part.span,),
                confidence=1.0,
                evidence=(Evidence(name="missing", value=part.span.frames / facts.rate_hz, unit="s"),),
                what=what,
                remedy="Look for the file on the mirror or on the card it was copied from, and copy it again; "
                "`nightreel recover` extends a file that was cut off.",
            )
        )
    return found


def _filled_gaps(material: Material) -> list[Finding]:
    """A gap is written as zeros; where the file holds anything else there, somebody changed it (or the account)."""
    if material.facts.state is TakeState.FOREIGN:
        return []
    wrong: dict[int, list[Span]] = {}
    for gap in material.facts.gaps[:200]:
        lines = [n for n, m in material.lines.items() if not gap.channels or m.track.channel in gap.channels]
        if not lines:
            continue
        block = material.read(lines, gap.first_frame, min(gap.frames, 1 << 16))
        for k in np.flatnonzero(np.any(block != 0.0, axis=0)):
            wrong.setdefault(lines[int(k)], []).append(gap.span)
    return [
        Finding(
            kind="file-altered",
            severity=Severity.FIX,
            lines=(line,),
            spans=tuple(spans),
            confidence=0.9,
            evidence=(Evidence(name="gaps that hold samples", value=len(spans)),),
            what=f"{material.lines[line].label}: the file holds samples where the take states a gap.",
            remedy="The file was changed after the recording, or belongs to another take: compare it with the mirror.",
        )
        for line, spans in wrong.items()
    ]


def _length(seconds: float) -> str:
    return f"{seconds * 1000:.0f} ms" if seconds < 1 else f"{seconds:.1f} s" if seconds < 60 else format_time(seconds)
