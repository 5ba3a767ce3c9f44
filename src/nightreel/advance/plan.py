"""The plan of a show: everything the engineer needs to know days before, worked out from the show and the wishes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from nightreel.advance.allocate import Allocation, Space, allocate
from nightreel.advance.capacity import Offer, find_contradictions, offer_of
from nightreel.advance.choose import Choice, choose_lines
from nightreel.advance.evidence import DriveEvidence, Evidence
from nightreel.advance.gestures import Gesture, spans_of
from nightreel.advance.known import Figure, Known
from nightreel.advance.network import NetworkPlan, plan_network
from nightreel.advance.options import Option, free_ports, list_options
from nightreel.advance.soundcheck_lines import CheckLine, soundcheck_lines
from nightreel.advance.storage import (
    CopyTime,
    Growth,
    Room,
    TrackFormat,
    compute_copy_time,
    compute_growth,
    compute_room,
    find_file_system,
    seconds_on,
)
from nightreel.advance.suggest import Suggestion, suggest
from nightreel.advance.wishes import USUAL_LENGTH_S, Wishes
from nightreel.errors import PlanImpossible, ShowInvalid
from nightreel.show.model import AtSoundcheck, Line, LinkKind, Medium, Role, Show
from nightreel.units import Encoding, format_rate, format_size, format_time
from nightreel.wave.writer import PAGE_BYTES

RECORDER_RESERVE_BYTES = 200_000_000  # the recorder closes a drive cleanly when less is free


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """Ports the show asks for, by what for."""

    music: int
    stereo_pairs: int
    ambience: int
    timecode: int
    other: int
    spare: int

    @property
    def ports(self) -> int:
        return self.music + self.ambience + self.timecode + self.other + self.spare


@dataclass(frozen=True, slots=True, kw_only=True)
class MediumPlan:
    """One medium against the show. ``seconds`` is the recording time it holds; None where its size is not known."""

    name: str
    purpose: str
    file_system: str
    size_bytes: int | None
    seconds: float | None
    fits: bool | None
    growth: tuple[Growth, ...]
    rate_bytes_per_s: float | None
    needed_bytes_per_s: int
    copy: CopyTime
    known: Known
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """See the module. ``warnings`` are what will not work; each names the remedy."""

    show: Show
    wishes: Wishes
    evidence: Evidence
    length_s: float
    length_known: Known
    length_source: str
    demand: Demand
    offers: Mapping[str, Offer]
    options: tuple[Option, ...]
    choice: Choice
    links_used: tuple[str, ...]
    allocation: Allocation
    suggestions: tuple[Suggestion, ...]
    track_format: TrackFormat
    room: Room
    room_with_margin: Room
    media: tuple[MediumPlan, ...]
    networks: tuple[NetworkPlan, ...]
    check_lines: tuple[CheckLine, ...]
    figures: tuple[Figure, ...]
    warnings: tuple[str, ...]

    @property
    def patched(self) -> Show:
        """The show with this plan's patch in it; lines left out have none."""
        sends, returns = self.allocation.sends, self.allocation.returns
        lines = tuple(
            replace(line, send=sends.get(line.number), return_port=returns.get(line.number)) for line in self.show.lines
        )
        return replace(self.show, lines=lines)

    @property
    def gestures(self) -> tuple[Gesture, ...]:
        return self.allocation.gestures


