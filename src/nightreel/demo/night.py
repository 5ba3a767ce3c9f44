"""One invented night: the show of the Saltmarsh Lanterns with its sound, and the truth about it.

Everything follows from a seed. Sources are made one after the other and laid into each line that hears them, at the
level and delay that their distance gives (speed of sound 343.2 m/s at 20 C, ISO 9613-1), so that memory holds the lines
asked for and one source, no more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightreel.demo.band import PICKUPS, SOURCES, Pickup
from nightreel.demo.score import SONGS, write_parts
from nightreel.demo.sounds import Placed, Sounds
from nightreel.demo.truth import TRAPS, Planted, Trap, Trouble, Where
from nightreel.errors import ArgumentInvalid
from nightreel.ports.desk import Desk
from nightreel.show.files import create_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Medium, Port, SetSong, Show
from nightreel.timeline import Gap, GapCause, Song, Span

SPEED_OF_SOUND_M_PER_S = 343.2
LINK = "desk"
CROSSED = (18, 19)
DEAD = 17
HUMMING = 13
OVER = 7
REVERSED = 2
GAP_LINES = tuple(range(25, 33))  # one flow of eight
HUM_DBFS = -46.0
OVER_GAIN = 5.0
_BLOCK_FRAMES = 1 << 15
_BEFORE_S, _AFTER_S, _BETWEEN_S = 3.0, 4.0, 6.0


@dataclass(frozen=True, slots=True)
class Hears:
    """How a line hears a source: amplitude against the source's own level at 1 m, and delay in frames."""

    gain: float
    delay_frames: int


