"""What the show's patch says should arrive where: the expectation that a line check proves or contradicts. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from nightreel.errors import PlanImpossible
from nightreel.show.model import Line, Show


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchedLine:
    """One line with both ports. Ports count from 1, as people see them; ``partner`` is its stereo partner's number."""

    number: int
    name: str
    return_number: int
    send_number: int
    partner: int | None = None

    @property
    def title(self) -> str:
        return f"line {self.number} {self.name}" if self.name else f"line {self.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedPatch:
    """The lines that identification signals can prove over one link, in line order, and those they cannot, with why."""

    link: str
    lines: tuple[PatchedLine, ...]
    untestable: tuple[str, ...] = ()

    @property
    def return_numbers(self) -> tuple[int, ...]:
        """Ports that may sound: only those of our lines, never one that belongs to others."""
        return tuple(sorted(line.return_number for line in self.lines))


def expected_patch(show: Show, link: str | None = None) -> ExpectedPatch:
    """The patch over ``link``, by default the link that most lines use in both directions.

    Raises PlanImpossible when no line has both a send and a return there.
    """
    both = [line for line in show.lines if line.send and line.return_port and line.send.link == line.return_port.link]
    if link is None:
        used = Counter(line.send.link for line in both if line.send)
        link = used.most_common(1)[0][0] if used else ""
    lines: list[PatchedLine] = []
    untestable: list[str] = []
    for line in sorted(show.lines, key=lambda x: x.number):
        reason = _why_not(line, link)
        if reason:
            untestable.append(f"line {line.number} ({line.name}) {reason}: not tested by signals")
        elif line.send and line.return_port:
            lines.append(
                PatchedLine(
                    number=line.number,
                    name=line.name,
                    return_number=line.return_port.number,
                    send_number=line.send.number,
                    partner=line.partner,
                )
            )
    if not lines:
        raise PlanImpossible(
            f"no line has both a send and a return{f' on {link!r}' if link else ''}",
            now="Patch returns in inputs.csv (column return), or check by ear with 'nightreel line-check --by-ear'",
        )
    return ExpectedPatch(link=link, lines=tuple(lines), untestable=tuple(untestable))


def _why_not(line: Line, link: str) -> str:
    if line.send is None:
        return "has no send"
    if line.return_port is None:
        return "has no return"
    if line.send.link != link or line.return_port.link != link:
        return f"uses another link than '{link}'"
    return ""
