"""Places where samples were lost, doubled or replaced: zeroed blocks, repeated blocks, single breaks, clicks of a
clock.

Candidates come from the one pass over the line (:mod:`nightreel.review.joints`) and from the meters' runs of zeros;
each is read again and judged by linear prediction (:mod:`nightreel.review.prediction`). Lines whose sound is made of
steps (click, timecode) and playback, whose material may hold cuts of its own, are judged for blocks only.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.family import Family, Kind
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.review.prediction import CONTEXT, standing_out
from nightreel.show.model import Role
from nightreel.timeline import Span

Frames = NDArray[np.int64]

STANDS_OUT = 100.0  # attacks, plucks and hard-cut samples reach 70 (measured on open samples); breaks mostly hundreds
OVER_OWN = 3.0  # and so much over what the line's own sound does
JUDGED = 240  # candidates a line that are read again, the sharpest first
CLUSTER_S = 1.0
REGULAR = 0.8
CLICKS = 6
LEAST_AT_ONCE = 3
LONGEST_ZERO_S = 5.0
_STEPS = (Role.CLICK, Role.TIMECODE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Break:
    """One place where a line's samples do not join, and how far it stands out."""

    frame: int
    score: float


def find(material: Material) -> Iterable[Finding]:
    breaks = {n: find_breaks(material, n) for n in material.lines}
    rest: dict[int, list[Break]] = {}
    for line, measured in material.lines.items():
        blocks = [f for f in (_zeroed(material, line), _repeated(material, line)) if f]
        yield from blocks
        rest[line] = [
            b
            for b in breaks[line]
            if not any(_touches(f, b.frame, material.rate_hz // 50) for f in blocks)
            and not in_an_out(measured, b.frame, material.rate_hz // 100)
        ]
        yield from _say(material, measured, rest[line])
    yield from _at_once(material, rest)


def _at_once(material: Material, breaks: dict[int, list[Break]]) -> Iterable[Finding]:
    """Breaks of several lines at one and the same sample: no sound reaches two microphones at once so exactly.

    A single break on a single line is not reported: a hard consonant, a pick or a synthesiser can make one.
    """
    places: dict[int, set[int]] = {}
    for line, found in breaks.items():
        for b in found:
            key = next((f for f in (b.frame - 1, b.frame, b.frame + 1) if f in places), b.frame)
            places.setdefault(key, set()).add(line)
    shared = {frame: lines for frame, lines in places.items() if len(lines) >= LEAST_AT_ONCE}
    if not shared:
        return
    lines = tuple(sorted(set().union(*shared.values())))
    count = len(shared)
    yield Finding(
        kind="break",
        severity=Severity.FIX,
        lines=lines,
        spans=tuple(Span(first_frame=f, frames=1) for f in sorted(shared))[:400],
        confidence=0.9,
        evidence=(Evidence(name="places", value=count), Evidence(name="lines", value=len(lines))),
        what=f"The samples of {len(lines)} lines do not join at {count} place{'s' if count > 1 else ''}, at the "
        f"same moment: "
        "some were lost or doubled, and no gap was stated.",
        remedy="Look at what these lines share: the link, its clock, the driver of the sound device. Raise its "
        "buffer, and "
        "give every digital device one clock.",
    )


def find_breaks(material: Material, line: int) -> tuple[Break, ...]:
    """Confirmed breaks of a line in order of time; gaps and the ends of the take are left out."""
    measured = material.lines[line]
    if measured.role in (*_STEPS, Role.PLAYBACK):
        return ()
    joints = measured.joints
    order = np.argsort(-joints.joint_ratio, kind="stable")[:JUDGED]
    scored = []
    for k in order:
        frame = int(joints.joint_frame[k])
        if _near_gap(material, line, frame):
            continue
        samples = material.read((line,), frame - CONTEXT, 2 * CONTEXT)[:, 0] if frame >= CONTEXT else None
        if samples is None or frame + CONTEXT > material.facts.frames:
            continue
        scored.append(Break(frame=frame, score=standing_out(samples, CONTEXT)))
    if not scored:
        return ()
    scored.sort(key=lambda b: -b.score)
    own = scored[len(scored) * 2 // 3].score if len(scored) > 30 else 0.0
    least = max(STANDS_OUT, OVER_OWN * own)
    return tuple(sorted((b for b in scored if b.score >= least), key=lambda b: b.frame))


def in_an_out(measured: LineMaterial, frame: int, margin: int) -> bool:
    """The edges of a sudden out belong to the out."""
    j = measured.joints
    return bool(np.any((frame > j.out_first - 3 * margin) & (frame < j.out_end + 3 * margin)))


def _near_gap(material: Material, line: int, frame: int) -> bool:
    return any(g.first_frame - 64 <= frame <= g.end_frame + 64 for g in material.gaps_of(line))


def _touches(finding: Finding, frame: int, margin: int) -> bool:
    return any(s.first_frame - margin <= frame <= s.end_frame + margin for s in finding.spans)


def _say(material: Material, measured: LineMaterial, breaks: list[Break]) -> Iterable[Finding]:
    if len(breaks) < 5:
        return
    frames = np.array([b.frame for b in breaks])
    spans = tuple(Span(first_frame=int(f), frames=1) for f in frames)
    score = float(np.median([b.score for b in breaks]))
    line = measured.track.line
    base = _base_frames(frames, material.rate_hz) if len(breaks) >= CLICKS else 0.0
    if base:
        every = base / material.rate_hz
        yield Finding(
            kind="clock-clicks",
            severity=Severity.FIX,
            lines=(line,),
            spans=spans[:400],
            confidence=0.95,
            evidence=(
                Evidence(name="clicks", value=len(breaks)),
                Evidence(name="time between them", value=every, unit="s"),
                Evidence(name="over the sound around", value=score, unit="times"),
            ),
            what=f"{measured.label} clicks every {every:.2g} s: {len(breaks)} places where its samples do not join.",
            remedy="Two devices run on clocks of their own: one sample is lost or doubled whenever they drift "
            "apart by one. "
            "Give every digital device one clock (word clock, or the network's), or a converter of sample rates "
            "between.",
        )
        return
    clusters = _clusters(frames, round(CLUSTER_S * material.rate_hz))
    crackling = [c for c in clusters if len(c) >= 3 and not _pitched(c)]
    if crackling and sum(len(c) for c in crackling) >= 5:
        yield crackle(
            measured,
            tuple(Span(first_frame=int(c[0]), frames=int(c[-1] - c[0]) + 1) for c in crackling),
            count=len(breaks),
            confidence=0.9,
        )


def crackle(measured: LineMaterial, spans: tuple[Span, ...], *, count: int, confidence: float) -> Finding:
    """An intermittent contact; also said by the family that looks at outs."""
    places = f"{len(spans)} place{'s' if len(spans) > 1 else ''}"
    return Finding(
        kind="crackle",
        severity=Severity.FIX,
        lines=(measured.track.line,),
        spans=spans[:400],
        confidence=confidence,
        evidence=(Evidence(name="places", value=len(spans)), Evidence(name="cracks or outs", value=count)),
        what=f"{measured.label} has a bad contact: it crackles or drops out in {places}.",
        remedy="Change the cable first, then the socket on the stage box; look at the plug of the instrument, and at "
        "phantom power if the microphone needs it. Mute the channel before pulling a plug.",
        caution="A plug pulled on an open channel is a full-scale bang in loudspeakers and in-ears: mute it first.",
    )


def _base_frames(frames: Frames, rate_hz: int) -> float:
    """The interval of which most distances are multiples, 0 for none; at least 0.2 s, and no more than six of it apart.

    Some clicks of a clock fall into silence, so distances are multiples; the interval is looked for among the shortest
    distances, their halves and thirds.
    """
    steps = np.diff(frames).astype(np.float64)
    steps = steps[steps > 0.05 * rate_hz]
    if len(steps) < CLICKS - 1:
        return 0.0
    best, best_share = 0.0, REGULAR
    for step in np.sort(steps)[: max(3, len(steps) // 2)]:
        for part in (1, 2, 3):
            base = step / part
            times = np.maximum(np.round(steps / base), 1)
            if base < 0.2 * rate_hz or np.mean(times) > 6:
                continue
            share = float(np.mean(np.abs(steps - times * base) < 0.04 * base))
            if share > best_share or (share == best_share and base > best):
                best, best_share = base, share
    return best


def _pitched(frames: Frames) -> bool:
    """The breaks follow each other like the periods of a tone: a synthesiser's own steps, no contact."""
    steps = np.diff(frames).astype(np.float64)
    if len(steps) < 5:
        return False
    base = float(np.median(steps))
    times = np.maximum(np.round(steps / base), 1)
    return bool(np.mean((np.abs(steps - times * base) < 0.03 * base) & (times <= 4)) > 0.6)


def _clusters(frames: Frames, within: int) -> list[Frames]:
    return np.split(frames, np.flatnonzero(np.diff(frames) > within) + 1)


def _zeroed(material: Material, line: int) -> Finding | None:
    """Runs of zeros that begin and end in full sound, in a line that is not made of silence."""
    measured = material.lines[line]
    if measured.role in _STEPS:
        return None
    gaps = material.gaps_of(line)
    longest = round(LONGEST_ZERO_S * material.rate_hz)
    found = []
    for span in measured.levels.zero_spans:
        # Playback material may be cut hard by its maker; only what is too short to be meant is a fault there.
        if measured.role is Role.PLAYBACK and span.frames > material.rate_hz // 4:
            continue
        if span.frames > longest or span.first_frame < 2048 or span.end_frame + 2048 > measured.frames:
            continue
        if any(g.first_frame <= span.end_frame and span.first_frame <= g.end_frame for g in gaps):
            continue
        if _cut_out(material, line, span):
            found.append(span)
    if not found:
        return None
    total_ms = sum(s.frames for s in found) / material.rate_hz * 1000
    places = "one place" if len(found) == 1 else f"{len(found)} places"
    return Finding(
        kind="zeroed-block",
        severity=Severity.FIX,
        lines=(line,),
        spans=tuple(found),
        confidence=0.95 if measured.role is not Role.PLAYBACK else 0.7,
        evidence=(Evidence(name="places", value=len(found)), Evidence(name="zeros in all", value=total_ms, unit="ms")),
        what=f"{measured.label} is cut out by exact zeros in {places}, {total_ms:.0f} ms in all, and no gap was "
        f"stated.",
        remedy="Samples were lost before they reached the recorder: look at the link, its clock and the driver of "
        "the sound "
        "device. No analogue fault makes exact zeros.",
    )


def _cut_out(material: Material, line: int, span: Span) -> bool:
    """Sound of some level up to the very edge on both sides."""
    edge, wide = 48, 960
    before = np.abs(material.read((line,), span.first_frame - wide, wide)[:, 0])
    after = np.abs(material.read((line,), span.end_frame, wide)[:, 0])
    level = min(before.max(), after.max())
    return bool(level > 1e-3 and before[-edge:].max() > 0.12 * before.max() and after[:edge].max() > 0.12 * after.max())


def _repeated(material: Material, line: int) -> Finding | None:
    measured = material.lines[line]
    j = measured.joints
    # a repeat lasts as long as the distance to its original (once), or goes on for many of them (a frozen buffer)
    once = (j.repeat_frames <= j.repeat_distance * 1.25 + 2) & (j.repeat_distance >= 32)
    spans = [
        Span(first_frame=int(f), frames=int(n))
        for f, n, d in zip(j.repeat_frame[once], j.repeat_frames[once], j.repeat_distance[once], strict=True)
        if not _near_gap(material, line, int(f)) and _audible(material, line, int(f), int(n), int(d))
    ]
    if not spans or measured.role in _STEPS:
        return None
    size = int(np.median([s.frames for s in spans]))
    return Finding(
        kind="repeated-block",
        severity=Severity.FIX,
        lines=(line,),
        spans=tuple(spans[:400]),
        confidence=0.95 if measured.role is not Role.PLAYBACK else 0.7,
        evidence=(Evidence(name="places", value=len(spans)), Evidence(name="block", value=size, unit="frames")),
        what=f"{measured.label} holds {len(spans)} block{'s' if len(spans) > 1 else ''} of about {size} frames "
        f"twice: a buffer "
        "was delivered again instead of the next one.",
        remedy="The driver or the network card ran late: raise the buffer of the sound device, look at its clock "
        "source, "
        "close other programs. What the second block should have been is lost.",
    )


def _audible(material: Material, line: int, first: int, frames: int, distance: int) -> bool:
    """Loud enough to be no coincidence of a few quiet steps, and not one cycle of a strictly periodic sound.

    A periodic sound would go on repeating across the end of the run, or had begun before it; its samples around the run
    equal those one distance away up to a small error. A delivered buffer breaks at both of its ends.
    """
    block = material.read((line,), first - distance - 64, frames + distance + 128)[:, 0]
    if np.ptp(block) < 2e-6 or len(np.unique(block)) < min(32, frames // 2):
        return False
    level = float(np.abs(np.diff(block)).mean()) + 1e-12
    before = float(np.abs(block[distance : distance + 48] - block[:48]).mean())
    end = distance + 64 + frames
    after = float(np.abs(block[end + 8 : end + 56] - block[end + 8 - distance : end + 56 - distance]).mean())
    return before > 0.3 * level and after > 0.3 * level


FAMILY = Family(
    name="breaks",
    kinds=(
        Kind("zeroed-block", "A block of zeros inside the sound that no gap accounts for"),
        Kind("repeated-block", "A block of samples delivered twice"),
        Kind("clock-clicks", "Clicks at regular intervals: clocks that are not locked"),
        Kind("break", "Places where the samples of several lines do not join at the same moment"),
        Kind("crackle", "A bad contact: bursts of breaks, or short outs"),
    ),
    method="Third differences and bit-equal runs in one pass, confirmed by linear prediction; zero runs of the meters",
    source="Godsill and Rayner 1998 (prediction; from memory); thresholds from the bench",
    find=find,
)
