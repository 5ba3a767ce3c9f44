"""Sentences about where returns arrive: crossed, shifted, wrong, silent, mixed. Pure.

Where a fault could lie on either side of the desk, the sentence names the ports and leaves the side open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from nightreel.linecheck.heard import Heard, and_
from nightreel.linecheck.model import Kind, Statement, Weight
from nightreel.linecheck.patch import PatchedLine

_SHORTEST_SHIFT = 3  # lines in a row that must be shifted before it is called a shift


def about_patch(heard: Heard) -> tuple[list[Statement], set[int]]:
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


def _shifts(heard: Heard, wrong: Mapping[int, PatchedLine]) -> list[tuple[list[PatchedLine], int]]:
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


def _shifted(heard: Heard, run: Sequence[PatchedLine], step: int) -> Statement:
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


def about_silence(heard: Heard, told: set[int]) -> list[Statement]:
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


def _silent_send(heard: Heard, line: PatchedLine) -> Statement:
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


def about_mixtures(heard: Heard) -> list[Statement]:
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
                text=f"{count} returns feed one channel: send {send}{named} carries returns {and_(numbers)}.",
                lines=(lines[send].number,) if send in lines else (),
                sends=(send,),
                returns=numbers,
                remedy="Take the ones that do not belong there out of the channel's input.",
            )
        )
    return statements
