"""Back to live: which lines the desk still takes from their returns, and a banner until nobody does.

While nothing plays, a return is silent, so silence proves nothing. Two things do: a code at -60 dBFS on every return
(:mod:`nightreel.signal.codes`), or some seconds of the take itself, 40 dB down, looked for in what comes in.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from nightreel.disk import replace_text, write_new_text
from nightreel.errors import TakeDamaged
from nightreel.signal.path_matrix import PathMatrix
from nightreel.soundcheck.plan import ReturnPlan
from nightreel.soundcheck.strip import FloatArray

FILE = "soundcheck.json"
CODE_DBFS = -60.0
_STILL_DB = -40.0  # a return that reaches a send this strongly is not merely crosstalk of a muted channel
_SURE_DB = -20.0  # when a send could only show paths above this, its silence proves nothing
_LIKENESS = 8.0  # a correlation peak this many times its median is no accident


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """A line that the desk was set to take from a return. Numbers from 1."""

    line: int
    name: str
    return_number: int
    send_number: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """What was found. ``still`` with the gain at which the take would come through; ``unclear`` could not be told."""

    still: tuple[tuple[Returned, float], ...]
    unclear: tuple[Returned, ...]
    clear: tuple[Returned, ...]

    @property
    def proven(self) -> bool:
        return not self.still and not self.unclear

    def sentences(self) -> tuple[str, ...]:
        if self.proven:
            return (f"All {len(self.clear)} lines are live: no send carries a return.",)
        told = [
            f"Line {line.line} {line.name} is still returned: "
            f"return {line.return_number} comes back at {round(gain_db)} dB."
            for line, gain_db in self.still
        ]
        told += [
            f"Line {line.line} {line.name}: send {line.send_number} is too loud to tell; check again in a quiet moment."
            for line in self.unclear
        ]
        return tuple(told)


def returned_lines(plan: ReturnPlan, sends: Mapping[int, int]) -> tuple[Returned, ...]:
    """The lines of a plan that were switched. ``sends``: send number of each line."""
    return tuple(
        Returned(
            line=line.line, name=line.name, return_number=line.return_port.number, send_number=sends.get(line.line)
        )
        for line in plan.returned
        if line.return_port is not None
    )


def judge(matrix: PathMatrix, lines: Sequence[Returned]) -> Live:
    """Whether any send still carries a return. The matrix counts returns in the order of ``lines``."""
    still, unclear, clear = [], [], []
    for index, line in enumerate(lines):
        gains_db = [path.gain_db for path in matrix.from_return(index)]
        own = line.send_number
        deaf = own is not None and own <= matrix.sends and matrix.sensitivity_db[own - 1] > _SURE_DB
        if gains_db and max(gains_db) > _STILL_DB:
            still.append((line, max(gains_db)))
        elif deaf:
            unclear.append(line)
        else:
            clear.append(line)
    return Live(still=tuple(still), unclear=tuple(unclear), clear=tuple(clear))


def still_heard(played: FloatArray, captured: FloatArray) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """For each pair of columns, whether what was played is in what came in, at any latency up to the length.

    Parameters
    ----------
    played, captured : float32, shape (frames, lines), column by column a line's return and its send, of the same time

    Source: generalised cross-correlation with phase transform, Knapp and Carter 1976.
    """
    from scipy import fft

    frames = played.shape[0]
    size = fft.next_fast_len(2 * frames, real=True)
    found = np.zeros(played.shape[1], bool)
    for column in range(played.shape[1]):
        went, came = played[:, column], captured[:, column]
        if not went.any() or not came.any():
            continue
        cross = fft.rfft(came, size) * np.conj(fft.rfft(went, size))
        magnitude = np.abs(cross)
        cross = np.where(magnitude > 1e-6 * magnitude.max(), cross / np.maximum(magnitude, 1e-30), 0.0)
        likeness = np.abs(fft.irfft(cross, size)[:frames])
        found[column] = likeness.max() > _LIKENESS * np.median(likeness) / 0.6745
    return found


# The banner, kept with the show


@dataclass(frozen=True, slots=True, kw_only=True)
class Open:
    """The show's desk was set to its returns at ``since`` and has not been proven live."""

    take: str
    since: datetime
    lines: tuple[Returned, ...]

    @property
    def banner(self) -> str:
        numbers = ", ".join(str(line.line) for line in self.lines[:24]) + (" ..." if len(self.lines) > 24 else "")
        return (
            f"NOT PROVEN LIVE: since {self.since:%H:%M} the desk may take lines {numbers} from the take "
            f"'{self.take}' instead of the stage"
        )


def note_returned(show_folder: Path, take: str, lines: Sequence[Returned], at: datetime) -> None:
    """Keep that the desk was set to its returns; lines noted before and not proven stay noted."""
    before = read_open(show_folder)
    known = {line.line: line for line in before.lines} if before else {}
    known |= {line.line: line for line in lines}
    _write(show_folder, take, before.since if before else at, tuple(known.values()), settled="")


def note_live(show_folder: Path, live: Live, at: datetime) -> None:
    """Keep what was proven: only lines that are still returned or unclear stay open."""
    before = read_open(show_folder)
    if before is None:
        return
    left = {line.line for line, _ in live.still} | {line.line for line in live.unclear}
    proven = {line.line for line in live.clear}
    lines = tuple(line for line in before.lines if line.line in left or line.line not in proven)
    _write(show_folder, before.take, before.since, lines, settled="" if lines else f"proven {at.isoformat()}")


def waive(show_folder: Path, reason: str, at: datetime) -> None:
    """Take the banner down on somebody's word; the reason is kept."""
    before = read_open(show_folder)
    if before is not None:
        _write(show_folder, before.take, before.since, (), settled=f"waived {at.isoformat()}: {reason}")


def read_open(show_folder: Path) -> Open | None:
    """What has not been proven live; None where all is well. Raises TakeDamaged for a file that cannot be read."""
    path = show_folder / FILE
    if not path.exists():
        return None
    try:
        fields = json.loads(path.read_text(encoding="utf-8"))
        lines = tuple(
            Returned(
                line=int(entry["line"]),
                name=str(entry["name"]),
                return_number=int(entry["return"]),
                send_number=None if entry["send"] is None else int(entry["send"]),
            )
            for entry in fields["lines"]
        )
        since = datetime.fromisoformat(fields["since"])
        return Open(take=str(fields["take"]), since=since, lines=lines) if lines else None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise TakeDamaged(
            f"what the last soundcheck left cannot be read ({error})",
            where=str(path),
            now="Prove by hand that every line is live, then remove the file",
        ) from error


def _write(show_folder: Path, take: str, since: datetime, lines: Sequence[Returned], *, settled: str) -> None:
    fields = {
        "format": 1,
        "take": take,
        "since": since.isoformat(),
        "settled": settled,
        "lines": [
            {"line": line.line, "name": line.name, "return": line.return_number, "send": line.send_number}
            for line in lines
        ],
    }
    path = show_folder / FILE
    text = json.dumps(fields, ensure_ascii=False, indent=1) + "\n"
    (replace_text if path.exists() else write_new_text)(path, text)
