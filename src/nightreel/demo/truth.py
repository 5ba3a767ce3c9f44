"""What is wrong with the demo night, planted and known: the answer sheet that demo and tests compare against."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from nightreel.timeline import Span


class Trouble(StrEnum):
    CROSSED = "crossed lines"
    DEAD = "dead line"
    HUM = "hum"
    OVERS = "digital overs"
    GAP = "network gap"
    POLARITY = "reversed polarity"


class Where(StrEnum):
    """Who plants it: in the signal from the stage, in the simulated desk, or on the way to the recorder."""

    STAGE = "stage"
    DESK = "desk"
    RECORDER = "recorder"


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """One trouble. ``lines`` are line numbers; ``span`` in frames of the night; ``text`` for people."""

    trouble: Trouble
    where: Where
    lines: tuple[int, ...]
    span: Span
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trap:
    """Something that looks like a fault and is none: reporting it is a false alarm."""

    lines: tuple[int, ...]
    text: str


TRAPS: tuple[Trap, ...] = (
    Trap(lines=(21,), text="the handheld is used in one song only"),
    Trap(lines=(32,), text="the harmonium is used in one song only"),
    Trap(lines=(27,), text="nobody uses the talkback all night"),
    Trap(lines=(25,), text="the click is digital silence between its beats and between songs"),
    Trap(lines=(23, 24), text="the tracks play in two songs and are digital silence else"),
    Trap(lines=(30, 31), text="the ambience is quiet while the band plays softly"),
    Trap(lines=(10, 11), text="the bass holds notes at 100 Hz, twice a mains frequency, in the third song"),
    Trap(lines=(12,), text="the guitar amplifier distorts, which is its sound and no clipping of the preamp"),
)
