"""What the Saltmarsh Lanterns play: four short songs of ours, written out as notes for every part.

Times in seconds from the song's start, pitches as MIDI note numbers (69 = A, tuned per song), velocities 0 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    start_s: float
    length_s: float
    pitch: float
    velocity: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SongPlan:
    """A song as the band knows it.

    chords : one a bar, as (root as MIDI note in the bass octave, minor?); repeated to the end
    groove : sixteenths of a bar on which kick and snare fall
    tuning_hz : of the A; the harmonium's is old and high, which puts the low G at 100 Hz
    """

    title: str
    tempo_bpm: float
    bars: int
    chords: tuple[tuple[int, bool], ...]
    kick: tuple[int, ...]
    snare: tuple[int, ...]
    tuning_hz: float = 440.0
    beats: int = 4
    with_tracks: bool = False
    with_harmonium: bool = False
    with_handheld: bool = False

    @property
    def beat_s(self) -> float:
        return 60.0 / self.tempo_bpm

    @property
    def bar_s(self) -> float:
        return self.beats * self.beat_s


SONGS: tuple[SongPlan, ...] = (
    SongPlan(
        title="Low Water", tempo_bpm=104.0, bars=8, chords=((40, True), (36, False), (43, False), (38, False)),
        kick=(0, 6, 8), snare=(4, 12), with_tracks=True,
    ),
    SongPlan(
        title="Lantern Row", tempo_bpm=126.0, bars=10, chords=((45, True), (41, False), (36, False), (43, False)),
        kick=(0, 4, 8, 12), snare=(4, 12),
    ),
    SongPlan(
        title="The Ferryman's Count", tempo_bpm=96.0, bars=10,
        chords=((43, False), (43, False), (40, True), (38, False)),
        kick=(0,), snare=(4, 8), beats=3, tuning_hz=449.0, with_harmonium=True,
    ),
    SongPlan(
        title="Herring Moon", tempo_bpm=116.0, bars=8, chords=((38, True), (46, False), (41, False), (36, False)),
        kick=(0, 3, 8, 10), snare=(4, 12), with_tracks=True, with_handheld=True,
    ),
)  # fmt: skip

Parts = dict[str, list[Note]]


class Add(Protocol):
    """Lays one note into a part."""

    def __call__(
        self, part: str, start_s: float, length_s: float, pitch: float, velocity: float, loose_s: float = 0.004
    ) -> None: ...


_SCALE_MINOR, _SCALE_MAJOR = (0, 2, 3, 5, 7, 8, 10), (0, 2, 4, 5, 7, 9, 11)


def write_parts(song: SongPlan, bars: int, rng: np.random.Generator) -> Parts:
    """Every part's notes for ``bars`` bars and a final hit. People are a few milliseconds early or late."""
    parts: Parts = {}

    def add(part: str, start_s: float, length_s: float, pitch: float, velocity: float, loose_s: float = 0.004) -> None:
        start = max(0.0, start_s + float(rng.normal(0.0, loose_s)) if loose_s else start_s)
        note = Note(start_s=start, length_s=length_s, pitch=pitch, velocity=float(velocity * rng.uniform(0.85, 1.0)))
        parts.setdefault(part, []).append(note)

    for bar in range(bars):
        _drums(song, bar, bars, add)
        _harmony(song, bar, add, rng)
        if bar >= 1:
            _voices(song, bar, bars, add, rng)
        for beat in range(song.beats):
            parts.setdefault("click", []).append(
                Note(start_s=bar * song.bar_s + beat * song.beat_s, length_s=0.03, pitch=89 if beat else 96, velocity=1)
            )
    end_s = bars * song.bar_s
    root, minor = song.chords[0]
    for part, pitch in (("kick", 0), ("crash", 0), ("ride", 0), ("bass", root)):
        add(part, end_s, 1.4, pitch, 1.0)
    for part in ("guitar a", "guitar b", "keys"):
        for pitch in chord(root + 12, minor):
            add(part, end_s, 1.4, pitch, 0.9, 0.002)
    return parts


def chord(root: int, minor: bool) -> tuple[int, ...]:
    return (root, root + 7, root + 12, root + (15 if minor else 16))