def make_plan(show: Show, wishes: Wishes, *, keep: bool = True, evidence: Evidence | None = None) -> Plan:
    """Work the whole plan out.

    ``keep`` holds on to the show's present patch; ``evidence`` is what was measured and proven. Raises ShowInvalid
    when the links contradict themselves, and PlanImpossible when there is nothing to plan (no line, no link).
    """
    if not show.lines:
        raise PlanImpossible(
            "the show has no line yet", where=show.name, now="Bring in the input list: nightreel import"
        )
    if not show.links:
        raise PlanImpossible("the show has no link yet", where=show.name, now="Add a [[links]] entry to show.toml")
    problems = find_contradictions(show.links, wishes.transport)
    if problems:
        raise ShowInvalid(
            "the links contradict themselves", where=show.name, problems=problems, now="Mend these entries"
        )

    evidence = evidence or Evidence()
    length_s, length_known, length_source = _length(show, wishes)
    asked = {
        link.name: evidence.offer(link.name, offer_of(link, show.rate_hz, wishes.transport)) for link in show.links
    }
    offers = {name: offer for name, offer in asked.items() if offer is not None}
    media_now = tuple(evidence.medium(medium) for medium in show.media)
    free = {link.name: free_ports(link, offers[link.name]) for link in show.links if link.name in offers}
    ports = max(0, sum(sends for sends, _ in free.values()))
    choice = choose_lines(show.lines, ports)
    chosen = set(choice.carried)
    carried = [line for line in show.lines if line.number in chosen]
    links_used = _choose_links(carried, free, wishes, keep=keep)
    allocation = allocate(carried, _spaces(show, offers, links_used), keep=keep)

    format = TrackFormat(rate_hz=show.rate_hz, encoding=show.encoding, header_bytes=PAGE_BYTES)
    room = (
        compute_room(format, tracks=len(carried), length_s=length_s)
        if carried
        else Room(tracks=0, frames=0, audio_bytes=0, file_bytes=0, bytes_per_s=0)
    )
    with_margin = (
        compute_room(format, tracks=len(carried), length_s=length_s * (1 + wishes.margin)) if carried else room
    )
    media = tuple(_plan_medium(m, format, room, with_margin, length_s, wishes, evidence) for m in media_now)
    networks = tuple(
        plan_network(
            link,
            sends=[p.number for p in allocation.sends.values() if p.link == link.name],
            returns=[p.number for p in allocation.returns.values() if p.link == link.name],
            rate_hz=show.rate_hz,
            encoding=show.encoding,
            wishes=wishes,
        )
        for link in show.links
        if link.kind is LinkKind.AES67 and any(p.link == link.name for p in allocation.sends.values())
    )
    plan = Plan(
        show=show,
        wishes=wishes,
        evidence=evidence,
        length_s=length_s,
        length_known=length_known,
        length_source=length_source,
        demand=_demand(show.lines, wishes),
        offers=offers,
        options=list_options(replace(show, media=media_now), wishes, length_s=length_s, evidence=evidence),
        choice=choice,
        links_used=links_used,
        allocation=allocation,
        suggestions=suggest(show, wishes, left_out=choice.left_out),
        track_format=format,
        room=room,
        room_with_margin=with_margin,
        media=media,
        networks=networks,
        check_lines=soundcheck_lines(carried, with_return=frozenset(allocation.returns)),
        figures=(),
        warnings=(),
    )
    return replace(plan, figures=_figures(plan), warnings=tuple(_warnings(plan)))


def _length(show: Show, wishes: Wishes) -> tuple[float, Known, str]:
    if wishes.length_s is not None:
        return wishes.length_s, Known.ENTERED, "asked for"
    if show.expected_length_s is not None:
        return show.expected_length_s, Known.ENTERED, "the show's expected length"
    songs = [song.length_s for song in show.set_list]
    if songs and all(songs):
        return sum(s for s in songs if s) * 1.15, Known.ASSUMED, "the set list and 15 % for talk and applause"
    return USUAL_LENGTH_S, Known.ASSUMED, "two hours, because the show states no length"


def _demand(lines: tuple[Line, ...], wishes: Wishes) -> Demand:
    roles = Counter(line.role for line in lines)
    music = sum(roles[r] for r in (Role.MIC, Role.DIRECT, Role.WIRELESS, Role.PLAYBACK))
    return Demand(
        music=music,
        stereo_pairs=sum(1 for line in lines if line.partner is not None and line.number < line.partner),
        ambience=roles[Role.AMBIENCE],
        timecode=roles[Role.TIMECODE],
        other=len(lines) - music - roles[Role.AMBIENCE] - roles[Role.TIMECODE],
        spare=wishes.spare,
    )