class DemoNight:
    """See the module.

    scale : length of the songs and pauses against the full night of about 104 s; 0.2 is the shortest that still is one
    """

    def __init__(self, *, seed: int = 1, scale: float = 1.0, rate_hz: int = 48_000) -> None:
        if not 0.2 <= scale <= 50.0:
            raise ArgumentInvalid(f"scale {scale} is not between 0.2 and 50")
        self.seed = seed
        self.scale = scale
        self.rate_hz = rate_hz
        self._placed: list[Placed] = []
        at_s = max(1.5, _BEFORE_S * scale)
        for number, plan in enumerate(SONGS, 1):
            bars = max(2, round(plan.bars * scale))
            rng = np.random.default_rng([seed, 7, number])
            parts = write_parts(plan, bars, rng)
            length_s = bars * plan.bar_s + 1.6
            self._placed.append(Placed(plan=plan, start_s=at_s, length_s=length_s, parts=parts))
            at_s += length_s + max(1.5, _BETWEEN_S * scale)
        self.frames = round((at_s - max(1.5, _BETWEEN_S * scale) + max(1.5, _AFTER_S * scale)) * rate_hz)

    # --- facts

    @property
    def songs(self) -> tuple[Song, ...]:
        """Songs as played, without the applause."""
        return tuple(
            Song(
                number=number,
                name=placed.plan.title,
                span=Span(
                    first_frame=round(placed.start_s * self.rate_hz), frames=round(placed.length_s * self.rate_hz)
                ),
            )
            for number, placed in enumerate(self._placed, 1)
        )

    @cached_property
    def show(self) -> Show:
        lines = []
        for number, pickup in enumerate(PICKUPS, 1):
            lines.append(
                Line(
                    number=number,
                    name=pickup.name,
                    role=pickup.role,
                    socket=f"A-{number}" if number <= 16 else f"B-{number - 16}",
                    gain_db=pickup.gain_db,
                    phantom=pickup.phantom,
                    partner=number + pickup.pair if pickup.pair else None,
                    priority=2 if pickup.group in ("drums", "voices", "bass") else 4,
                    group=pickup.group,
                    notes=pickup.notes,
                    send=Port(link=LINK, number=number),
                    return_port=Port(link=LINK, number=number),
                )
            )
        capacity = {48_000: Capacity(sends=32, returns=32), self.rate_hz: Capacity(sends=32, returns=32)}
        length_s = float(math.ceil(self.frames / self.rate_hz))
        return Show(
            name="Harbour Arts, second night",
            rate_hz=self.rate_hz,
            date=date(2026, 11, 28),
            place="Harbour Arts",
            tour="Saltmarsh Lanterns, autumn tour",
            lines=tuple(lines),
            links=(Link(name=LINK, kind=LinkKind.STAGE, capacity=capacity, device="simulated stage"),),
            media=(Medium(name="show folder", path="takes"),),
            set_list=tuple(
                SetSong(title=placed.plan.title, length_s=float(round(placed.length_s))) for placed in self._placed
            ),
            expected_length_s=length_s,
        )

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """What gets lost on the way to the recorder: 180 ms of one flow, in the third song."""
        first = self.songs[2].span.first_frame + round(self.songs[2].span.frames * 0.4)
        channels = tuple(number - 1 for number in GAP_LINES)
        frames = round(0.18 * self.rate_hz)
        return (Gap(first_frame=first, frames=frames, cause=GapCause.NETWORK_LOSS, channels=channels),)

    @property
    def truth(self) -> tuple[Planted, ...]:
        """Every planted trouble."""
        whole = Span(first_frame=0, frames=self.frames)
        names = {line.number: line.name for line in self.show.lines}
        (gap,) = self.gaps

        def planted(trouble: Trouble, where: Where, lines: tuple[int, ...], span: Span, text: str) -> Planted:
            return Planted(trouble=trouble, where=where, lines=lines, span=span, text=text)

        a, b = CROSSED
        return (
            planted(Trouble.CROSSED, Where.DESK, CROSSED, whole, f"'{names[a]}' and '{names[b]}' are crossed"),
            planted(Trouble.DEAD, Where.DESK, (DEAD,), whole, f"'{names[DEAD]}' is dead: only noise arrives"),
            planted(Trouble.HUM, Where.STAGE, (HUMMING,), whole, f"'{names[HUMMING]}' hums at 50 Hz and harmonics"),
            planted(
                Trouble.OVERS, Where.STAGE, (OVER,), self._over_span(),
                f"'{names[OVER]}' goes over in the last fill of '{SONGS[1].title}'",
            ),
            planted(
                Trouble.GAP, Where.RECORDER, GAP_LINES, gap.span,
                f"180 ms of lines {GAP_LINES[0]} to {GAP_LINES[-1]} get lost on the network",
            ),
            planted(
                Trouble.POLARITY, Where.DESK, (REVERSED,), whole,
                f"'{names[REVERSED]}' has its polarity reversed against '{names[1]}'",
            ),
        )  # fmt: skip

    @property
    def traps(self) -> tuple[Trap, ...]:
        """What looks like a fault and is none."""
        return TRAPS

    def desk(self, *, troubled: bool = True) -> Desk:
        """The desk of the night, line n on send n and return n, with the planted desk faults unless told otherwise."""
        straight = Desk.straight(rate_hz=self.rate_hz, lines=len(PICKUPS))
        if not troubled:
            return straight
        channels = list(straight.channels)
        a, b = (number - 1 for number in CROSSED)
        channels[a], channels[b] = channels[b], channels[a]
        channels[DEAD - 1] = replace(channels[DEAD - 1], dead=True, noise_dbfs=-92.0)
        channels[REVERSED - 1] = replace(channels[REVERSED - 1], polarity=-1)
        return replace(straight, channels=tuple(channels))

    # --- sound

    def render(self, lines: Sequence[int] | None = None) -> NDArray[np.float32]:
        """What leaves the stage sockets, as the preamps deliver it: float32 (frames, lines), full scale 1.0.

        lines : line numbers, all of them unless given. A line sounds the same whichever others are asked for.
        """
        numbers = list(range(1, len(PICKUPS) + 1)) if lines is None else list(lines)
        wrong = [number for number in numbers if not 1 <= number <= len(PICKUPS)]
        if wrong:
            raise ArgumentInvalid(f"line {wrong[0]} is not in the demo show", now=f"It has lines 1 to {len(PICKUPS)}")
        sounds = Sounds(self._placed, frames=self.frames, rate_hz=self.rate_hz, seed=self.seed)
        out = np.zeros((len(numbers), self.frames), dtype=np.float32)
        pickups = [PICKUPS[number - 1] for number in numbers]
        heard = [_hears(pickup, self.rate_hz) for pickup in pickups]
        for name in sounds.order({name for paths in heard for name in paths}):
            sound = sounds.make(name)
            self._lay(out, [(row, paths[name]) for row, paths in enumerate(heard) if name in paths], sound)
        for row, (number, pickup) in enumerate(zip(numbers, pickups, strict=True)):
            self._finish(out[row], number, pickup)
        return out.T

    def _lay(self, out: NDArray[np.float32], paths: Sequence[tuple[int, Hears]], sound: NDArray[np.float32]) -> None:
        """Add one source to every line that hears it, block by block so that the source stays in the cache."""
        scaled = np.empty(_BLOCK_FRAMES, dtype=np.float32)
        for at in range(0, self.frames, _BLOCK_FRAMES):
            block = sound[at : at + _BLOCK_FRAMES]
            for row, path in paths:
                first = at + path.delay_frames
                n = min(len(block), self.frames - first)
                if n > 0:
                    np.multiply(block[:n], np.float32(path.gain), out=scaled[:n])
                    out[row, first : first + n] += scaled[:n]

    def _finish(self, row: NDArray[np.float32], number: int, pickup: Pickup) -> None:
        """Set the preamp for the loudest instant of the night, then noise, hum and overs."""
        loudest = float(max(row.max(), -row.min()))
        if loudest:
            row *= np.float32(10.0 ** (pickup.peak_dbfs / 20.0) / loudest)
        if pickup.noise_dbfs is not None:
            rng = np.random.default_rng([self.seed, 11, number])
            level = np.float32(10.0 ** (pickup.noise_dbfs / 20.0))
            for at in range(0, self.frames, _BLOCK_FRAMES):
                piece = row[at : at + _BLOCK_FRAMES]
                piece += level * rng.standard_normal(len(piece), dtype=np.float32)
        if number == HUMMING:
            row += mains_hum(self.frames, self.rate_hz, HUM_DBFS)
        if number == OVER:
            span = self._over_span()
            ramp = round(0.004 * self.rate_hz)
            hot = np.full(span.frames, OVER_GAIN, dtype=np.float32)
            hot[:ramp] = np.linspace(1.0, OVER_GAIN, ramp)
            hot[-ramp:] = np.linspace(OVER_GAIN, 1.0, ramp)
            row[span.first_frame : span.end_frame] *= hot
        np.clip(row, -1.0, 1.0, out=row)

    def _over_span(self) -> Span:
        """The last two hits on the floor tom in the second song: the microphone has slid down to the skin."""
        hits = sorted(note.start_s for note in self._placed[1].parts["tom 2"])[-2:]
        first = round((self._placed[1].start_s + hits[0] - 0.01) * self.rate_hz)
        end = round((self._placed[1].start_s + hits[1] + 0.3) * self.rate_hz)
        return Span(first_frame=first, frames=end - first)


