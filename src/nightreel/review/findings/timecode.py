"""Timecode lines: is there code, does it run on without a jump, at which rate, and where it stops.

Decoding is :mod:`nightreel.signal.ltc` (SMPTE ST 12-1). Code found on a line of another role, where the timecode
line has none, is told by the family that looks for swapped lines.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from nightreel.review.findings.family import Family, Kind
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.show.model import Role
from nightreel.signal.ltc import LtcFrame, LtcReader, LtcRun, find_ltc_runs
from nightreel.timeline import Span
from nightreel.units import format_position

CHUNK_S = 20
LEAST_STOP_S = 1.0
SPEED_PPM = 200.0  # beyond what two quartz clocks differ by (50 ppm each, common practice)


def find(material: Material) -> Iterable[Finding]:
    for measured in material.lines.values():
        if measured.role is Role.TIMECODE:
            yield from _of_line(material, measured)


def read_code(material: Material, line: int) -> tuple[LtcFrame, ...]:
    """All frames of timecode on a line."""
    reader = LtcReader(material.rate_hz)
    frames: list[LtcFrame] = []
    step = CHUNK_S * material.rate_hz
    for at in range(0, material.facts.frames, step):
        frames.extend(reader.feed(material.read((line,), at, min(step, material.facts.frames - at))[:, 0]))
    return tuple(frames)


def holds_code(material: Material, line: int, seconds: int = 10) -> bool:
    """Timecode can be read in the middle of the line (or at a third of it)."""
    for share in (2, 3):
        at = max(0, material.facts.frames // share - seconds * material.rate_hz // 2)
        reader = LtcReader(material.rate_hz)
        code = reader.feed(
            material.read((line,), at, min(seconds * material.rate_hz, material.facts.frames - at))[:, 0]
        )
        if any(run.frames >= 20 for run in find_ltc_runs(code, rate_hz=material.rate_hz)):
            return True
    return False


def _of_line(material: Material, measured: LineMaterial) -> Iterable[Finding]:
    line, rate_hz = measured.track.line, material.rate_hz
    code = read_code(material, line)
    runs = [r for r in find_ltc_runs(code, rate_hz=rate_hz) if r.frames >= 3]
    if not runs:
        if measured.levels.rms_dbfs > -70:
            yield Finding(
                kind="timecode-missing",
                severity=Severity.FIX,
                lines=(line,),
                confidence=0.9,
                evidence=(Evidence(name="frames of code", value=len(code)),),
                what=f"{measured.label} carries signal, but no timecode can be read from it.",
                remedy="Look at the patch: another signal may be on this line. Timecode wants a plain line without "
                "filter, "
                "gate, compressor or rate conversion, at about -18 dBFS.",
            )
        return
    gaps = material.gaps_of(line)
    jumps, stops = [], []
    for before, after in pairwise(runs):
        first, end = round(before.end), max(round(before.end), round(after.first.start))
        if any(g.first_frame <= end + rate_hz // 20 and first - rate_hz // 20 <= g.end_frame for g in gaps):
            continue  # the gap has its own finding
        silence_s = (end - first) / rate_hz
        if silence_s >= LEAST_STOP_S:
            stops.append(Span(first_frame=first, frames=end - first))
        step = _leap(before, after, rate_hz)
        if abs(step) >= 1:
            jumps.append((Span(first_frame=end, frames=max(1, rate_hz // 25)), step, before, after))
    lead_s = runs[0].first.start / rate_hz
    tail_s = (material.facts.frames - runs[-1].end) / rate_hz
    rate = runs[0].rate
    if jumps:
        span, step, before, after = jumps[0]
        more = f", and {len(jumps) - 1} more" if len(jumps) > 1 else ""
        yield Finding(
            kind="timecode-jump",
            severity=Severity.FIX,
            lines=(line,),
            spans=tuple(j[0] for j in jumps[:200]),
            confidence=0.97,
            evidence=(
                Evidence(name="jumps", value=len(jumps)),
                Evidence(name="first jump", value=step, unit="timecode frames"),
                Evidence(name="rate", value=float(rate.fps), unit="fps"),
            ),
            what=f"{measured.label} jumps from {before.last.label} to {after.first.label}{more}.",
            remedy="The source was located or restarted there, or samples were lost. Align picture or automation "
            "by the code "
            f"after {format_position(span.first_frame, rate_hz)} anew.",
        )
    if stops:
        total = sum(s.frames for s in stops) / rate_hz
        yield Finding(
            kind="timecode-stops",
            severity=Severity.FIX,
            lines=(line,),
            spans=tuple(stops[:200]),
            confidence=0.95,
            evidence=(
                Evidence(name="stops", value=len(stops)),
                Evidence(name="without code", value=total, unit="s"),
                Evidence(name="before the first frame", value=lead_s, unit="s"),
                Evidence(name="after the last frame", value=tail_s, unit="s"),
            ),
            what=f"{measured.label} has no code for {total:.1f} s in the middle of the take, in {len(stops)} "
            f"place{'s' if len(stops) > 1 else ''}.",
            remedy="Look at the timecode source and its cable. Where the source follows the playback machine, it "
            "stops with "
            "it: then this is as it must be.",
        )
    speed = runs[0].speed_ppm
    if abs(speed) > SPEED_PPM and runs[0].frames > 500:
        yield Finding(
            kind="timecode-speed",
            severity=Severity.NOTE,
            lines=(line,),
            confidence=0.8,
            evidence=(Evidence(name="off its rate", value=speed, unit="ppm"),),
            what=f"{measured.label} runs {abs(speed):.0f} ppm {'fast' if speed > 0 else 'slow'} against the "
            f"recording's clock.",
            remedy="Source and recorder do not share a clock: over an hour they part by "
            f"{abs(speed) * 3.6e-3:.1f} s. Lock the source to the desk's word clock.",
        )


def _leap(before: LtcRun, after: LtcRun, rate_hz: int) -> int:
    """Timecode frames by which the label leaps beyond the time that passed."""
    passed = (after.first.start - before.last.start) / rate_hz * float(before.rate.fps)
    day = before.rate.frames_a_day
    step = (after.first.label.number(before.rate) - before.last.label.number(before.rate)) % day
    leap = round(step - passed)
    return leap - day if leap > day // 2 else leap


FAMILY = Family(
    name="timecode",
    kinds=(
        Kind("timecode-missing", "A timecode line without readable code"),
        Kind("timecode-jump", "Timecode that leaps"),
        Kind("timecode-stops", "Timecode that stops in the middle of the take"),
        Kind("timecode-speed", "Timecode whose clock is not the recording's"),
    ),
    method="LTC decoded frame by frame; runs without a jump",
    source="SMPTE ST 12-1",
    find=find,
)
