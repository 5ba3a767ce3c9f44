"""Line check by ear, line by line: who lit up, was it the expected line, and if not, what is probably crossed. Pure.

The stage hand taps or speaks at each microphone in the order of the input list. Levels of all sends come in short
windows (:mod:`nightreel.linecheck.listen`); everything here is values in, values out. Levels and thresholds are common
practice, no published source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum

from nightreel.errors import PlanImpossible
from nightreel.linecheck.model import Method, Outcome, Proof
from nightreel.show.model import Show

_CLEAR_DB = 6.0  # the send that is meant stands out by this much
_TARGET_DBFS = -15.0  # where a firm tap or a loud word should peak
_GOOD_DB = 6.0  # as near to it as needs no change
_GAIN_STEP_DB = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EarLine:
    number: int
    name: str
    send_number: int
    socket: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lit:
    """One tap or word: by how much each send rose over its own noise. Sends count from 1.

    rises_db : per send that rose at all
    peaks_dbfs, noise_dbfs : per send
    """

    rises_db: Mapping[int, float]
    peaks_dbfs: Mapping[int, float]
    noise_dbfs: Mapping[int, float]


class Verdict(StrEnum):
    WAITING = "waiting"
    RIGHT = "right"
    ELSEWHERE = "on another send"
    UNSURE = "several sends"


@dataclass(frozen=True, slots=True, kw_only=True)
class EarState:
    """Where the check stands. ``place`` counts through ``lines``; at their end it is done.

    heard_on : send on which each line was heard elsewhere than expected, by line number
    """

    lines: tuple[EarLine, ...]
    place: int = 0
    verdict: Verdict = Verdict.WAITING
    says: str = ""
    proofs: tuple[Proof, ...] = ()
    heard_on: Mapping[int, int] = field(default_factory=dict)
    pending: Proof | None = None  # what was heard elsewhere and not been accepted

    @property
    def done(self) -> bool:
        return self.place >= len(self.lines)

    @property
    def expected(self) -> EarLine | None:
        return None if self.done else self.lines[self.place]


def begin_by_ear(show: Show, link: str | None = None) -> EarState:
    """All lines with a send (over ``link``), in the order of the input list. Raises PlanImpossible for none."""
    lines = tuple(
        EarLine(number=line.number, name=line.name, send_number=line.send.number, socket=line.socket)
        for line in sorted(show.lines, key=lambda line: line.number)
        if line.send is not None and link in (None, line.send.link)
    )
    if not lines:
        raise PlanImpossible("no line has a send to listen to", now="Patch sends in inputs.csv (column send)")
    return EarState(lines=lines)


def hear(state: EarState, lit: Lit, at: datetime) -> EarState:
    """A send lit up. The expected line is ticked and the next one is due; anything else is said and waits."""
    expected = state.expected
    if expected is None or not lit.rises_db:
        return state
    ranked = sorted(lit.rises_db.items(), key=lambda item: -item[1])
    clear = [send for send, rise in ranked if rise > ranked[0][1] - _CLEAR_DB]
    if len(clear) > 1:
        return _unsure(state, expected, clear)
    send = clear[0]
    proof = Proof(
        line=expected.number,
        name=expected.name,
        outcome=Outcome.PROVEN if send == expected.send_number else Outcome.WRONG,
        method=Method.EAR,
        at=at,
        send=send,
        level_dbfs=round(lit.peaks_dbfs[send], 1),
        noise_dbfs=round(lit.noise_dbfs[send], 1),
    )
    if send == expected.send_number:
        advice = advise_gain(lit.peaks_dbfs[send])
        says = f"Line {expected.number} {expected.name}: right, peak {lit.peaks_dbfs[send]:.0f} dBFS{advice}."
        heard_on = {line: sent for line, sent in state.heard_on.items() if line != expected.number}
        return _advance(replace(state, verdict=Verdict.RIGHT, says=says, heard_on=heard_on), proof)
    return _elsewhere(state, expected, replace(proof, note=f"heard on send {send}"), send)


def _unsure(state: EarState, expected: EarLine, clear: list[int]) -> EarState:
    named = " and ".join(_who(state, send) for send in clear[:4])
    joined = expected.send_number in clear
    reason = "Are two inputs joined, or is it so loud that both hear it?" if joined else "Tap nearer, once more."
    says = f"Sends {', '.join(map(str, clear[:4]))} light up together: {named}. {reason}"
    return replace(state, verdict=Verdict.UNSURE, says=says, pending=None)


def _elsewhere(state: EarState, expected: EarLine, proof: Proof, send: int) -> EarState:
    owner = next((line for line in state.lines if line.send_number == send), None)
    heard_on = {**state.heard_on, expected.number: send}
    if owner is None:
        says = (
            f"Line {expected.number} {expected.name} lights up send {send}, which no line uses. "
            f"It should be send {expected.send_number}."
        )
    elif heard_on.get(owner.number) == expected.send_number:
        says = f"Lines {expected.number} and {owner.number} are crossed: each lights up the other's send."
    else:
        shift = send - expected.send_number
        before = state.lines[state.place - 1] if state.place else None
        also = before is not None and state.heard_on.get(before.number) == before.send_number + shift
        says = (
            f"Line {expected.number} {expected.name} lights up send {send} ({owner.name}) instead of "
            f"{expected.send_number}. "
        )
        if also:
            says += f"So did the line before: from there on everything seems shifted by {abs(shift)}."
        else:
            says += f"If the stage hand is at {expected.name}, lines {expected.number} and {owner.number} are "
            says += "probably crossed."
    return replace(state, verdict=Verdict.ELSEWHERE, says=says, heard_on=heard_on, pending=proof)


def accept(state: EarState) -> EarState:
    """Take what was heard elsewhere as it is, and go on with the next line."""
    return state if state.pending is None else _advance(replace(state, verdict=Verdict.WAITING), state.pending)


def skip(state: EarState, at: datetime, note: str = "") -> EarState:
    expected = state.expected
    if expected is None:
        return state
    proof = Proof(
        line=expected.number, name=expected.name, outcome=Outcome.SKIPPED, method=Method.EAR, at=at, note=note
    )
    return _advance(replace(state, verdict=Verdict.WAITING, says="", pending=None), proof)


def redo(state: EarState) -> EarState:
    """Once more: the line that is due when something was heard elsewhere, else the one before."""
    heard_on = dict(state.heard_on)
    if state.pending is None and state.place:
        last = state.lines[state.place - 1]
        heard_on.pop(last.number, None)
        proofs = tuple(proof for proof in state.proofs if proof.line != last.number)
        return replace(state, place=state.place - 1, proofs=proofs, heard_on=heard_on, verdict=Verdict.WAITING, says="")
    if state.expected is not None:
        heard_on.pop(state.expected.number, None)
    return replace(state, heard_on=heard_on, pending=None, verdict=Verdict.WAITING, says="")


def add_note(state: EarState, note: str) -> EarState:
    """Put a note to what was checked last (or is waiting to be accepted)."""
    if state.pending is not None:
        return replace(state, pending=replace(state.pending, note=_joined(state.pending.note, note)))
    if not state.proofs:
        return state
    last = state.proofs[-1]
    return replace(state, proofs=(*state.proofs[:-1], replace(last, note=_joined(last.note, note))))


def advise_gain(peak_dbfs: float) -> str:
    """', try 6 dB more' in steps of 3 dB where a firm tap or loud word peaks far from -15 dBFS; '' where it is fine."""
    if peak_dbfs > -1.0:
        return ", it clips: take 12 dB off"
    off_db = _TARGET_DBFS - peak_dbfs
    steps = round(off_db / _GAIN_STEP_DB)
    if abs(off_db) <= _GOOD_DB or steps == 0:
        return ""
    return f", try {abs(steps) * _GAIN_STEP_DB:.0f} dB {'more' if steps > 0 else 'less'}"


def _advance(state: EarState, proof: Proof) -> EarState:
    kept = tuple(old for old in state.proofs if old.line != proof.line)
    return replace(state, place=state.place + 1, proofs=(*kept, proof), pending=None)


def _who(state: EarState, send: int) -> str:
    owner = next((line for line in state.lines if line.send_number == send), None)
    return f"send {send}" if owner is None else f"line {owner.number} {owner.name}"


def _joined(old: str, new: str) -> str:
    return f"{old}; {new}" if old else new
