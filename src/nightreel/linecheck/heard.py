"""What was heard, by the port numbers people use: which send carries which return, and what is only a trace. Pure."""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nightreel.linecheck.patch import ExpectedPatch, PatchedLine
from nightreel.signal.path_matrix import Path, PathMatrix

# A foreign return this far below the usual gain is crosstalk; above it, the send is said to carry that return
# (common practice: a send that carries something carries it at about unity).
_CARRIED_DB = -20.0
_TOO_NOISY_DB = -6.0  # when a send could only show paths above this, its silence proves nothing


@dataclass(frozen=True, slots=True)
class Heard:
    """The matrix by port numbers."""

    expected: ExpectedPatch
    rate_hz: int
    usual_db: float
    carried: Mapping[int, tuple[Path, ...]]  # send number -> paths it carries, strongest first
    traces: Mapping[int, tuple[Path, ...]]  # send number -> crosstalk, strongest first
    noise_dbfs: Mapping[int, float]
    deaf: frozenset[int]  # sends too noisy to tell
    sensitivity_db: Mapping[int, float]
    return_numbers: Sequence[int]

    def return_of(self, path: Path) -> int:
        return self.return_numbers[path.return_index]

    def main(self, line: PatchedLine) -> Path | None:
        return next(iter(self.carried.get(line.send_number, ())), None)

    def own(self, line: PatchedLine) -> Path | None:
        paths = self.carried.get(line.send_number, ())
        return next((path for path in paths if self.return_of(path) == line.return_number), None)

    def subject(self, line: PatchedLine, path: Path) -> str:
        """What a figure measured on this line's send is about: the line, or whatever is there in its place."""
        if self.return_of(path) == line.return_number:
            return capital(line.title)
        return f"Return {self.return_of(path)}, which send {line.send_number} carries,"

    def carries(self, line: PatchedLine) -> int | None:
        path = self.own(line) or self.main(line)
        return None if path is None else self.return_of(path)


def listen(matrix: PathMatrix, expected: ExpectedPatch, return_numbers: Sequence[int]) -> Heard:
    own_returns = {line.send_number: line.return_number for line in expected.lines}
    strongest = [matrix.on_send(line.send_number - 1) for line in expected.lines]
    usual_db = statistics.median([paths[0].gain_db for paths in strongest if paths] or [0.0])
    carried: dict[int, tuple[Path, ...]] = {}
    traces: dict[int, tuple[Path, ...]] = {}
    for send in range(1, matrix.sends + 1):
        paths = matrix.on_send(send - 1)
        loudest_db = paths[0].gain_db if paths else 0.0

        def is_carried(path: Path, send: int = send, loudest_db: float = loudest_db) -> bool:
            if path.gain_db < loudest_db + _CARRIED_DB:
                return False
            own = return_numbers[path.return_index] == own_returns.get(send)
            return own or path.gain_db >= usual_db + _CARRIED_DB

        carried[send] = tuple(path for path in paths if is_carried(path))
        traces[send] = tuple(path for path in paths if not is_carried(path))
    deaf = {
        line.send_number
        for line in expected.lines
        if line.send_number <= matrix.sends and matrix.sensitivity_db[line.send_number - 1] > usual_db + _TOO_NOISY_DB
    }
    return Heard(
        expected,
        matrix.rate_hz,
        usual_db,
        carried,
        traces,
        {send: float(level) for send, level in enumerate(matrix.noise_dbfs, 1)},
        frozenset(deaf),
        {send: float(level) for send, level in enumerate(matrix.sensitivity_db, 1)},
        return_numbers,
    )


def and_(numbers: Sequence[int]) -> str:
    words = [str(number) for number in numbers]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]
