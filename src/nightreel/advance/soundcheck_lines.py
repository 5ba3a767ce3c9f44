"""Which lines come back at the soundcheck, which stay live, which stay silent, and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from nightreel.show.model import AtSoundcheck, Line, Role

REASONS: dict[Role, str] = {
    Role.TALKBACK: "talkback has to work while the take plays",
    Role.EFFECTS_RETURN: "the effects are live: their old returns would double them",
    Role.AMBIENCE: "the room microphones hear tonight's room, not last night's",
    Role.CLICK: "a click must not reach loudspeakers",
    Role.TIMECODE: "timecode must not reach loudspeakers",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckLine:
    """One line's part in the soundcheck; ``reason`` says why where it is not simply returned."""

    line: int
    name: str
    use: AtSoundcheck
    reason: str
    entered: bool


def soundcheck_lines(lines: Iterable[Line], *, with_return: frozenset[int]) -> tuple[CheckLine, ...]:
    """In line order; a line that should return but has no port for it is live, and the reason says so."""
    found = []
    for line in sorted(lines, key=lambda x: x.number):
        use = line.soundcheck_use
        reason = "" if use is AtSoundcheck.RETURNED else REASONS.get(line.role, "as entered")
        if line.at_soundcheck is not None and line.at_soundcheck is not line.facts.at_soundcheck:
            reason = "as entered, against the role's default"
        if use is AtSoundcheck.RETURNED and line.number not in with_return:
            use, reason = AtSoundcheck.LIVE, "no return is free for it"
        found.append(
            CheckLine(line=line.number, name=line.name, use=use, reason=reason, entered=line.at_soundcheck is not None)
        )
    return tuple(found)
