"""From the solved path matrix to sentences an engineer would say, and to a proof for every line. Pure.

Only what the matrix shows is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from nightreel.linecheck.about_patch import about_mixtures, about_patch, about_silence
from nightreel.linecheck.about_signal import (
    about_clock,
    about_crosstalk,
    about_doubts,
    about_latency,
    about_levels,
    about_losses,
    about_polarity,
    about_what_was_there,
)
from nightreel.linecheck.heard import Heard, and_, listen
from nightreel.linecheck.model import Kind, Method, Outcome, Proof, Statement, Weight
from nightreel.linecheck.patch import ExpectedPatch, PatchedLine
from nightreel.signal.codes import RealArray
from nightreel.signal.path_matrix import PathMatrix


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    statements: tuple[Statement, ...]
    proofs: tuple[Proof, ...]

    @property
    def all_proven(self) -> bool:
        return all(proof.outcome is Outcome.PROVEN for proof in self.proofs)


def explain(
    matrix: PathMatrix,
    expected: ExpectedPatch,
    *,
    return_numbers: Sequence[int],
    at: datetime,
    lost_frames: int = 0,
    before_dbfs: RealArray | None = None,
) -> Explanation:
    """What the matrix says about the patch.

    Parameters
    ----------
    return_numbers : port number (from 1) of each return of the matrix; sends are the device's from 1 on
    at : when it was measured
    lost_frames : how many frames the device lost on the way, over all looks
    before_dbfs : (sends,) what the sends carried before anything was played

    Returns
    -------
    Statements, most important first, and one proof per expected line
    """
    heard = listen(matrix, expected, return_numbers)
    statements: list[Statement] = []
    patch, told = about_patch(heard)
    statements += patch
    statements += about_silence(heard, told)
    statements += about_mixtures(heard)
    statements += about_levels(heard)
    statements += about_polarity(heard)
    statements += about_crosstalk(heard)
    statements += about_clock(matrix)
    statements += about_doubts(matrix)
    statements += about_latency(heard)
    statements += about_what_was_there(expected, before_dbfs)
    statements += about_losses(matrix, lost_frames)
    statements += [Statement(kind=Kind.NOT_TESTED, weight=Weight.FACT, text=text + ".") for text in expected.untestable]
    proofs = tuple(_proof(heard, line, at) for line in expected.lines)
    if all(proof.outcome is Outcome.PROVEN for proof in proofs):
        count = len(expected.lines)
        lines = "the one line tested arrives" if count == 1 else f"all {count} lines tested arrive"
        text = f"Patch proven: {lines} where the show says."
        statements.insert(0, Statement(kind=Kind.ALL_RIGHT, weight=Weight.FACT, text=text))
    order = list(Weight)
    statements.sort(key=lambda statement: order.index(statement.weight))
    return Explanation(statements=tuple(statements), proofs=proofs)


def _proof(heard: Heard, line: PatchedLine, at: datetime) -> Proof:
    path = heard.own(line)
    carried = heard.carried.get(line.send_number, ())
    if path is not None:
        outcome, note = Outcome.PROVEN, ""
        if len(carried) > 1:
            others = [heard.return_of(other) for other in carried if other is not path]
            outcome, note = Outcome.WRONG, f"carries {and_(tuple(sorted(others)))} as well"
    elif carried:
        path = carried[0]
        outcome, note = Outcome.WRONG, f"carries return {heard.return_of(path)}"
    elif line.send_number in heard.deaf or line.send_number not in heard.noise_dbfs:
        outcome, note = Outcome.UNCLEAR, "too noisy to tell" if line.send_number in heard.deaf else "no such send"
    else:
        outcome, note = Outcome.NOT_HEARD, ""
    return Proof(
        line=line.number,
        name=line.name,
        outcome=outcome,
        method=Method.SIGNALS,
        at=at,
        send=line.send_number,
        return_number=None if path is None else heard.return_of(path),
        gain_db=None if path is None else round(path.gain_db, 2),
        polarity=None if path is None else path.polarity,
        latency_ms=None if path is None else round(path.latency_frames * 1000.0 / heard.rate_hz, 4),
        noise_dbfs=heard.noise_dbfs.get(line.send_number),
        confidence=None if path is None else round(path.confidence, 4),
        note=note,
    )
