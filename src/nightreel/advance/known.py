"""How sure a figure is: the word that stands beside it on every sheet."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Known(StrEnum):
    """From a guess to a proof; ``assumed`` figures are ours, ``entered`` ones the engineer's."""

    ASSUMED = "assumed"
    ENTERED = "entered"
    MEASURED = "measured"
    PROVEN = "proven"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One number of the plan with its unit, how it is known, and where it comes from.

    ``text`` is the value as people read it; ``value`` the number itself, None where there is none.
    """

    name: str
    text: str
    known: Known
    source: str
    value: float | int | None = None
    unit: str = ""