def _choose_links(
    carried: Sequence[Line], free: Mapping[str, tuple[int, int]], wishes: Wishes, *, keep: bool
) -> tuple[str, ...]:
    """The fewest links that carry everything, in the order of the document: each further link is one more clock,
    cable and recorder to look after. Links that the present patch uses stay in, where it is kept."""
    in_patch = {line.send.link for line in carried if keep and line.send is not None} & set(free)
    wanted = sum(line.soundcheck_use is AtSoundcheck.RETURNED for line in carried)
    others = [name for name in free if name not in in_patch]
    for count in range(len(others) + 1):
        for more in combinations(others, count):
            chosen = [name for name in free if name in in_patch or name in more]
            sends, returns = (sum(free[name][way] for name in chosen) for way in (0, 1))
            if sends >= len(carried) + wishes.spare and returns >= wanted:
                return tuple(chosen)
    return tuple(free)


def _spaces(show: Show, offers: Mapping[str, Offer], links: Sequence[str]) -> list[Space]:
    return [
        Space(
            link=link.name,
            sends=offers[link.name].sends,
            returns=offers[link.name].returns,
            sends_in_use=link.sends_in_use,
            returns_in_use=link.returns_in_use,
        )
        for link in show.links
        if link.name in links
    ]


def _plan_medium(
    medium: Medium,
    format: TrackFormat,
    room: Room,
    with_margin: Room,
    length_s: float,
    wishes: Wishes,
    evidence: Evidence,
) -> MediumPlan:
    file_system = find_file_system(medium.file_system) if medium.file_system else None
    seconds = (
        seconds_on(format, tracks=room.tracks, free_bytes=max(0, medium.size_bytes - RECORDER_RESERVE_BYTES))
        if medium.size_bytes is not None and room.tracks
        else None
    )
    measured = evidence.drives.get(medium.name, DriveEvidence())
    fits = None if medium.size_bytes is None else with_margin.file_bytes <= medium.size_bytes - RECORDER_RESERVE_BYTES
    rate = medium.write_bytes_per_s or wishes.copy_bytes_per_s
    words = []
    if fits is False and seconds is not None:
        words.append(f"full after {format_time(seconds)}: free room or take a larger drive")
    if medium.write_bytes_per_s is not None and medium.write_bytes_per_s < 2 * room.bytes_per_s:
        words.append(
            f"writes {format_size(medium.write_bytes_per_s)}/s, the take needs {format_size(room.bytes_per_s)}/s "
            "and as much again in reserve"
        )
    growth = compute_growth(format, length_s=length_s, file_system=file_system)
    words.extend(
        f"{g.name} ends a track after {format_time(g.seconds)}: {g.segments} files a track"
        for g in growth
        if g.segments > 1
    )
    if medium.file_system and file_system is None:
        words.append(f"no figures are known for the file system '{medium.file_system}'")
    elif file_system and file_system.advice:
        words.append(file_system.advice)
    return MediumPlan(
        name=medium.name,
        purpose=medium.purpose,
        file_system=file_system.name if file_system else medium.file_system,
        size_bytes=medium.size_bytes,
        seconds=seconds,
        fits=fits,
        growth=growth,
        rate_bytes_per_s=medium.write_bytes_per_s,
        needed_bytes_per_s=room.bytes_per_s,
        copy=compute_copy_time(
            room.file_bytes,
            source_bytes_per_s=rate,
            target_bytes_per_s=rate,
            target_read_bytes_per_s=measured.read_bytes_per_s,
        ),
        known=Known.MEASURED
        if measured.write_bytes_per_s
        else Known.ENTERED
        if medium.write_bytes_per_s
        else Known.ASSUMED,
        words="; ".join(words) or "good",
    )


