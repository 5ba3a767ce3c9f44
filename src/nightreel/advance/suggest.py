"""What a colleague would suggest when ports are short, each with what it frees."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from nightreel.advance.options import free_ports, total_offer
from nightreel.advance.wishes import Wishes
from nightreel.show.model import Line, Role, Show
from nightreel.units import format_rate


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """``frees`` ports (or adds as many) when done."""

    text: str
    frees: int

    def __str__(self) -> str:
        return f"{self.text}: {self.frees} port{'' if self.frees == 1 else 's'}"


def suggest(show: Show, wishes: Wishes, *, left_out: Sequence[int]) -> tuple[Suggestion, ...]:
    """What would make room for the lines left out, the most helpful first; empty when none is."""
    if not left_out:
        return ()
    short = len(left_out)
    carried = [line for line in show.lines if line.number not in set(left_out)]
    found = [*_lower_rates(show, wishes), *_stereo_sums(show.lines), *_second_link(show, wishes)]
    talkback = [line for line in carried if line.role in (Role.TALKBACK, Role.CLICK)]
    if talkback:
        found.append(
            Suggestion(
                text=f"leave out {_named(talkback)}: not music, but they help to find one's way in the take",
                frees=len(talkback),
            )
        )
    effects = [line for line in carried if line.role is Role.EFFECTS_RETURN]
    if effects:
        found.append(
            Suggestion(
                text=f"leave out {_named(effects)}: they stay live at the soundcheck and can be made again",
                frees=len(effects),
            )
        )
    return tuple(sorted(found, key=lambda s: (s.frees < short, -s.frees)))


def _lower_rates(show: Show, wishes: Wishes) -> list[Suggestion]:
    now = _sends(show, wishes, show.rate_hz)
    found = []
    for rate_hz in wishes.rates_hz:
        more = _sends(show, wishes, rate_hz) - now
        if rate_hz < show.rate_hz and rate_hz in (44_100, 48_000) and more > 0:
            found.append(Suggestion(text=f"record at {format_rate(rate_hz)}", frees=more))
    best = max(found, key=lambda s: s.frees, default=None)
    # 48 kHz where it does as well as 44.1: the world of picture and of desks runs on it.
    alike = [s for s in found if best and s.frees == best.frees]
    return alike[-1:]


def _sends(show: Show, wishes: Wishes, rate_hz: int) -> int:
    offers = total_offer(show.links, rate_hz, wishes)
    return sum(free_ports(link, offers[link.name])[0] for link in show.links if link.name in offers)


def _stereo_sums(lines: Sequence[Line]) -> list[Suggestion]:
    """Groups of three and more single microphones (toms, backing voices, brass) can be summed to stereo on the desk."""
    groups: dict[str, list[Line]] = defaultdict(list)
    for line in lines:
        if line.group and line.partner is None and line.role in (Role.MIC, Role.WIRELESS, Role.DIRECT):
            groups[f"{line.group} ({line.name.split()[0]})" if line.name.split() else line.group].append(line)
    return [
        Suggestion(text=f"send {_named(members)} as a stereo sum", frees=len(members) - 2)
        for _, members in sorted(groups.items())
        if len(members) >= 3
    ]


def _second_link(show: Show, wishes: Wishes) -> list[Suggestion]:
    offers = total_offer(show.links, show.rate_hz, wishes)
    found = []
    for link in show.links:
        if link.name in offers and link.sends_in_use:
            ports = len([n for n in link.sends_in_use if n <= offers[link.name].sends])
            if ports:
                found.append(Suggestion(text=f"free ports of {link.name} that others use", frees=ports))
    best = max(show.links, key=lambda x: offers[x.name].sends if x.name in offers else 0, default=None)
    if best is not None and best.name in offers:
        found.append(
            Suggestion(text=f"add a second link like {best.name}, on the same clock", frees=offers[best.name].sends)
        )
    return found


def _named(lines: Sequence[Line]) -> str:
    names = [f"{line.number} {line.name}" for line in lines]
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")
