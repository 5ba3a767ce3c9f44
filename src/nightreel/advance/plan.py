"""The plan of a show: everything the engineer needs to know days before, worked out from the show and the wishes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from nightreel.advance.allocate import Allocation
from nightreel.advance.capacity import Offer
from nightreel.advance.choose import Choice
from nightreel.advance.evidence import Evidence
from nightreel.advance.gestures import Gesture
from nightreel.advance.known import Figure, Known
from nightreel.advance.media import MediumPlan
from nightreel.advance.network import NetworkPlan
from nightreel.advance.options import Option, free_ports
from nightreel.advance.soundcheck_lines import CheckLine
from nightreel.advance.storage import (
    Room,
    TrackFormat,
)
from nightreel.advance.suggest import Suggestion
from nightreel.advance.wishes import Wishes
from nightreel.show.model import Show


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
    def spare(self) -> int:
        """Free sends that the plan leaves on the links it uses."""
        free = sum(free_ports(x, self.offers[x.name])[0] for x in self.show.links if x.name in self.links_used)
        return free - len(self.choice.carried)

    @property
    def gestures(self) -> tuple[Gesture, ...]:
        return self.allocation.gestures