def _drums(song: SongPlan, bar: int, bars: int, add: Add) -> None:
    start, step = bar * song.bar_s, song.beat_s / 4
    fill = bar % 4 == 3 or bar == bars - 1
    steps = song.beats * 4
    for at in song.kick:
        add("kick", start + at * step, 0.3, 0, 1.0)
    for at in song.snare:
        if not (fill and at >= steps - 4):
            add("snare", start + at * step, 0.3, 0, 1.0)
    if bar % 4 == 1:
        add("snare", start + (steps - 2) * step, 0.2, 0, 0.35)
    timekeeper = "ride" if bar % 8 >= 4 else "hat"
    for at in range(0, steps, 2):
        add(timekeeper, start + at * step, 0.2, 0, 1.0 if at % 4 == 0 else 0.6)
    if bar % 4 == 0:
        add("crash", start, 1.5, 0, 0.9)
    if fill:
        for i, at in enumerate(range(steps - 4, steps)):
            add("tom 1" if i < 2 else "tom 2", start + at * step, 0.5, 0, 0.8 + 0.06 * i)


def _harmony(song: SongPlan, bar: int, add: Add, rng: np.random.Generator) -> None:
    root, minor = song.chords[bar % len(song.chords)]
    start, beat, bar_s = bar * song.bar_s, song.beat_s, song.bar_s
    if song.with_harmonium:  # long low notes under a slow three
        add("bass", start, bar_s * 0.96, root, 0.9)
    else:
        for eighth in range(song.beats * 2):
            pitch = root + (7 if eighth in (3, 7) else 12 if eighth == 5 else 0)
            add("bass", start + eighth * beat / 2, beat * 0.45, pitch, 1.0 if eighth % 4 == 0 else 0.8)
    for place in range(song.beats):
        for pitch in chord(root + 12, minor):
            add("guitar a", start + place * beat, beat * 0.9, pitch, 1.0 if place % 2 == 0 else 0.75, 0.003)
    pitches = chord(root + 24, minor)
    for eighth in range(song.beats * 2):
        add("guitar b", start + eighth * beat / 2, beat * 0.6, pitches[(0, 1, 2, 3, 2, 1)[eighth % 6]], 0.85)
    for pitch in chord(root + 12, minor)[1:]:
        add("keys", start, bar_s * 0.95, pitch + 12, 0.7)
    add("keys", start + bar_s / 2, bar_s * 0.4, root + 36, 0.6)
    add("cello", start, bar_s * 0.98, root + 7 if root < 41 else root, 0.9)
    add("fiddle", start, bar_s * 0.5, chord(root + 24, minor)[int(rng.integers(4))] + 7, 0.9)
    add("fiddle", start + bar_s * 0.5, bar_s * 0.48, chord(root + 24, minor)[int(rng.integers(4))] + 7, 0.8)
    for pitch in chord(root + 24, minor)[:3]:
        add("accordion", start, bar_s * 0.94, pitch, 0.8)
    if song.with_harmonium:
        for pitch in chord(root, minor):
            add("harmonium", start, bar_s * 0.97, pitch + 12, 0.8)
    if song.with_tracks:
        for eighth in range(song.beats * 2):
            add("tracks", start + eighth * beat / 2, 0.1, 0, 0.5 + 0.5 * (eighth % 2), 0.0)
        for pitch in chord(root + 24, minor):
            add("tracks", start, bar_s, pitch, 0.5, 0.0)


def _voices(song: SongPlan, bar: int, bars: int, add: Add, rng: np.random.Generator) -> None:
    """A phrase over three bars, a bar's breath; the others join every second phrase."""
    if bar % 4 == 0:
        return
    root, minor = song.chords[bar % len(song.chords)]
    scale = _SCALE_MINOR if minor else _SCALE_MAJOR
    at, degree = 0.0, int(rng.integers(0, 5))
    lead = "handheld" if song.with_handheld and (bar % 8 >= 5 or bars < 6) else "voice centre"
    while at < song.beats - 0.01:
        length = float(rng.choice([0.5, 0.5, 1.0, 1.0, 1.5]))
        length = min(length, song.beats - at)
        degree = int(np.clip(degree + rng.integers(-2, 3), 0, 7))
        pitch = root % 12 + 48 + scale[degree % 7] + 12 * (degree // 7)
        start = bar * song.bar_s + at * song.beat_s
        add(lead, start, length * song.beat_s * 0.92, pitch + 12, 1.0, 0.012)
        if bar % 8 >= 4 or bars < 6:
            third = scale[(degree + 2) % 7] + 12 * ((degree + 2) // 7) - scale[degree % 7] - 12 * (degree // 7)
            add("voice left", start, length * song.beat_s * 0.9, pitch + 12 + third, 0.9, 0.015)
            add("voice drums", start, length * song.beat_s * 0.88, pitch, 0.9, 0.018)
        at += length
