"""The show as values: lines, links, ports, media and set list. Immutable; no file is touched here.

Words follow the trade: a *line* is one input from stage socket through a desk channel to a track; a *link* is a
transport between desk and computer; a *send* is a port that carries desk to computer, a *return* the way back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from types import MappingProxyType

from nightreel.errors import ShowInvalid
from nightreel.units import Encoding


class AtSoundcheck(StrEnum):
    """What a line does while a take is played back through the desk."""

    RETURNED = "returned"
    LIVE = "live"
    SILENT = "silent"


class Role(StrEnum):
    """What a line carries. The role sets defaults; see :data:`ROLE_FACTS`."""

    MIC = "mic"
    DIRECT = "direct"
    WIRELESS = "wireless"
    PLAYBACK = "playback"
    CLICK = "click"
    TIMECODE = "timecode"
    TALKBACK = "talkback"
    EFFECTS_RETURN = "effects return"
    AMBIENCE = "ambience"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleFacts:
    """Defaults of a role (common practice, no published source).

    may_be_silent : a whole take without signal is no fault
    quiet_for_s : silence longer than this during a take is worth a warning; None = never
    at_soundcheck : what the line does when a take is played back
    in_listening_mix : whether it belongs in a mix for listening
    """

    may_be_silent: bool
    quiet_for_s: float | None
    at_soundcheck: AtSoundcheck
    in_listening_mix: bool


ROLE_FACTS: Mapping[Role, RoleFacts] = MappingProxyType(
    {
        Role.MIC: RoleFacts(
            may_be_silent=False, quiet_for_s=600.0, at_soundcheck=AtSoundcheck.RETURNED, in_listening_mix=True
        ),
        Role.DIRECT: RoleFacts(
            may_be_silent=False, quiet_for_s=900.0, at_soundcheck=AtSoundcheck.RETURNED, in_listening_mix=True
        ),
        Role.WIRELESS: RoleFacts(
            may_be_silent=False, quiet_for_s=900.0, at_soundcheck=AtSoundcheck.RETURNED, in_listening_mix=True
        ),
        Role.PLAYBACK: RoleFacts(
            may_be_silent=True, quiet_for_s=None, at_soundcheck=AtSoundcheck.RETURNED, in_listening_mix=True
        ),
        Role.CLICK: RoleFacts(
            may_be_silent=True, quiet_for_s=None, at_soundcheck=AtSoundcheck.SILENT, in_listening_mix=False
        ),
        Role.TIMECODE: RoleFacts(
            may_be_silent=False, quiet_for_s=60.0, at_soundcheck=AtSoundcheck.SILENT, in_listening_mix=False
        ),
        Role.TALKBACK: RoleFacts(
            may_be_silent=True, quiet_for_s=None, at_soundcheck=AtSoundcheck.LIVE, in_listening_mix=False
        ),
        Role.EFFECTS_RETURN: RoleFacts(
            may_be_silent=True, quiet_for_s=None, at_soundcheck=AtSoundcheck.LIVE, in_listening_mix=True
        ),
        Role.AMBIENCE: RoleFacts(
            may_be_silent=False, quiet_for_s=30.0, at_soundcheck=AtSoundcheck.LIVE, in_listening_mix=True
        ),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Port:
    """One numbered channel of a link. ``number`` counts from 1, as engineers do."""

    link: str
    number: int

    def __str__(self) -> str:
        return f"{self.link}:{self.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One input of the show, with its patch.

    number : from 1, unique in the show
    socket : where it is plugged in on stage ('A-12'), '' if not known
    gain_db : preamp gain noted for it, None if not known
    partner : number of the other side of a stereo pair, None for mono
    priority : 1 is recorded first when capacity is short, 9 last
    send, return_port : its patch; None where it has none
    at_soundcheck : overrides the role's default where set
    """

    number: int
    name: str
    role: Role = Role.MIC
    socket: str = ""
    gain_db: float | None = None
    phantom: bool = False
    partner: int | None = None
    priority: int = 5
    group: str = ""
    notes: str = ""
    send: Port | None = None
    return_port: Port | None = None
    at_soundcheck: AtSoundcheck | None = None

    @property
    def facts(self) -> RoleFacts:
        return ROLE_FACTS[self.role]

    @property
    def soundcheck_use(self) -> AtSoundcheck:
        return self.at_soundcheck or self.facts.at_soundcheck


