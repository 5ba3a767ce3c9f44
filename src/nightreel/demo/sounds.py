"""Every source of the demo night as one mono signal over the whole night, made when asked for and then forgotten.

Acoustic sources have a peak of 1 over the night, so that a line's level follows from its pickup alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.demo import instruments as play
from nightreel.demo.crowd import applause, murmur, reverb_tail
from nightreel.demo.score import Note, Parts, SongPlan
from nightreel.signal.ltc import encode_ltc
from nightreel.signal.timecode import Timecode, TimecodeRate

Mono = NDArray[np.float32]
LTC_START = Timecode(hours=20, minutes=30, seconds=0, frames=0)
LTC_RATE = TimecodeRate.FPS_25

_NAMES = (
    "kick, snare, hat, tom 1, tom 2, crash, ride, bass, guitar a, guitar b, keys l, keys r, fiddle, cello, accordion, "
    "voice centre, voice left, voice drums, handheld, tracks l, tracks r, click, timecode, effects l, effects r, "
    "crowd l, crowd r, harmonium, hall"
)
_INDEX = {name: index for index, name in enumerate(_NAMES.split(", "))}
_VARIANTS = 4  # different takes of each struck sound, so that no two hits in a row are the same samples


# What goes into the loudspeakers and into the effects unit, with its amplitude.
_MIXES: Mapping[str, Mapping[str, float]] = {
    "hall": {
        "kick": 0.5, "snare": 0.35, "bass": 0.4, "guitar a": 0.2, "guitar b": 0.2, "fiddle": 0.15,
        "voice centre": 0.5, "voice left": 0.25, "handheld": 0.4,
    },
    "effects": {"voice centre": 1.0, "voice left": 0.6, "handheld": 0.9, "snare": 0.35},
}  # fmt: skip


def _mix_of(name: str) -> str:
    return "effects" if name.startswith("effects") else name


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A song at its place in the night."""

    plan: SongPlan
    start_s: float
    length_s: float
    parts: Parts


