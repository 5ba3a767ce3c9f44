"""Values of a line check: what was heard, what that means, and what is proven. No I/O.

Port and line numbers count from 1 here, as people see them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Kind(StrEnum):
    """What a statement is about."""

    ALL_RIGHT = "all right"
    CROSSED = "crossed"
    SHIFTED = "shifted"
    WRONG_RETURN = "wrong return"
    NOTHING_HEARD = "nothing heard"
    TOO_NOISY = "too noisy to tell"
    ARRIVES_NOWHERE = "arrives nowhere"
    TWO_RETURNS = "several returns on one send"
    OFF_LEVEL = "off level"
    POLARITY = "polarity reversed"
    CROSSTALK = "crosstalk"
    LATENCY = "latency"
    CLOCK = "clocks not locked"
    UNCLEAR = "not all told apart"
    BUSY = "busy before"
    LOSS = "samples lost"
    NOT_TESTED = "not tested"


class Weight(StrEnum):
    """How much a statement matters before the show."""

    WRONG = "wrong"  # the patch is not as the show says
    LOOK = "look"  # it works, and something about it should be looked at
    FACT = "fact"


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """One sentence for the engineer, with the places and the figure it is about."""

    kind: Kind
    weight: Weight
    text: str
    lines: tuple[int, ...] = ()
    sends: tuple[int, ...] = ()
    returns: tuple[int, ...] = ()
    value: float | None = None
    remedy: str = ""


class Outcome(StrEnum):
    """What a check says about one line."""

    PROVEN = "proven"
    WRONG = "wrong"
    NOT_HEARD = "not heard"
    UNCLEAR = "unclear"
    SKIPPED = "skipped"


class Method(StrEnum):
    SIGNALS = "identification signals"
    EAR = "by ear"


# The stations of a line's path that each method proves when it succeeds.
STATIONS = {
    Method.SIGNALS: ("return", "desk channel", "send"),
    Method.EAR: ("stage socket", "desk channel", "send"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """The result of identifying one line's path.

    send, return_number : ports it was found on (from 1), None where nothing was found or none was used
    gain_db, polarity, latency_ms, level_dbfs, noise_dbfs : what was measured, None where the method does not tell
    """

    line: int
    name: str
    outcome: Outcome
    method: Method
    at: datetime
    send: int | None = None
    return_number: int | None = None
    gain_db: float | None = None
    polarity: int | None = None
    latency_ms: float | None = None
    level_dbfs: float | None = None
    noise_dbfs: float | None = None
    confidence: float | None = None
    note: str = ""

    @property
    def stations(self) -> tuple[str, ...]:
        return STATIONS[self.method] if self.outcome is Outcome.PROVEN else ()
