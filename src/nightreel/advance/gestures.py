"""The gestures on a desk that make a patch: runs of consecutive lines on consecutive ports, one gesture each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from nightreel.show.model import Port


@dataclass(frozen=True, slots=True, kw_only=True)
class Gesture:
    """Assign ``count`` ports of ``link`` from ``first_port`` on to the lines from ``first_line`` on, in order."""

    way: str  # 'send' or 'return'
    link: str
    first_line: int
    first_port: int
    count: int

    def __str__(self) -> str:
        one = self.count == 1
        ports = f"{self.first_port}" if one else f"{self.first_port}-{self.first_port + self.count - 1}"
        lines = f"{self.first_line}" if one else f"{self.first_line}-{self.first_line + self.count - 1}"
        word = "from" if self.way == "send" else "to"
        return f"{self.link} {self.way}{'' if one else 's'} {ports} {word} line{'' if one else 's'} {lines}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A line whose port changes; ``before`` or ``after`` is None where it had or gets none."""

    line: int
    way: str
    before: Port | None
    after: Port | None


def gestures_of(way: str, ports: Mapping[int, Port | None]) -> tuple[Gesture, ...]:
    """The fewest gestures that make these assignments (line number to port), in the order of the lines."""
    found: list[Gesture] = []
    start: tuple[int, Port] | None = None
    count = 0
    for line in sorted(number for number, port in ports.items() if port is not None):
        port = ports[line]
        assert port is not None
        if start and line == start[0] + count and port.link == start[1].link and port.number == start[1].number + count:
            count += 1
            continue
        if start:
            found.append(_gesture(way, start, count))
        start, count = (line, port), 1
    if start:
        found.append(_gesture(way, start, count))
    return tuple(found)


def moves_between(way: str, before: Mapping[int, Port | None], after: Mapping[int, Port | None]) -> tuple[Move, ...]:
    """Lines whose port differs, in order. Lines that are gone count as moved away."""
    numbers = sorted(set(before) | set(after))
    return tuple(
        Move(line=n, way=way, before=before.get(n), after=after.get(n))
        for n in numbers
        if before.get(n) != after.get(n)
    )


def gestures_for(moves: Sequence[Move]) -> tuple[Gesture, ...]:
    """What has to be done on the desk to carry moves out (new assignments; a port left empty needs no gesture)."""
    ways = dict.fromkeys(move.way for move in moves)
    return tuple(
        gesture for way in ways for gesture in gestures_of(way, {m.line: m.after for m in moves if m.way == way})
    )


def _gesture(way: str, start: tuple[int, Port], count: int) -> Gesture:
    line, port = start
    return Gesture(way=way, link=port.link, first_line=line, first_port=port.number, count=count)


def spans_of(numbers: Iterable[int]) -> str:
    """``1-4, 7``: numbers as people write them."""
    spans: list[list[int]] = []
    for number in sorted(set(numbers)):
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in spans)