class Sounds:
    """Makes sources by name. Each has its own random numbers, so one sounds the same whichever others are made."""

    def __init__(self, placed: Sequence[Placed], *, frames: int, rate_hz: int, seed: int) -> None:
        self._placed = placed
        self._frames = frames
        self._rate_hz = rate_hz
        self._seed = seed
        self._keys: tuple[Mono, Mono] | None = None
        self._mixes: dict[str, Mono] = {}

    def order(self, names: Iterable[str]) -> list[str]:
        """The known ones among the names and what these are mixed from, in the order in which they must be made."""
        wanted = {name for name in names if name in _INDEX}
        for mix in {_mix_of(name) for name in wanted} & set(_MIXES):
            wanted |= set(_MIXES[mix])
            self._mixes[mix] = self._empty()
        return sorted(wanted, key=_INDEX.__getitem__)

    def make(self, name: str) -> Mono:
        """float32 (frames,); what the loudspeakers and the effects give needs their parts made before, by ``order``."""
        sound = self._make(name)
        for mix, total in self._mixes.items():
            if name in _MIXES[mix]:
                total += np.float32(_MIXES[mix][name]) * sound
        return sound

    def _make(self, name: str) -> Mono:
        rng = np.random.default_rng([self._seed, 3, _INDEX[name]])
        if name in play.STRUCK:
            return _to_peak(self._struck(name, rng))
        if name.startswith(("voice", "handheld")):
            return _to_peak(self._sung(name, rng))
        if name in ("fiddle", "cello"):
            return _to_peak(self._sustained(name, rng))
        if name.startswith("keys"):
            return self._keys_side(name)
        if name.startswith("tracks"):
            return self._tracks(name)
        if name.startswith("crowd"):
            return self._crowd(rng)
        if name.startswith("effects"):
            return self._effects(rng)
        if name == "click":
            return self._click()
        if name == "timecode":
            return encode_ltc(
                start=LTC_START, rate=LTC_RATE, rate_hz=self._rate_hz, frames=self._frames, level_dbfs=0.0
            )
        if name == "hall":
            return self._hall_sound()
        return _to_peak(self._notes(name, rng))

    def _empty(self) -> Mono:
        return np.zeros(self._frames, dtype=np.float32)

    def _lay(self, out: Mono, at_s: float, sound: Mono, gain: float) -> None:
        at = round(at_s * self._rate_hz)
        n = min(len(sound), self._frames - at)
        if n > 0:
            out[at : at + n] += np.float32(gain) * sound[:n]

    def _each(self, part: str) -> Iterable[tuple[SongPlan, float, Note]]:
        for placed in self._placed:
            for note in placed.parts.get(part, ()):
                yield placed.plan, placed.start_s + note.start_s, note

    def _struck(self, name: str, rng: np.random.Generator) -> Mono:
        hits = [play.STRUCK[name](self._rate_hz, rng) for _ in range(_VARIANTS)]
        out = self._empty()
        for place, (_, at_s, note) in enumerate(self._each(name)):
            self._lay(out, at_s, hits[place % _VARIANTS], note.velocity)
        return out

    def _notes(self, name: str, rng: np.random.Generator) -> Mono:
        out = self._empty()
        known: dict[tuple[float, float, float, int], Mono] = {}
        for place, (plan, at_s, note) in enumerate(self._each(name)):
            key = (note.pitch, plan.tuning_hz, round(note.length_s, 3), place % 2)
            if key not in known:
                hz = play.frequency_hz(note.pitch, plan.tuning_hz)
                if name == "bass":
                    known[key] = play.bass_note(hz, note.length_s, self._rate_hz, rng)
                elif name in ("accordion", "harmonium"):
                    known[key] = play.reed_note(hz, note.length_s, self._rate_hz, rng)
                else:
                    bright = 0.75 if name == "guitar a" else 0.5
                    known[key] = play.pluck(hz, note.length_s, self._rate_hz, rng, bright=bright)
            self._lay(out, at_s, known[key], note.velocity)
        if name == "guitar a":  # an amplifier that is driven: rounded, never cut off flat
            out = np.tanh(1.6 * out)
        return out

    def _sustained(self, name: str, rng: np.random.Generator) -> Mono:
        out = self._empty()
        for placed in self._placed:
            frames = round((placed.length_s + 0.2) * self._rate_hz)
            notes = placed.parts.get(name, [])
            kind = "voice" if name.startswith(("voice", "handheld")) else name
            tuning = placed.plan.tuning_hz
            sound = play.sustained(notes, frames, self._rate_hz, rng, tuning_hz=tuning, kind=kind)
            self._lay(out, placed.start_s, sound, 1.0)
        return out

    def _sung(self, name: str, rng: np.random.Generator) -> Mono:
        """The songs, and what the one in the middle says between them."""
        out = self._sustained(name, rng)
        if name != "voice centre":
            return out
        for placed, after in zip(self._placed, self._placed[1:], strict=False):
            talk_s = placed.start_s + placed.length_s + (after.start_s - placed.start_s - placed.length_s) * 0.45
            room_s = after.start_s - talk_s - 0.5
            notes, at = [], 0.0
            while at < room_s - 0.3:
                length = float(rng.uniform(0.09, 0.24))
                pitch = 54.0 + float(rng.normal(0.0, 1.8)) - at
                notes.append(Note(start_s=at, length_s=length, pitch=pitch, velocity=float(rng.uniform(0.3, 0.5))))
                at += length + (float(rng.uniform(0.25, 0.5)) if rng.uniform() < 0.15 else 0.02)
            frames = max(1, round(room_s * self._rate_hz))
            spoken = play.sustained(notes, frames, self._rate_hz, rng, tuning_hz=440.0, kind="voice")
            self._lay(out, talk_s, spoken, 0.45)
        return out

    def _keys_side(self, name: str) -> Mono:
        if self._keys is None:
            rng = np.random.default_rng([self._seed, 5])
            left, right = self._empty(), self._empty()
            known: dict[tuple[float, float, float], Mono] = {}
            for plan, at_s, note in self._each("keys"):
                key = (note.pitch, plan.tuning_hz, round(note.length_s, 2))
                if key not in known:
                    hz = play.frequency_hz(note.pitch, plan.tuning_hz)
                    known[key] = play.keys_note(hz, note.length_s, self._rate_hz, rng)
                side = min(1.0, max(0.0, (note.pitch - 52.0) / 36.0))
                self._lay(left, at_s, known[key], note.velocity * float(np.cos(side * np.pi / 2) * 0.8 + 0.2))
                self._lay(right, at_s, known[key], note.velocity * float(np.sin(side * np.pi / 2) * 0.8 + 0.2))
            t = np.arange(self._frames, dtype=np.float32) / self._rate_hz
            sway = (0.15 * np.sin(2 * np.pi * 0.7 * t)).astype(np.float32)
            loudest = float(max(np.abs(left).max(), np.abs(right).max(), 1e-9)) * 1.15
            self._keys = left * (1 + sway) / loudest, right * (1 - sway) / loudest
        return self._keys[0 if name.endswith("l") else 1]

    def _tracks(self, name: str) -> Mono:
        """Shaker and pad from the computer, to the sample on the beat, digital silence elsewhere."""
        rng = np.random.default_rng([self._seed, 6, name.endswith("r")])
        out = self._empty()
        shakes = [play.shaker(self._rate_hz, rng) for _ in range(3)]
        for place, (plan, at_s, note) in enumerate(self._each("tracks")):
            if note.pitch:
                hz = play.frequency_hz(note.pitch, plan.tuning_hz)
                self._lay(out, at_s, play.pad_note(hz, note.length_s, self._rate_hz, rng), note.velocity * 0.5)
            else:
                self._lay(out, at_s, shakes[place % 3], note.velocity * 0.7)
        return _to_peak(out)

    def _click(self) -> Mono:
        out = self._empty()
        beeps = {pitch: play.click_beep(play.frequency_hz(pitch, 440.0), self._rate_hz) for pitch in (89, 96)}
        for _, at_s, note in self._each("click"):
            self._lay(out, at_s, beeps[int(note.pitch)], 1.0)
        return out

    def _crowd(self, rng: np.random.Generator) -> Mono:
        """People in front of one ambience microphone: a murmur that hushes for the songs, and applause after each."""
        quiet = np.full(self._frames, 0.006, dtype=np.float32)
        ramp = round(0.8 * self._rate_hz)
        for placed in self._placed:
            a = round(placed.start_s * self._rate_hz)
            b = round((placed.start_s + placed.length_s) * self._rate_hz)
            quiet[a:b] = 0.0015
            quiet[max(0, a - ramp) : a] = np.linspace(0.006, 0.0015, min(ramp, a), dtype=np.float32)
        out = murmur(self._frames, self._rate_hz, rng) * quiet
        ends = [placed.start_s for placed in self._placed[1:]] + [self._frames / self._rate_hz]
        for placed, end_s in zip(self._placed, ends, strict=True):
            start_s = placed.start_s + placed.length_s - 0.5
            frames = round((end_s - start_s) * 0.75 * self._rate_hz)
            self._lay(out, start_s, applause(frames, self._rate_hz, rng), 0.7)
        return out

    def _hall_sound(self) -> Mono:
        """What the loudspeakers give of the band, dull at a distance."""
        from scipy.signal import lfilter

        dull = lfilter([0.3], [1.0, -0.7], self._mixes["hall"])
        return _to_peak(dull.astype(np.float32)) * np.float32(0.35)

    def _effects(self, rng: np.random.Generator) -> Mono:
        """Reverb of the voices and the snare; the two sides have tails of their own."""
        from scipy.signal import oaconvolve

        tail = reverb_tail(self._rate_hz, rng)
        wet = oaconvolve(self._mixes["effects"], tail)[: self._frames].astype(np.float32)
        wet[np.abs(wet) < 2.0**-23] = 0.0  # the desk's own effects end in digital silence
        return _to_peak(wet)


def _to_peak(x: Mono) -> Mono:
    loudest = float(np.abs(x).max())
    return x / np.float32(loudest) if loudest else x