def _hears(pickup: Pickup, rate_hz: int) -> dict[str, Hears]:
    """Everything a line hears, levels against each other: its own source by wire, or what reaches its microphone."""
    paths = paths_of(pickup, rate_hz)
    if pickup.source and pickup.source not in paths:
        paths[pickup.source] = Hears(1.0, 0)
    return paths


def paths_of(pickup: Pickup, rate_hz: int) -> dict[str, Hears]:
    """Every source in the room that a microphone hears; empty for what comes by wire (its own source is not listed)."""
    if pickup.distance_m is None and not pickup.source.startswith("crowd"):
        return {}
    if pickup.source.startswith("crowd"):
        x, y, own = pickup.side_m, -1.0, "hall"
    else:
        place = SOURCES[pickup.source]
        x, y, own = place.x + pickup.side_m, place.y, pickup.source
    paths: dict[str, Hears] = {}
    for name, source in SOURCES.items():
        apart = math.hypot(source.x - x, source.y - y)
        if name == own and pickup.distance_m is not None:
            distance, rejects_db = max(pickup.distance_m, 0.03), 0.0
        elif name == "hall":
            if not pickup.source.startswith("crowd"):
                continue
            distance, rejects_db = max(apart, 1.0), 0.0
        else:
            distance, rejects_db = math.hypot(apart, pickup.distance_m or 1.0), pickup.rejects_db
            if pickup.source.startswith("crowd"):
                rejects_db = 10.0
        gain = 10.0 ** ((source.level_db - rejects_db) / 20.0) / distance
        paths[name] = Hears(gain=gain, delay_frames=round(distance / SPEED_OF_SOUND_M_PER_S * rate_hz))
    return paths


def mains_hum(frames: int, rate_hz: int, level_dbfs: float, *, mains_hz: float = 50.0) -> NDArray[np.float32]:
    """Mains hum of a bad screen: fundamental (RMS at ``level_dbfs``) and harmonics, odd ones stronger."""
    t = np.arange(frames) / rate_hz
    peak = math.sqrt(2.0) * 10.0 ** (level_dbfs / 20.0)
    weights = {1: 1.0, 2: 0.35, 3: 0.6, 4: 0.15, 5: 0.3, 7: 0.15, 9: 0.08}
    out = np.zeros(frames, dtype=np.float32)
    for harmonic, weight in weights.items():
        out += (peak * weight * np.sin(2 * np.pi * mains_hz * harmonic * t + 0.7 * harmonic)).astype(np.float32)
    return out


def make_show(folder: Path, *, seed: int = 1, scale: float = 1.0) -> DemoNight:
    """Start the demo show's folder (show.toml, inputs.csv) and return its night. Raises what create_show raises."""
    night = DemoNight(seed=seed, scale=scale)
    show = night.show
    create_show(
        folder,
        name=show.name,
        date=show.date,
        place=show.place,
        tour=show.tour,
        rate_hz=show.rate_hz,
        encoding=show.encoding,
        lines=show.lines,
        links=show.links,
        media=show.media,
        set_list=show.set_list,
        expected_length_s=show.expected_length_s,
    )
    return night
