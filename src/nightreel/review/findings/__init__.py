"""The families of findings, in the order in which they look. One small module each; docs/review.md lists them all."""

from __future__ import annotations

from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.hot import FAMILY as HOT
from nightreel.review.findings.hum import FAMILY as HUM
from nightreel.review.findings.offset import FAMILY as OFFSET
from nightreel.review.findings.pairs import FAMILY as PAIRS
from nightreel.review.findings.silent import FAMILY as SILENT
from nightreel.review.findings.twins import FAMILY as TWINS

FAMILIES: tuple[Family, ...] = (
    SILENT,
    HOT,
    OFFSET,
    HUM,
    PAIRS,
    TWINS,
)

__all__ = ["FAMILIES", "Family", "Kind"]
