"""The families of findings, in the order in which they look. One small module each; docs/review.md lists them all."""

from __future__ import annotations

from nightreel.review.findings.bleed import FAMILY as BLEED
from nightreel.review.findings.breaks import FAMILY as BREAKS
from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.feedback import FAMILY as FEEDBACK
from nightreel.review.findings.hot import FAMILY as HOT
from nightreel.review.findings.hum import FAMILY as HUM
from nightreel.review.findings.moved import FAMILY as MOVED
from nightreel.review.findings.noise import FAMILY as NOISE
from nightreel.review.findings.offset import FAMILY as OFFSET
from nightreel.review.findings.outs import FAMILY as OUTS
from nightreel.review.findings.pairs import FAMILY as PAIRS
from nightreel.review.findings.silent import FAMILY as SILENT
from nightreel.review.findings.swapped import FAMILY as SWAPPED
from nightreel.review.findings.timecode import FAMILY as TIMECODE
from nightreel.review.findings.twins import FAMILY as TWINS

FAMILIES: tuple[Family, ...] = (
    SILENT,
    HOT,
    BREAKS,
    OUTS,
    OFFSET,
    HUM,
    NOISE,
    FEEDBACK,
    MOVED,
    PAIRS,
    TWINS,
    TIMECODE,
    SWAPPED,
    BLEED,
)

__all__ = ["FAMILIES", "Family", "Kind"]
