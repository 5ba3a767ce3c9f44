"""The return plan: for each line, whether it comes from the take, stays live, or is silent, and why. Pure.

The role decides first (common practice, no published source): effects returns, talkback and ambience stay live; click
and timecode are silent, since a return may feed loudspeakers. Then the show's own column, then what was asked for now.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from nightreel.errors import ArgumentInvalid, PlanImpossible
from nightreel.show.model import AtSoundcheck, Line, Port, Role, Show
from nightreel.take.model import TakeFacts

_NEVER_UNASKED = (Role.CLICK, Role.TIMECODE)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlan:
    """What one line does at the soundcheck. ``why`` is said on the sheet; ``warning`` is '' where all is well."""

    line: int
    name: str
    use: AtSoundcheck
    why: str
    return_port: Port | None = None
    socket: str = ""
    warning: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnPlan:
    """The plan of every line, in line order, over one link."""

    take: str
    link: str
    lines: tuple[LinePlan, ...]

    @property
    def returned(self) -> tuple[LinePlan, ...]:
        return tuple(line for line in self.lines if line.use is AtSoundcheck.RETURNED)

    @property
    def warnings(self) -> tuple[str, ...]:
        return tuple(f"line {line.line} {line.name}: {line.warning}" for line in self.lines if line.warning)

    def of(self, number: int) -> LinePlan | None:
        return next((line for line in self.lines if line.line == number), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What was asked for beyond the defaults. Each entry is a line number or a group's name."""

    returned: frozenset[str] = frozenset()
    live: frozenset[str] = frozenset()
    silent: frozenset[str] = frozenset()

    def of(self, line: Line) -> AtSoundcheck | None:
        """A line's own wish goes before its group's."""
        for key in (str(line.number), line.group.casefold()):
            if not key:
                continue
            for use in AtSoundcheck:
                if key in {entry.casefold() for entry in getattr(self, use.name.lower())}:
                    return use
        return None

    def require_known(self, show: Show) -> None:
        """Raises ArgumentInvalid for an entry that is neither a line nor a group, or that is asked for twice."""
        numbers = {str(line.number) for line in show.lines}
        groups = {line.group.casefold() for line in show.lines if line.group}
        seen: dict[str, str] = {}
        for use in AtSoundcheck:
            for entry in sorted(getattr(self, use.name.lower())):
                key = entry.casefold()
                if key not in numbers and key not in groups:
                    named = ", ".join(sorted(groups)) or "none are named"
                    raise ArgumentInvalid(f"'{entry}' is neither a line nor a group", now=f"Groups: {named}")
                if key in seen:
                    raise ArgumentInvalid(f"'{entry}' is asked to be both {seen[key]} and {use}", now="Choose one")
                seen[key] = str(use)


def parse_entries(text: str) -> frozenset[str]:
    """Line numbers, ranges and group names: ``1-8, 12, drums``."""
    entries: set[str] = set()
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        first, dash, last = part.partition("-")
        if dash and first.strip().isdigit() and last.strip().isdigit():
            if int(last) < int(first) or int(last) - int(first) > 1000:
                raise ArgumentInvalid(f"'{part}' is not a range of lines", now="Write it as 1-8")
            entries.update(str(number) for number in range(int(first), int(last) + 1))
        else:
            entries.add(part.lstrip("0") or part if part.isdigit() else part)
    return frozenset(entries)


def plan_returns(
    show: Show,
    facts: TakeFacts,
    wishes: Wishes,
    *,
    dead_lines: Mapping[int, str] | None = None,
    link: str | None = None,
) -> ReturnPlan:
    """What each line of tonight's show does while ``facts``' take is played.

    dead_lines : lines found without signal in the take, with the evidence; they are flagged, not changed

    Raises ArgumentInvalid for a wish that names nothing, PlanImpossible when no line would be returned.
    """
    wishes.require_known(show)
    links = [line.return_port.link for line in show.lines if line.return_port]
    if link is None:
        link = max(set(links), key=lambda name: (links.count(name), name)) if links else ""
    plans = [
        _plan_line(line, facts, wishes.of(line), (dead_lines or {}).get(line.number, ""), link)
        for line in sorted(show.lines, key=lambda line: line.number)
    ]
    plan = ReturnPlan(
        take=facts.name, link=link, lines=tuple(_with_partner_warning(plan, plans, show) for plan in plans)
    )
    if not plan.returned:
        reason = "no line has a return" if not links else "every line is live, silent, or missing in the take"
        raise PlanImpossible(
            f"nothing would be played: {reason}",
            now="Patch returns in inputs.csv (column return), or ask for lines with --return",
        )
    return plan


def _plan_line(line: Line, facts: TakeFacts, wish: AtSoundcheck | None, dead: str, link: str) -> LinePlan:
    use, why = line.soundcheck_use, f"{line.role} lines are {line.soundcheck_use} by default"
    if line.at_soundcheck is not None:
        why = "as the input list says"
    if wish is not None:
        use, why = wish, "as asked"
    warning = ""
    port = line.return_port
    if use is AtSoundcheck.RETURNED:
        track = facts.track(line.number)
        if track is None:
            use, why = _without_take(line), "not in the take"
            warning = "not in the take, so it cannot be returned" if wish else ""
        elif port is None:
            use, why, warning = AtSoundcheck.LIVE, "no return is patched to it", "has no return: it stays live"
        elif port.link != link:
            use, why = AtSoundcheck.LIVE, f"its return is on another link ({port.link})"
            warning = f"its return is on '{port.link}', playing goes to '{link}': it stays live"
        elif line.role in _NEVER_UNASKED:
            warning = f"{line.role} is returned as asked: see that return {port} feeds no loudspeaker and no monitor"
        elif dead:
            warning = f"was found dead in the take ({dead})"
        elif track.name.casefold() != line.name.casefold():
            warning = f"was called '{track.name}' that night: is it the same source?"
    return LinePlan(
        line=line.number,
        name=line.name,
        use=use,
        why=why,
        return_port=port,
        socket=line.socket,
        warning=warning,
    )


def _without_take(line: Line) -> AtSoundcheck:
    """A line that the take does not hold stays live if somebody may play it tonight, else it is silent."""
    return AtSoundcheck.SILENT if line.role in _NEVER_UNASKED else AtSoundcheck.LIVE


def _with_partner_warning(plan: LinePlan, plans: Iterable[LinePlan], show: Show) -> LinePlan:
    from dataclasses import replace

    line = show.line(plan.line)
    partner = next((other for other in plans if line and other.line == line.partner), None)
    if partner is None or partner.use is plan.use or plan.warning:
        return plan
    return replace(plan, warning=f"is {plan.use} while its stereo partner {partner.line} is {partner.use}")