def _figures(plan: Plan) -> tuple[Figure, ...]:
    show, room = plan.show, plan.room
    found = [
        Figure(
            name="rate", text=format_rate(show.rate_hz), known=Known.ENTERED, source="show.toml", value=show.rate_hz
        ),
        Figure(name="length", text=format_time(plan.length_s), known=plan.length_known, source=plan.length_source),
    ]
    for name, offer in plan.offers.items():
        found.append(
            Figure(
                name=f"{name}: sends, returns",
                text=f"{offer.sends}, {offer.returns}",
                known=offer.known,
                source=offer.source,
            )
        )
    for name, value, unit in (
        ("take, exact", room.file_bytes, "bytes"),
        ("with margin", plan.room_with_margin.file_bytes, "bytes"),
        ("writing rate", room.bytes_per_s, "bytes/s"),
    ):
        found.append(
            Figure(
                name=name,
                text=f"{format_size(value)}{'/s' if unit == 'bytes/s' else ''}",
                known=plan.length_known if unit == "bytes" else Known.ENTERED,
                source="computed from rate, depth, lines" + (" and length" if unit == "bytes" else ""),
                value=value,
                unit=unit,
            )
        )
    margin = "margin" in plan.wishes.entered
    found.append(
        Figure(
            name="margin",
            text=f"{plan.wishes.margin:.0%}",
            known=Known.ENTERED if margin else Known.ASSUMED,
            source="[advance]" if margin else "ours: a fifth more than the show",
            value=plan.wishes.margin,
        )
    )
    return tuple(found)


def _warnings(plan: Plan) -> list[str]:
    show, allocation = plan.show, plan.allocation
    found = []
    if plan.choice.left_out:
        found.append(f"{len(plan.choice.left_out)} lines are left out, by priority: {spans_of(plan.choice.left_out)}")
    spare = sum(
        s.sends - len([n for n in s.sends_in_use if n <= s.sends]) for s in _spaces(show, plan.offers, plan.links_used)
    )
    spare -= len(plan.choice.carried)
    if not plan.choice.left_out and spare < plan.wishes.spare:
        found.append(f"{spare} ports stay free, {plan.wishes.spare} are wished for")
    missing = [link.name for link in show.links if link.name not in plan.offers]
    if missing:
        found.append(f"no capacity is stated at {format_rate(show.rate_hz)} for {', '.join(missing)}: it is not used")
    if allocation.without_return:
        found.append(f"no return is free for lines {spans_of(allocation.without_return)}: they stay live at soundcheck")
    if allocation.crossed:
        found.append(f"return and send differ in number for lines {spans_of(allocation.crossed)}: check these by ear")
    found.extend(_pair_warnings(plan))
    for medium in plan.media:
        if medium.fits is False:
            found.append(f"{medium.name}: {medium.words}")
    if not any(m.purpose != "primary" for m in show.media):
        found.append("no second drive: one failing drive would take the recording with it. Add a medium for the mirror")
    if show.encoding is Encoding.PCM16:
        found.append("16 bit gives headroom away: choose pcm24")
    used = {port.link for port in allocation.sends.values()}
    if len(used) > 1:
        found.append(f"{' and '.join(sorted(used))} have to run on one clock: set one as master and check for lock")
    found.extend(f"{network.link}: {words}" for network in plan.networks for words in network.warnings)
    return found


def _pair_warnings(plan: Plan) -> list[str]:
    """Pairs that do not lie as pairs should, and lines that look like half of one."""
    lines = {line.number: line for line in plan.show.lines}
    sends = plan.allocation.sends
    kept: list[str] = []
    apart: list[str] = []
    for number in plan.allocation.split_pairs:
        partner = lines[number].partner
        names = f"{number} + {partner}"
        both = [lines[n] for n in (number, partner) if n is not None]
        (kept if all(line.send == sends[line.number] for line in both) else apart).append(names)
    found = []
    if kept:
        found.append(
            f"not on an odd port and the even one above it: pairs {', '.join(kept)}; the present patch is kept, "
            "--repatch makes it anew"
        )
    if apart:
        found.append(f"no odd port with a free even one above it is left for pairs {', '.join(apart)}")
    names_there = {line.name.lower() for line in plan.show.lines}
    for line in plan.show.lines:
        other = _other_side(line.name)
        if line.partner is None and other and (other in names_there or len(line.name.split()[-1]) == 1):
            found.append(f"line {line.number} '{line.name}' looks like one side of a pair but names no partner")
    return found


_SIDES = {"l": "r", "r": "l", "left": "right", "right": "left"}


def _other_side(name: str) -> str | None:
    """``keys r`` for ``Keys L``; None for a name that ends in no side."""
    words = name.lower().split()
    if len(words) < 2 or words[-1] not in _SIDES:
        return None
    return " ".join((*words[:-1], _SIDES[words[-1]]))