class LinkKind(StrEnum):
    """Transports by their open or generic names."""

    USB = "usb"
    AES67 = "aes67"
    MADI = "madi"
    AES3 = "aes3"
    VIRTUAL_CARD = "network sound card"
    ANALOGUE = "analogue"
    JACK = "jack"
    STAGE = "simulated stage"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """Channels a link carries at one rate, each way."""

    sends: int
    returns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A transport between desk and computer.

    capacity : channels each way per sample rate in Hz
    sends_in_use, returns_in_use : port numbers (from 1) that belong to others
    device : what the computer calls it (a sound device's name, an SDP folder), '' if not chosen yet
    """

    name: str
    kind: LinkKind
    capacity: Mapping[int, Capacity]
    sends_in_use: frozenset[int] = frozenset()
    returns_in_use: frozenset[int] = frozenset()
    device: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Medium:
    """A place where takes are written. ``path`` may be relative to the show folder."""

    name: str
    path: str
    purpose: str = "primary"
    size_bytes: int | None = None
    write_bytes_per_s: float | None = None
    file_system: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetSong:
    """A song of the set list; ``length_s`` is what the band expects, None if not known."""

    title: str
    length_s: float | None = None
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Show:
    """One engagement. Consistent by construction: an inconsistent one raises ShowInvalid naming every problem."""

    name: str
    rate_hz: int = 48_000
    encoding: Encoding = Encoding.PCM24
    date: date | None = None
    place: str = ""
    tour: str = ""
    lines: tuple[Line, ...] = ()
    links: tuple[Link, ...] = ()
    media: tuple[Medium, ...] = ()
    set_list: tuple[SetSong, ...] = ()
    expected_length_s: float | None = None
    _by_number: Mapping[int, Line] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_number", MappingProxyType({line.number: line for line in self.lines}))
        found = find_problems(name=self.name, rate_hz=self.rate_hz, lines=self.lines, links=self.links)
        problems = tuple(problem.text for problem in found)
        if problems:
            raise ShowInvalid(
                f"the show '{self.name}' contradicts itself",
                problems=problems,
                now="Mend the entries named here",
            )

    def line(self, number: int) -> Line | None:
        return self._by_number.get(number)

    def link(self, name: str) -> Link | None:
        return next((link for link in self.links if link.name == name), None)

    @property
    def recorded_lines(self) -> tuple[Line, ...]:
        """Lines that have a send, in line order: the tracks of a take."""
        return tuple(line for line in sorted(self.lines, key=lambda x: x.number) if line.send is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One contradiction of a show, as a sentence with its remedy.

    lines : places in ``Show.lines`` (from 0) that take part; a document can say which rows these are
    column : the field of the input list to look at, '' where it lies elsewhere
    """

    text: str
    lines: tuple[int, ...] = ()
    column: str = ""


def find_problems(*, name: str, rate_hz: int, lines: Sequence[Line], links: Sequence[Link]) -> tuple[Problem, ...]:
    """Every contradiction between the parts of a show, with the remedy; empty when sound."""
    problems: list[Problem] = []
    if not name.strip():
        problems.append(Problem(text="the show has no name: give it one"))
    by_name = {link.name: link for link in links}
    if len(by_name) < len(links):
        problems.append(Problem(text="two links have the same name: rename one"))
    if "" in by_name:
        problems.append(Problem(text="a link has no name: give it one"))
    seen: dict[int, int] = {}
    users: dict[tuple[str, Port], int] = {}
    for place, line in enumerate(lines):
        problems.extend(_number_problems(lines, seen, place))
        seen.setdefault(line.number, place)
        if not 1 <= line.priority <= 9:
            text = f"line {line.number}: priority {line.priority} is not 1 (first) to 9 (last)"
            problems.append(Problem(text=text, lines=(place,), column="priority"))
        for way, port in (("send", line.send), ("return", line.return_port)):
            if port is None:
                continue
            sentences = _port_problems(rate_hz, by_name, line, way, port)
            problems.extend(Problem(text=text, lines=(place,), column=way) for text in sentences)
            first = users.setdefault((way, port), place)
            if first != place:
                other = lines[first]
                text = (
                    f"lines {other.number} ('{other.name}') and {line.number} ('{line.name}') share {way} {port}: "
                    "give one of them another port"
                )
                problems.append(Problem(text=text, lines=(first, place), column=way))
    for place, line in enumerate(lines):
        text = _partner_problem(lines, seen, line)
        if text:
            problems.append(Problem(text=text, lines=(place,), column="partner"))
    return tuple(problems)


def _number_problems(lines: Sequence[Line], seen: Mapping[int, int], place: int) -> list[Problem]:
    problems = []
    line = lines[place]
    if line.number < 1:
        text = f"line number {line.number} ('{line.name}') is below 1: number lines from 1"
        problems.append(Problem(text=text, lines=(place,), column="number"))
    if line.number in seen:
        other = lines[seen[line.number]]
        text = f"line {line.number} stands twice ('{other.name}' and '{line.name}'): renumber one"
        problems.append(Problem(text=text, lines=(seen[line.number], place), column="number"))
    return problems


def _partner_problem(lines: Sequence[Line], seen: Mapping[int, int], line: Line) -> str:
    if line.partner is None:
        return ""
    if line.partner not in seen:
        return (
            f"line {line.number} names line {line.partner} as its stereo partner, which does not exist: "
            "give the partner's number, or none"
        )
    partner = lines[seen[line.partner]]
    if partner.partner != line.number or partner.number == line.number:
        return (
            f"lines {line.number} and {line.partner} do not name each other as stereo partners: "
            "write each one's number beside the other"
        )
    return ""


def _port_problems(rate_hz: int, links: Mapping[str, Link], line: Line, way: str, port: Port) -> list[str]:
    link = links.get(port.link)
    if link is None:
        known = ", ".join(sorted(links)) or "none is defined"
        return [f"line {line.number}: {way} {port} is on an unknown link; links: {known}"]
    problems = []
    capacity = link.capacity.get(rate_hz)
    if capacity is None:
        problems.append(f"line {line.number}: link '{link.name}' states no capacity at {rate_hz} Hz: add it")
    else:
        most = capacity.sends if way == "send" else capacity.returns
        if not 1 <= port.number <= most:
            problems.append(
                f"line {line.number}: {way} {port} is outside 1 to {most}, the link's {way}s at {rate_hz} Hz"
            )
    in_use = link.sends_in_use if way == "send" else link.returns_in_use
    if port.number in in_use:
        problems.append(f"line {line.number}: {way} {port} is marked as in use by others: choose a free port")
    return problems
