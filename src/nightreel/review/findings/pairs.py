"""Pairs that should fit together: the two sides of a stereo line, and two microphones (or DI and mic) on one source.

Stereo: identical to the last bit (one send recorded twice), one side missing or far down, polarity reversed, one side
late. One source: polarity, and the distance that the delay stands for. Delay and polarity come from
:mod:`nightreel.review.compare`; a statement is made only where most windows agree on it by themselves.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from nightreel.review.compare import Likeness, compare_lines, distance_m
from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.names import same_source_pairs, stem_and_side
from nightreel.review.findings.silent import is_dead
from nightreel.review.levels import top_db
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.show.model import Role

AGREEING = 0.6  # share of windows that must say the same
SAME_SOURCE_LAG_S = 0.012  # about 4 m
STEREO_LAG_S = 0.030
ONE_SIDED_DB = 15.0
LATE_S = 0.0004
_ELECTRIC = (Role.DIRECT, Role.PLAYBACK, Role.EFFECTS_RETURN)


def find(material: Material) -> Iterable[Finding]:
    for left, right in _stereo_pairs(material):
        finding = _stereo(material, left, right)
        if finding:
            yield finding
    for a, b in same_source_pairs(m.track for m in material.lines.values() if m.role in (Role.MIC, Role.DIRECT)):
        finding = _one_source(material, material.lines[a.line], material.lines[b.line])
        if finding:
            yield finding


def _stereo_pairs(material: Material) -> list[tuple[LineMaterial, LineMaterial]]:
    pairs = []
    for line, measured in material.lines.items():
        partner = measured.track.partner
        if partner is not None and partner in material.lines and line < partner:
            pairs.append((measured, material.lines[partner]))
    return pairs


def _stereo(material: Material, left: LineMaterial, right: LineMaterial) -> Finding | None:
    lines = (left.track.line, right.track.line)
    dead = [is_dead(material, n) for n in lines]
    if all(dead):
        return None
    tops = [top_db(m.levels.history_rms_db) for m in (left, right)]
    if abs(tops[0] - tops[1]) > ONE_SIDED_DB and max(tops) > -60:
        weak, strong = (left, right) if tops[0] < tops[1] else (right, left)
        if is_dead(material, weak.track.line) and not weak.role_facts.may_be_silent:
            return None  # told as a dead line already
        return Finding(
            kind="stereo-one-sided",
            severity=Severity.FIX,
            lines=(weak.track.line, strong.track.line),
            confidence=0.9,
            evidence=(Evidence(name="difference in level", value=abs(tops[0] - tops[1]), unit="dB"),),
            what=f"{weak.label} is {abs(tops[0] - tops[1]):.0f} dB under {strong.label}, the other side of its pair.",
            remedy="Look at the gains of both sides, the pad, and the cable: a half-inserted or mono plug feeds "
            "one side only.",
        )
    if any(dead):
        return None
    like = compare_lines(material, *lines, max_lag_frames=round(STEREO_LAG_S * material.rate_hz))
    if like is None:
        return None
    evidence = _evidence(like, material.rate_hz)
    pair = f"{left.label} and {right.label}"
    if like.lag_frames == 0 and like.residual_db < -60 and identical(material, lines):
        electric = left.role in _ELECTRIC
        return Finding(
            kind="stereo-identical",
            severity=Severity.NOTE if electric else Severity.FIX,
            lines=lines,
            confidence=0.7 if electric else 0.98,
            evidence=evidence,
            what=f"{pair} are the same samples, to the last bit: the pair is mono.",
            remedy="Two analogue inputs never agree to the last bit: one send is recorded twice. Look at the patch "
            "of the "
            "second side." + (" If the source itself is mono and digital, this is as it must be." if electric else ""),
        )
    if like.agreeing < AGREEING:
        return None
    late_s = abs(like.lag_frames) / material.rate_hz
    if like.correlation < -0.6 and like.coherence > 0.5 and late_s < 0.002:
        return Finding(
            kind="stereo-polarity",
            severity=Severity.FIX,
            lines=(right.track.line, left.track.line),
            confidence=0.9 if like.correlation < -0.8 else 0.7,
            evidence=evidence,
            what=f"{pair} have opposite polarity: summed to mono they cancel.",
            remedy="Switch the polarity of one side at the desk (which one only the source tells), and look for a "
            "cable with "
            "pins 2 and 3 crossed.",
        )
    if late_s >= LATE_S and like.correlation > 0.6 and like.coherence > 0.75 and left.role in _ELECTRIC:
        late, early = (right, left) if like.lag_frames > 0 else (left, right)
        return Finding(
            kind="stereo-delayed",
            severity=Severity.FIX,
            lines=(late.track.line, early.track.line),
            confidence=0.85,
            evidence=evidence,
            what=f"{late.label} comes {late_s * 1000:.2f} ms after {early.label}, the other side of its pair.",
            remedy="Look for a delay or an insert on one side only, or for sides that take different ways "
            "(analogue and "
            "network); take the delay out, or shift the track by as much.",
        )
    return None


def identical(material: Material, lines: tuple[int, int]) -> bool:
    """Bit-equal in every loud window."""
    from nightreel.review.compare import WINDOW_FRAMES, loud_windows

    starts = loud_windows(material, lines)
    if not starts:
        return False
    for start in starts:
        block = material.read(lines, start, WINDOW_FRAMES)
        if not np.array_equal(block[:, 0], block[:, 1]):
            return False
    return True


def _one_source(material: Material, a: LineMaterial, b: LineMaterial) -> Finding | None:
    lines = (a.track.line, b.track.line)
    if any(is_dead(material, n) for n in lines):
        return None
    like = compare_lines(material, *lines, max_lag_frames=round(SAME_SOURCE_LAG_S * material.rate_hz))
    if like is None:
        return None
    # Two witnesses, one is enough: a sharp PHAT peak on which windows agree, or a plain correlation so high that
    # only its sign is in question (low sources such as a kick, whose PHAT is blunt).
    sharp = like.agreeing >= AGREEING and like.sharpness >= 1.25 and like.coherence >= 0.3
    plain = abs(like.correlation) > 0.8 and like.coherence > 0.85
    if not (sharp or plain) or (sharp and plain and like.phat * like.correlation < 0):
        return None
    opposite = like.correlation < 0 if plain else like.phat < 0
    sides = {stem_and_side(a.track.name)[1], stem_and_side(b.track.name)[1]}
    metres = distance_m(abs(like.lag_frames), material.rate_hz)
    if opposite:
        expected = sides == {"top", "bottom"}
        reversed_one, other = (b, a)
        return Finding(
            kind="polarity",
            severity=Severity.NOTE if expected else Severity.FIX,
            lines=(reversed_one.track.line, other.track.line),
            confidence=0.9 if plain else min(0.9, 0.5 + 0.2 * like.sharpness * like.agreeing),
            evidence=_evidence(like, material.rate_hz),
            what=f"{reversed_one.label} and {other.label} hear one source with opposite polarity.",
            remedy="Switch the polarity of one of the two at the desk"
            + (
                "; from above and from below a skin this is how it must be."
                if expected
                else ", listen to both together, and look for a cable with pins 2 and 3 crossed."
            )
            + (f" They stand about {metres:.2f} m apart in sound's way (at 20 degrees C)." if metres > 0.1 else ""),
        )
    return None


def _evidence(like: Likeness, rate_hz: int) -> tuple[Evidence, ...]:
    return (
        Evidence(name="correlation", value=like.correlation),
        Evidence(name="delay", value=like.lag_frames / rate_hz * 1000, unit="ms"),
        Evidence(name="difference in level", value=like.gain_db, unit="dB"),
        Evidence(name="windows that agree", value=like.agreeing * 100, unit="%"),
    )


FAMILY = Family(
    name="pairs",
    kinds=(
        Kind("stereo-identical", "Both sides of a stereo pair are the same samples"),
        Kind("stereo-one-sided", "One side of a stereo pair is missing or far down"),
        Kind("stereo-polarity", "The sides of a stereo pair have opposite polarity"),
        Kind("stereo-delayed", "One side of a stereo pair comes late"),
        Kind("polarity", "Two microphones on one source have opposite polarity"),
    ),
    method="GCC-PHAT and coherence over a dozen loud windows (nightreel.review.compare)",
    source="Knapp and Carter 1976; speed of sound ISO 9613-1; thresholds from the bench",
    find=find,
)
