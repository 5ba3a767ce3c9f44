"""From the solved path matrix to sentences an engineer would say, and to a proof for every line. Pure.

Only what the matrix shows is said. Where a fault could lie on either side of the desk, the sentence names the ports and
leaves the side open.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from nightreel.linecheck.model import Kind, Method, Outcome, Proof, Statement, Weight
from nightreel.linecheck.patch import ExpectedPatch, PatchedLine
from nightreel.signal.codes import RealArray
from nightreel.signal.path_matrix import Path, PathMatrix

# A foreign return this far below the usual gain is crosstalk; above it, the send is said to carry that return
# (common practice: a send that carries something carries it at about unity).
_CARRIED_DB = -20.0
_OFF_LEVEL_DB = 1.0
_SAME_LATENCY_FRAMES = 0.75
_SHORTEST_SHIFT = 3  # lines in a row that must be shifted before it is called a shift
_BUSY_DBFS = -45.0  # a channel that listens to a silent return is quieter than this
_TOO_NOISY_DB = -6.0  # when a send could only show paths above this, its silence proves nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    statements: tuple[Statement, ...]
    proofs: tuple[Proof, ...]

    @property
    def all_proven(self) -> bool:
        return all(proof.outcome is Outcome.PROVEN for proof in self.proofs)


@dataclass(frozen=True, slots=True)
class _Heard:
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
            return _capital(line.title)
        return f"Return {self.return_of(path)}, which send {line.send_number} carries,"

    def carries(self, line: PatchedLine) -> int | None:
        path = self.own(line) or self.main(line)
        return None if path is None else self.return_of(path)


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
    heard = _listen(matrix, expected, return_numbers)
    statements: list[Statement] = []
    patch, told = _about_patch(heard)
    statements += patch
    statements += _about_silence(heard, told)
    statements += _about_mixtures(heard)
    statements += _about_levels(heard)
    statements += _about_polarity(heard)
    statements += _about_crosstalk(heard)
    statements += _about_clock(matrix)
    statements += [
        Statement(
            kind=Kind.UNCLEAR,
            weight=Weight.LOOK,
            text=f"Send {send + 1} carries more than the signals can tell apart; what is said about it may not be all.",
            sends=(int(send) + 1,),
            remedy="Check again; if it stays, look for a reverberation or an echo on this channel.",
        )
        for send in matrix.doubtful.nonzero()[0]
    ]
    statements += _about_latency(heard)
    statements += _about_what_was_there(expected, before_dbfs)
    if lost_frames:
        ms = lost_frames * 1000.0 / matrix.rate_hz
        statements.append(
            Statement(
                kind=Kind.LOSS,
                weight=Weight.FACT,
                text=f"{lost_frames} frames ({ms:.0f} ms) were lost during the check: crosstalk more than 18 dB below "
                "a send's own return would not have been seen.",
                value=float(lost_frames),
            )
        )
    statements += [Statement(kind=Kind.NOT_TESTED, weight=Weight.FACT, text=text + ".") for text in expected.untestable]
    if not any(statement.weight is Weight.WRONG for statement in statements):
        count = len(expected.lines)
        lines = "the one line tested arrives" if count == 1 else f"all {count} lines tested arrive"
        text = f"Patch proven: {lines} where the show says."
        statements.insert(0, Statement(kind=Kind.ALL_RIGHT, weight=Weight.FACT, text=text))
    order = list(Weight)
    statements.sort(key=lambda statement: order.index(statement.weight))
    return Explanation(statements=tuple(statements), proofs=tuple(_proof(heard, line, at) for line in expected.lines))


def _listen(matrix: PathMatrix, expected: ExpectedPatch, return_numbers: Sequence[int]) -> _Heard:
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
    return _Heard(
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


def _about_patch(heard: _Heard) -> tuple[list[Statement], set[int]]:
    """Crossed, shifted and wrong; and the returns whose whereabouts are told by that."""
    lines = heard.expected.lines
    by_return = {line.return_number: line for line in lines}
    wrong = {line.number: line for line in lines if heard.carries(line) not in (None, line.return_number)}
    statements: list[Statement] = []
    told: set[int] = set()

    def explained(*done: PatchedLine) -> None:
        for line in done:
            wrong.pop(line.number, None)
            told.add(heard.carries(line) or 0)

    for line in lines:
        other = by_return.get(heard.carries(line) or 0)
        if line.number not in wrong or other is None or other.number not in wrong:
            continue
        if heard.carries(other) == line.return_number:
            statements.append(_crossed(line, other))
            explained(line, other)
    for run, step in _shifts(heard, wrong):
        statements.append(_shifted(heard, run, step))
        explained(*run)
    for line in list(wrong.values()):
        carried = heard.carries(line) or 0
        owner = by_return.get(carried)
        whose = f" ({owner.title})" if owner else ""
        statements.append(
            Statement(
                kind=Kind.WRONG_RETURN,
                weight=Weight.WRONG,
                text=f"Send {line.send_number} carries return {carried}{whose} instead of "
                f"return {line.return_number} ({line.title}).",
                lines=(line.number,),
                sends=(line.send_number,),
                returns=(carried,),
                remedy=f"Look up what is patched to send {line.send_number}, and where return "
                f"{line.return_number} goes.",
            )
        )
        explained(line)
    return statements, told


def _crossed(line: PatchedLine, other: PatchedLine) -> Statement:
    return Statement(
        kind=Kind.CROSSED,
        weight=Weight.WRONG,
        text=f"Sends {line.send_number} and {other.send_number} are crossed: send {line.send_number} carries return "
        f"{other.return_number} ({other.title}), send {other.send_number} carries return {line.return_number} "
        f"({line.title}).",
        lines=(line.number, other.number),
        sends=(line.send_number, other.send_number),
        returns=(line.return_number, other.return_number),
        remedy="Swap the two on the desk: in the patch of the returns or of the sends. The signal alone cannot tell "
        "which; the line check by ear can.",
    )


def _shifts(heard: _Heard, wrong: Mapping[int, PatchedLine]) -> list[tuple[list[PatchedLine], int]]:
    """Runs of neighbouring lines whose sends all carry the line a fixed number of places away."""
    ordered = sorted(heard.expected.lines, key=lambda line: line.send_number)
    place = {line.return_number: k for k, line in enumerate(sorted(ordered, key=lambda line: line.return_number))}
    runs: list[tuple[list[PatchedLine], int]] = []
    run: list[PatchedLine] = []
    last = 0
    for line in ordered:
        carried = heard.carries(line)
        step = 0
        if line.number in wrong and carried in place:
            step = place[carried] - place[line.return_number]
        if run and step == last:
            run.append(line)
            continue
        if len(run) >= _SHORTEST_SHIFT:
            runs.append((run, last))
        run, last = ([line], step) if step else ([], 0)
    if len(run) >= _SHORTEST_SHIFT:
        runs.append((run, last))
    return runs


_NUMBER_WORDS = {1: "one", 2: "two", 3: "three", 4: "four"}


def _shifted(heard: _Heard, run: Sequence[PatchedLine], step: int) -> Statement:
    ordered = sorted(heard.expected.lines, key=lambda line: line.send_number)
    first, last = run[0], run[-1]
    where = (
        f"Everything from line {first.number} on" if last is ordered[-1] else f"Lines {first.number} to {last.number}"
    )
    verb = "is" if last is ordered[-1] else "are"
    by = _NUMBER_WORDS.get(abs(step), str(abs(step)))
    side = "before" if step < 0 else "after"
    carried = heard.carries(first) or 0
    return Statement(
        kind=Kind.SHIFTED,
        weight=Weight.WRONG,
        text=f"{where} {verb} shifted by {by}: each send carries the line {by} {side} its own "
        f"(send {first.send_number} carries return {carried}).",
        lines=tuple(line.number for line in run),
        sends=tuple(line.send_number for line in run),
        returns=tuple(heard.carries(line) or 0 for line in run),
        value=float(step),
        remedy=f"Move the block of sends, or of returns, that begins at {first.send_number} by {by}.",
    )


def _about_silence(heard: _Heard, told: set[int]) -> list[Statement]:
    arriving = {heard.return_of(path) for paths in heard.carried.values() for path in paths}
    statements = []
    for line in heard.expected.lines:
        if not heard.carried.get(line.send_number):
            statements.append(_silent_send(heard, line))
        elif line.return_number not in arriving and line.return_number not in told:
            statements.append(
                Statement(
                    kind=Kind.ARRIVES_NOWHERE,
                    weight=Weight.WRONG,
                    text=f"Return {line.return_number} ({line.title}) is heard on no send.",
                    lines=(line.number,),
                    returns=(line.return_number,),
                    remedy="Look up which desk channel takes it as its input.",
                )
            )
    return statements


def _silent_send(heard: _Heard, line: PatchedLine) -> Statement:
    send = line.send_number
    noise = heard.noise_dbfs.get(send)
    if noise is None:
        text = f"Send {send} ({line.title}) does not exist on this device."
        remedy = "Choose the device that carries this link, or patch the line to a send it has."
        return Statement(
            kind=Kind.NOT_TESTED, weight=Weight.WRONG, text=text, lines=(line.number,), sends=(send,), remedy=remedy
        )
    if send in heard.deaf:
        return Statement(
            kind=Kind.TOO_NOISY,
            weight=Weight.LOOK,
            text=f"Send {send} ({line.title}) carries so much else ({noise:.0f} dBFS) that nothing can be told.",
            lines=(line.number,),
            sends=(send,),
            value=noise,
            remedy="Mute what plays there, and check again.",
        )
    traces = heard.traces.get(send, ())
    besides = f"hears nothing of any return ({line.title})"
    sensitivity_db = heard.sensitivity_db[send]
    if sensitivity_db > -40.0:
        besides = f"hears no return above {sensitivity_db:.0f} dB ({line.title})"
    if traces:
        besides = f"hears none of the returns but as crosstalk ({line.title})"
    return Statement(
        kind=Kind.NOTHING_HEARD,
        weight=Weight.WRONG,
        text=f"Send {send} {besides}; its noise is at {noise:.0f} dBFS.",
        lines=(line.number,),
        sends=(send,),
        value=noise,
        remedy=f"Is the desk channel switched to return {line.return_number}? "
        f"Is send {send} patched behind its preamp?",
    )


def _about_mixtures(heard: _Heard) -> list[Statement]:
    lines = {line.send_number: line for line in heard.expected.lines}
    statements = []
    for send, paths in heard.carried.items():
        if len(paths) < 2:
            continue
        numbers = tuple(sorted(heard.return_of(path) for path in paths))
        count = {2: "Two", 3: "Three", 4: "Four"}.get(len(numbers), str(len(numbers)))
        named = f" ({lines[send].title})" if send in lines else ""
        statements.append(
            Statement(
                kind=Kind.TWO_RETURNS,
                weight=Weight.WRONG if send in lines else Weight.LOOK,
                text=f"{count} returns feed one channel: send {send}{named} carries returns {_and(numbers)}.",
                lines=(lines[send].number,) if send in lines else (),
                sends=(send,),
                returns=numbers,
                remedy="Take the ones that do not belong there out of the channel's input.",
            )
        )
    return statements


def _about_levels(heard: _Heard) -> list[Statement]:
    statements = []
    tested = [(line, path) for line in heard.expected.lines if (path := heard.own(line) or heard.main(line))]
    if abs(heard.usual_db) >= _OFF_LEVEL_DB and len(tested) > 1:
        statements.append(
            Statement(
                kind=Kind.OFF_LEVEL,
                weight=Weight.LOOK,
                text=f"Lines come back {_low(heard.usual_db)}, most of them alike.",
                value=heard.usual_db,
                remedy="Is there a common trim, pad or pick-off behind the fader?",
            )
        )
    for line, path in tested:
        against_db = heard.usual_db if len(tested) > 1 else 0.0
        off_db = path.gain_db - against_db
        if abs(off_db) < _OFF_LEVEL_DB + 4.0 * path.gain_uncertainty_db:
            continue
        than = " than the others" if abs(heard.usual_db) >= _OFF_LEVEL_DB and len(tested) > 1 else ""
        amount = f"{abs(off_db):.0f} dB {'lower' if off_db < 0 else 'higher'}{than}" if than else _low(off_db)
        statements.append(
            Statement(
                kind=Kind.OFF_LEVEL,
                weight=Weight.LOOK,
                text=f"{heard.subject(line, path)} comes back {amount} (send {line.send_number}).",
                lines=(line.number,),
                sends=(line.send_number,),
                returns=(heard.return_of(path),),
                value=off_db,
                remedy="Look for a trim, a pad, or a pick-off behind the fader on this channel.",
            )
        )
    return statements


def _about_polarity(heard: _Heard) -> list[Statement]:
    tested = [(line, path) for line in heard.expected.lines if (path := heard.own(line) or heard.main(line))]
    reversed_lines = [(line, path) for line, path in tested if path.polarity < 0]
    if len(reversed_lines) > 2 and len(reversed_lines) == len(tested):
        return [
            Statement(
                kind=Kind.POLARITY,
                weight=Weight.LOOK,
                text="Every line comes back with reversed polarity.",
                lines=tuple(line.number for line, _ in tested),
                sends=tuple(line.send_number for line, _ in tested),
                value=-1.0,
                remedy="All alike does no harm among themselves; look for it in the link or the converter.",
            )
        ]
    return [
        Statement(
            kind=Kind.POLARITY,
            weight=Weight.LOOK,
            text=f"{heard.subject(line, path)} comes back with reversed polarity (send {line.send_number}).",
            lines=(line.number,),
            sends=(line.send_number,),
            returns=(heard.return_of(path),),
            value=-1.0,
            remedy="Is the polarity switch of the channel pressed? Is a cable wired the other way round?",
        )
        for line, path in reversed_lines
    ]


def _about_crosstalk(heard: _Heard) -> list[Statement]:
    return [
        Statement(
            kind=Kind.CROSSTALK,
            weight=Weight.LOOK,
            text=f"Return {heard.return_of(path)} also reaches send {send} at {path.gain_db:.0f} dB.",
            sends=(send,),
            returns=(heard.return_of(path),),
            value=path.gain_db,
            remedy="Look for a bus, an insert or a cable that carries both.",
        )
        for send, paths in heard.traces.items()
        for path in paths
    ]


def _about_clock(matrix: PathMatrix) -> list[Statement]:
    if matrix.clocks_locked:
        return []
    ppm = matrix.clock_offset_ppm
    return [
        Statement(
            kind=Kind.CLOCK,
            weight=Weight.WRONG,
            text=f"The clocks are not locked: sends run {abs(ppm):.1f} ppm {'slow' if ppm > 0 else 'fast'} against "
            f"returns ({abs(ppm) * 3.6:.0f} ms an hour).",
            value=ppm,
            remedy="Let one device follow the other's clock before recording or playing anything.",
        )
    ]


def _about_what_was_there(expected: ExpectedPatch, before_dbfs: RealArray | None) -> list[Statement]:
    if before_dbfs is None:
        return []
    sends = [line.send_number for line in expected.lines if line.send_number <= before_dbfs.size]
    busy = sorted(send for send in sends if before_dbfs[send - 1] > _BUSY_DBFS)
    if not busy:
        return []
    loudest = max(busy, key=lambda send: float(before_dbfs[send - 1]))
    which = f"Sends {_and(busy[:12])}{' ...' if len(busy) > 12 else ''}" if len(busy) > 1 else f"Send {busy[0]}"
    return [
        Statement(
            kind=Kind.BUSY,
            weight=Weight.LOOK,
            text=f"{which} carried something before the signals began: up to {before_dbfs[loudest - 1]:.0f} dBFS "
            f"on send {loudest}.",
            sends=tuple(busy),
            value=float(before_dbfs[loudest - 1]),
            remedy="Is the channel still on the stage, or is something playing? In a quiet desk more can be seen.",
        )
    ]


def _about_latency(heard: _Heard) -> list[Statement]:
    found = [(line, path) for line in heard.expected.lines if (path := heard.own(line))]
    if not found:
        return []
    statements = []
    ms = 1000.0 / heard.rate_hz
    early = min(found, key=lambda pair: pair[1].latency_frames)
    late = max(found, key=lambda pair: pair[1].latency_frames)
    spread = late[1].latency_frames - early[1].latency_frames
    if spread <= _SAME_LATENCY_FRAMES:
        frames = round(statistics.median(path.latency_frames for _, path in found))
        text = f"Latency is {frames} frames ({frames * ms:.1f} ms) on every line that arrives."
        statements.append(Statement(kind=Kind.LATENCY, weight=Weight.FACT, text=text, value=float(frames)))
    else:
        text = (
            f"Latencies differ by {round(spread)} frames ({spread * ms:.1f} ms): {early[1].latency_frames * ms:.1f} ms "
            f"on {early[0].title}, {late[1].latency_frames * ms:.1f} ms on {late[0].title}."
        )
        statements.append(
            Statement(
                kind=Kind.LATENCY,
                weight=Weight.LOOK,
                text=text,
                lines=(early[0].number, late[0].number),
                value=spread,
                remedy="Channels that are heard together need one latency: look for inserts, or a detour over a link.",
            )
        )
    by_number = {line.number: path for line, path in found}
    for line, path in found:
        partner = by_number.get(line.partner or 0)
        if partner is None or line.number > (line.partner or 0):
            continue
        apart = abs(path.latency_frames - partner.latency_frames)
        if apart > _SAME_LATENCY_FRAMES:
            statements.append(
                Statement(
                    kind=Kind.LATENCY,
                    weight=Weight.LOOK,
                    text=f"Stereo partners {line.number} and {line.partner} arrive {round(apart)} frames apart "
                    f"({apart * ms:.2f} ms).",
                    lines=(line.number, line.partner or 0),
                    value=apart,
                    remedy="Give both sides the same inserts and the same way.",
                )
            )
    return statements


def _proof(heard: _Heard, line: PatchedLine, at: datetime) -> Proof:
    path = heard.own(line)
    carried = heard.carried.get(line.send_number, ())
    if path is not None:
        outcome, note = Outcome.PROVEN, ""
        if len(carried) > 1:
            others = [heard.return_of(other) for other in carried if other is not path]
            outcome, note = Outcome.WRONG, f"carries {_and(tuple(sorted(others)))} as well"
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


def _low(off_db: float) -> str:
    return f"{abs(off_db):.0f} dB {'low' if off_db < 0 else 'high'}"


def _and(numbers: Sequence[int]) -> str:
    words = [str(number) for number in numbers]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
