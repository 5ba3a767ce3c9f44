"""The Saltmarsh Lanterns on stage: who sounds where, and what stands in front of them. All invented.

Positions in metres: x to the right as the audience sees it, y away from the front edge of the stage. Levels of sources
are relative to each other at 1 m, and so are the microphones' distances; both are plausible, not measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from nightreel.show.model import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Something that sounds in the room: ``level_db`` at 1 m, against the kick drum."""

    level_db: float
    x: float
    y: float


SOURCES: Mapping[str, Source] = MappingProxyType(
    {
        "kick": Source(level_db=0.0, x=0.0, y=4.0),
        "snare": Source(level_db=0.0, x=-0.3, y=4.4),
        "hat": Source(level_db=-12.0, x=-0.7, y=4.3),
        "tom 1": Source(level_db=-1.0, x=0.1, y=4.1),
        "tom 2": Source(level_db=-1.0, x=0.6, y=4.5),
        "crash": Source(level_db=-5.0, x=-0.6, y=4.1),
        "ride": Source(level_db=-11.0, x=0.7, y=4.2),
        "bass": Source(level_db=-8.0, x=2.2, y=4.0),
        "guitar a": Source(level_db=-7.0, x=-2.6, y=3.6),
        "guitar b": Source(level_db=-8.0, x=3.2, y=3.2),
        "fiddle": Source(level_db=-20.0, x=-1.8, y=1.6),
        "cello": Source(level_db=-20.0, x=1.7, y=1.8),
        "accordion": Source(level_db=-16.0, x=2.6, y=1.3),
        "voice centre": Source(level_db=-14.0, x=0.0, y=0.8),
        "voice left": Source(level_db=-15.0, x=-1.4, y=0.9),
        "voice drums": Source(level_db=-15.0, x=-0.2, y=4.7),
        "handheld": Source(level_db=-14.0, x=0.9, y=0.7),
        "hall": Source(level_db=4.0, x=0.0, y=-1.5),  # what the loudspeakers play
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pickup:
    """One line of the demo show.

    source : what it is there for; '' for a line that nothing of its own reaches
    distance_m : of the microphone from its source, None where a wire comes from the source itself
    side_m : where the microphone stands along x from its source
    rejects_db : how far its pattern pushes other sources down (a cardioid's off-axis 6 to 12 dB, common practice)
    peak_dbfs : what the engineer set the preamp for
    noise_dbfs : RMS of preamp and microphone noise, None for a digital source
    """

    name: str
    role: Role
    source: str
    peak_dbfs: float
    distance_m: float | None = None
    side_m: float = 0.0
    rejects_db: float = 6.0
    noise_dbfs: float | None = -92.0
    gain_db: float | None = None
    phantom: bool = False
    group: str = ""
    pair: int = 0  # +1: the next line is its right side, -1: the line before is its left
    notes: str = ""


def _drum(name: str, source: str, peak_dbfs: float, distance_m: float, gain_db: float, phantom: bool = False) -> Pickup:
    return Pickup(
        name=name, role=Role.MIC, source=source, peak_dbfs=peak_dbfs, distance_m=distance_m, gain_db=gain_db,
        phantom=phantom, group="drums", noise_dbfs=-90.0,
    )  # fmt: skip


def _voice(name: str, source: str, peak_dbfs: float, role: Role = Role.MIC) -> Pickup:
    return Pickup(
        name=name, role=role, source=source, peak_dbfs=peak_dbfs, distance_m=0.04, rejects_db=10.0, group="voices",
        gain_db=34.0 if role is Role.MIC else None, noise_dbfs=-84.0,
    )  # fmt: skip


def _digital(name: str, role: Role, source: str, peak_dbfs: float, group: str, pair: int = 0) -> Pickup:
    return Pickup(name=name, role=role, source=source, peak_dbfs=peak_dbfs, noise_dbfs=None, group=group, pair=pair)


PICKUPS: tuple[Pickup, ...] = (
    _drum("Kick In", "kick", -10.0, 0.06, 18.0),
    _drum("Kick Out", "kick", -11.0, 0.40, 24.0),
    _drum("Snare Top", "snare", -9.0, 0.07, 24.0),
    _drum("Snare Bottom", "snare", -12.0, 0.12, 28.0),
    _drum("Hat", "hat", -16.0, 0.15, 32.0, True),
    _drum("Tom 1", "tom 1", -10.0, 0.06, 22.0),
    _drum("Tom 2", "tom 2", -10.0, 0.06, 22.0),
    Pickup(
        name="Overhead L", role=Role.MIC, source="crash", peak_dbfs=-12.0, distance_m=0.9, side_m=-0.2, rejects_db=0.0,
        gain_db=30.0, phantom=True, group="drums", pair=1, noise_dbfs=-86.0,
    ),
    Pickup(
        name="Overhead R", role=Role.MIC, source="ride", peak_dbfs=-12.0, distance_m=0.9, side_m=0.2, rejects_db=0.0,
        gain_db=30.0, phantom=True, group="drums", pair=-1, noise_dbfs=-86.0,
    ),
    Pickup(name="Bass DI", role=Role.DIRECT, source="bass", peak_dbfs=-12.0, gain_db=8.0, group="bass"),
    Pickup(
        name="Bass Amp", role=Role.MIC, source="bass", peak_dbfs=-12.0, distance_m=0.10, gain_db=22.0, group="bass"
    ),
    Pickup(
        name="Guitar A", role=Role.MIC, source="guitar a", peak_dbfs=-12.0, distance_m=0.05, gain_db=26.0,
        group="guitars",
    ),
    Pickup(
        name="Guitar B", role=Role.MIC, source="guitar b", peak_dbfs=-14.0, distance_m=0.05, gain_db=26.0,
        group="guitars",
    ),
    Pickup(name="Keys L", role=Role.DIRECT, source="keys l", peak_dbfs=-14.0, gain_db=6.0, group="keys", pair=1),
    Pickup(name="Keys R", role=Role.DIRECT, source="keys r", peak_dbfs=-14.0, gain_db=6.0, group="keys", pair=-1),
    Pickup(
        name="Fiddle", role=Role.MIC, source="fiddle", peak_dbfs=-14.0, distance_m=0.06, rejects_db=6.0, gain_db=36.0,
        phantom=True, group="strings", noise_dbfs=-82.0,
    ),
    Pickup(
        name="Cello", role=Role.MIC, source="cello", peak_dbfs=-14.0, distance_m=0.08, rejects_db=6.0, gain_db=36.0,
        phantom=True, group="strings", noise_dbfs=-82.0,
    ),
    _voice("Voice Centre", "voice centre", -8.0),
    _voice("Voice Left", "voice left", -10.0),
    _voice("Voice Drums", "voice drums", -11.0),
    _voice("Handheld", "handheld", -10.0, Role.WIRELESS),
    Pickup(
        name="Accordion", role=Role.WIRELESS, source="accordion", peak_dbfs=-13.0, distance_m=0.08, rejects_db=8.0,
        group="strings", noise_dbfs=-84.0,
    ),
    _digital("Tracks L", Role.PLAYBACK, "tracks l", -12.0, "tracks", 1),
    _digital("Tracks R", Role.PLAYBACK, "tracks r", -12.0, "tracks", -1),
    _digital("Click", Role.CLICK, "click", -12.0, "tracks"),
    Pickup(name="Timecode", role=Role.TIMECODE, source="timecode", peak_dbfs=-14.0, gain_db=0.0, group="tracks"),
    Pickup(
        name="Talkback", role=Role.TALKBACK, source="", peak_dbfs=-12.0, gain_db=30.0, noise_dbfs=-88.0,
        notes="has a switch; off unless somebody talks",
    ),
    _digital("Effects L", Role.EFFECTS_RETURN, "effects l", -16.0, "effects", 1),
    _digital("Effects R", Role.EFFECTS_RETURN, "effects r", -16.0, "effects", -1),
    Pickup(
        name="Ambience L", role=Role.AMBIENCE, source="crowd l", peak_dbfs=-18.0, side_m=-4.0, rejects_db=0.0,
        gain_db=40.0, phantom=True, group="ambience", pair=1, noise_dbfs=-84.0,
    ),
    Pickup(
        name="Ambience R", role=Role.AMBIENCE, source="crowd r", peak_dbfs=-18.0, side_m=4.0, rejects_db=0.0,
        gain_db=40.0, phantom=True, group="ambience", pair=-1, noise_dbfs=-84.0,
    ),
    Pickup(
        name="Harmonium", role=Role.DIRECT, source="harmonium", peak_dbfs=-13.0, gain_db=12.0, group="keys",
        notes="The Ferryman's Count only",
    ),
)  # fmt: skip
