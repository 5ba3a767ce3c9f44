"""Working a plan out: from the show and the wishes to a :class:`~nightreel.advance.plan.Plan`. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations

from nightreel.advance.allocate import Space, allocate
from nightreel.advance.capacity import Offer, find_contradictions, offer_of
from nightreel.advance.choose import choose_lines
from nightreel.advance.evidence import Evidence
from nightreel.advance.known import Known
from nightreel.advance.media import plan_medium
from nightreel.advance.network import plan_network
from nightreel.advance.options import free_ports, list_options
from nightreel.advance.plan import Demand, Plan
from nightreel.advance.remarks import list_figures, list_warnings
from nightreel.advance.soundcheck_lines import soundcheck_lines
from nightreel.advance.storage import (
    Room,
    TrackFormat,
    compute_room,
)
from nightreel.advance.suggest import suggest
from nightreel.advance.wishes import USUAL_LENGTH_S, Wishes
from nightreel.errors import PlanImpossible, ShowInvalid
from nightreel.show.model import AtSoundcheck, Line, LinkKind, Role, Show
from nightreel.wave.writer import PAGE_BYTES

MOST_OTHER_LINKS = 10  # with more, trying every set of them would take longer than it helps: all are used


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
    media = tuple(plan_medium(m, format, room, with_margin, length_s, wishes, evidence) for m in media_now)
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
    return replace(plan, figures=list_figures(plan), warnings=list_warnings(plan))


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
    for count in range(len(others) + 1 if len(others) <= MOST_OTHER_LINKS else 0):
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
