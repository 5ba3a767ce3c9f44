"""Shows in memory: a small band of sixteen to twenty lines, built from real samples and from synthesis.

Real recordings are Debian's package sonic-pi-samples (CC0), resampled to 48 kHz; synthesis is ours. Every microphone
hears its neighbours (delay by distance), every analogue line has a preamp's noise, everything is rounded to 24 bits.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightreel.show.model import Role
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.take.opened import Take
from nightreel.timeline import Gap, Mark
from nightreel.units import Encoding

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
RATE_HZ = 48_000
SAMPLES = Path("/usr/share/sonic-pi/samples")


@dataclass(slots=True)
class BenchLine:
    name: str
    role: Role
    samples: F32
    partner: str = ""
    analogue: bool = True
    gain_db: float | None = 30.0


@dataclass(slots=True)
class BenchShow:
    """Lines in order, and the songs' places; faults are planted by changing ``lines`` and ``gaps``."""

    seed: int
    seconds: float
    lines: list[BenchLine]
    songs: list[tuple[float, float]]
    gaps: list[Gap] = field(default_factory=list)
    short: dict[str, int] = field(default_factory=dict)  # line name -> frames its file holds

    @property
    def frames(self) -> int:
        return len(self.lines[0].samples)

    def number(self, name: str) -> int:
        return next(k for k, line in enumerate(self.lines, 1) if line.name == name)

    def line(self, name: str) -> BenchLine:
        return next(line for line in self.lines if line.name == name)

    def take(self) -> Take:
        """The show as an open take whose files are in memory."""
        names = {line.name: k for k, line in enumerate(self.lines, 1)}
        tracks = tuple(
            Track(
                line=k,
                name=line.name,
                role=line.role,
                channel=k - 1,
                files=(TrackFile(path=f"{k:02d}", first_frame=0, frames=self.frames),),
                partner=names.get(line.partner) if line.partner else None,
                gain_db=line.gain_db,
            )
            for k, line in enumerate(self.lines, 1)
        )
        facts = TakeFacts(
            name=f"bench-{self.seed}",
            show="bench",
            rate_hz=RATE_HZ,
            encoding=Encoding.PCM24,
            started_at=datetime(2026, 11, 24, 20, tzinfo=UTC),
            frames=self.frames,
            tracks=tracks,
            state=TakeState.CLOSED,
            gaps=tuple(self.gaps),
            marks=tuple(
                Mark(frame=round(start * RATE_HZ), name=f"Song {k}", song=k)
                for k, (start, _end) in enumerate(self.songs, 1)
            ),
        )
        arrays = {
            f"{k:02d}": line.samples[: self.short.get(line.name, self.frames)] for k, line in enumerate(self.lines, 1)
        }
        return Take(Path("/nowhere"), facts, open_file=lambda path: ArrayFile(arrays[path.name]))


@dataclass(slots=True)
class ArrayFile:
    """A mono file in memory."""

    samples: F32

    @property
    def rate_hz(self) -> int:
        return RATE_HZ

    @property
    def channels(self) -> int:
        return 1

    @property
    def frames(self) -> int:
        return len(self.samples)

    def read(self, first_frame: int, frames: int) -> F32:
        return self.samples[first_frame : first_frame + frames, None]

    def close(self) -> None:
        pass


def to_24_bit(samples: F64 | F32) -> F32:
    return (np.clip(np.round(np.asarray(samples, np.float64) * 2**23), -(2**23), 2**23 - 1) / 2**23).astype(np.float32)


@cache
def sample(name: str) -> F32:
    """A mono sample at 48 kHz, peak 1."""
    import soundfile
    import soxr

    data, rate = soundfile.read(SAMPLES / f"{name}.flac", dtype="float32", always_2d=True)
    mono = data.mean(axis=1)
    mono = soxr.resample(mono, rate, RATE_HZ) if rate != RATE_HZ else mono
    return (mono / (np.abs(mono).max() + 1e-9)).astype(np.float32)


_KITS = (
    ("bd_fat", "sn_dub", "drum_cymbal_closed", "drum_cymbal_soft", "drum_tom_mid_soft"),
    ("drum_heavy_kick", "drum_snare_hard", "drum_cymbal_pedal", "drum_splash_soft", "drum_tom_lo_soft"),
    ("bd_pure", "sn_generic", "drum_cymbal_closed", "drum_cymbal_hard", "drum_tom_hi_soft"),
    ("drum_bass_hard", "drum_snare_soft", "drum_cymbal_pedal", "drum_cymbal_soft", "drum_tom_mid_hard"),
)
_GUITARS = ("guit_em9", "guit_e_fifths", "guit_harmonics", "guit_e_slide")
_LOOPS = ("loop_garzul", "loop_safari", "loop_tabla", "loop_mehackit1", "loop_perc1", "loop_electric")
_AMBIENCES = ("ambi_sauna", "ambi_choir", "ambi_piano", "ambi_glass_rub")


def make_show(seed: int, seconds: float = 96.0) -> BenchShow:
    """A healthy show; the same seed gives the same samples."""
    rng = np.random.default_rng([seed, 7])
    n = int(seconds * RATE_HZ)
    songs = _songs(rng, seconds)
    bpm = rng.uniform(84, 142)
    kit = _KITS[seed % len(_KITS)]
    on = np.zeros(n, np.float32)
    for start, end in songs:
        on[int(start * RATE_HZ) : int(end * RATE_HZ)] = 1.0
    beats = [t for start, end in songs for t in np.arange(start + 0.2, end - 1.5, 60 / bpm)]
    drums = _drums(rng, n, beats, 60 / bpm, kit)
    bass = _bass(rng, n, songs, 60 / bpm)
    guitar = _guitar(rng, n, songs, 60 / bpm)
    keys_l, keys_r = _keys(rng, n, songs, 60 / bpm)
    voice = _voice(rng, n, songs)
    voice2 = _voice(rng, n, songs[1:2], base_hz=220.0)
    flute = _flute(rng, n, songs[-1:])
    loop = _looped(rng, n, songs, rng.choice(_LOOPS))
    room = _looped(rng, n, [(0.0, seconds)], rng.choice(_AMBIENCES)) * 0.3 + _applause(rng, n, songs) * 0.4
    click = _click(n, [(s - 1.0, e) for s, e in songs[:2]], 60 / bpm)

    sources = {
        "kick": drums["kick"], "snare": drums["snare"], "hat": drums["hat"], "cymbal": drums["cymbal"],
        "tom": drums["tom"], "bass": bass * 0.5, "guitar": guitar, "voice": voice, "voice2": voice2, "flute": flute,
        "pa": (voice * 0.5 + loop * 0.3 + keys_l * 0.3),
    }  # fmt: skip

    def mic(
        main: dict[str, tuple[float, float]], peak_db: float, noise_db: float = -84.0, bleed_db: float = -26.0
    ) -> F32:
        """``main`` source -> (gain, metres); everything else bleeds in from two to five metres."""
        out = np.zeros(n, np.float64)
        for name, (gain, metres) in main.items():
            out += gain * _delayed(sources[name], metres)
        out = _coloured(rng, out)
        top = np.abs(out).max() + 1e-9
        for name, source in sources.items():
            if name not in main and np.abs(source).max() > 0:
                level = 10 ** ((bleed_db + rng.uniform(-8, 3)) / 20) * top / (np.abs(source).max() + 1e-9)
                out += level * _delayed(source, rng.uniform(1.5, 5.0))
        out *= 10 ** (peak_db / 20) / (np.abs(out).max() + 1e-9)
        return to_24_bit(out + _noise(rng, n, noise_db))

    def peak() -> float:
        return float(rng.uniform(-17, -7))

    kick_in = mic({"kick": (1.0, 0.05)}, peak(), bleed_db=-34)
    lines = [
        BenchLine("Kick In", Role.MIC, kick_in),
        BenchLine("Kick Out", Role.MIC, mic({"kick": (1.0, 0.45)}, peak(), bleed_db=-24)),
        BenchLine("Snare Top", Role.MIC, mic({"snare": (1.0, 0.05), "hat": (0.08, 0.4), "kick": (0.08, 0.6)}, peak())),
        BenchLine("Hi-hat", Role.MIC, mic({"hat": (1.0, 0.1), "snare": (0.15, 0.5), "cymbal": (0.3, 0.9)}, peak())),
        BenchLine("Tom", Role.MIC, mic({"tom": (1.0, 0.08), "snare": (0.1, 0.5)}, peak())),
    ]
    for side, shift in (("L", 0.0), ("R", 0.25)):
        over = {
            "kick": (0.35, 1.3 + shift), "snare": (0.7, 1.1 + shift), "hat": (0.5, 0.9 + 2 * shift),
            "cymbal": (1.0, 1.2 - shift), "tom": (0.5, 1.1),
        }  # fmt: skip
        lines.append(BenchLine(f"Overhead {side}", Role.MIC, mic(over, peak() if side == "L" else -12.0, bleed_db=-20),
                               partner=f"Overhead {'R' if side == 'L' else 'L'}"))  # fmt: skip
    bass_gain = 10 ** (peak() / 20)
    lines += [
        BenchLine("Bass DI", Role.DIRECT, to_24_bit(_norm(bass) * bass_gain + _noise(rng, n, -88))),
        BenchLine("Bass Mic", Role.MIC, mic({"bass": (1.0, 0.3)}, peak(), bleed_db=-30)),
        BenchLine("Guitar", Role.MIC, mic({"guitar": (1.0, 0.05)}, peak(), bleed_db=-32)),
        BenchLine("Keys L", Role.DIRECT, to_24_bit(_norm(keys_l) * 0.25 + _noise(rng, n, -90)), partner="Keys R"),
        BenchLine("Keys R", Role.DIRECT, to_24_bit(_norm(keys_r) * 0.25 + _noise(rng, n, -90)), partner="Keys L"),
        BenchLine("Lead Vocal", Role.WIRELESS, mic({"voice": (1.0, 0.03)}, peak(), bleed_db=-28)),
        BenchLine("Backing Vocal", Role.MIC, mic({"voice2": (1.0, 0.03)}, peak(), bleed_db=-30)),
        BenchLine("Flute", Role.MIC, mic({"flute": (1.0, 0.2)}, peak(), bleed_db=-30)),
        BenchLine("Loop", Role.PLAYBACK, to_24_bit(_norm(loop) * 0.3), analogue=False),
        BenchLine("Click", Role.CLICK, to_24_bit(click * 0.3), analogue=False),
        BenchLine("Timecode", Role.TIMECODE, to_24_bit(_ltc(n) * 0.2), analogue=False),
        BenchLine("Talkback", Role.TALKBACK, to_24_bit(_noise(rng, n, -82))),
        BenchLine("Ambience", Role.AMBIENCE, to_24_bit(_norm(room + _delayed(sources["pa"], 12) * 0.05)
                                                       * 10 ** (rng.uniform(-44, -20) / 20) + _noise(rng, n, -86))),
    ]  # fmt: skip
    return BenchShow(seed=seed, seconds=seconds, lines=lines, songs=songs)


def _songs(rng: np.random.Generator, seconds: float) -> list[tuple[float, float]]:
    pause = rng.uniform(3, 6)
    length = (seconds - 4 * pause) / 3
    return [(pause + k * (length + pause), pause + k * (length + pause) + length) for k in range(3)]


def _noise(rng: np.random.Generator, n: int, level_db: float) -> F64:
    return rng.standard_normal(n) * 10 ** (level_db / 20)


def _norm(x: F32 | F64) -> F64:
    return np.asarray(x, np.float64) / (np.abs(x).max() + 1e-9)


def _coloured(rng: np.random.Generator, x: F64) -> F64:
    """A microphone's own response: two broad bells of a few decibels, and a roll-off somewhere."""
    import scipy.signal

    for _ in range(2):
        hz, gain = float(np.exp(rng.uniform(np.log(90), np.log(7000)))), float(rng.uniform(-6, 6))
        b, a = scipy.signal.iirpeak(hz, 0.9, fs=RATE_HZ)
        x = x + (10 ** (gain / 20) - 1) * scipy.signal.lfilter(b, a, x)
    sos = scipy.signal.butter(1, rng.uniform(6000, 15000), fs=RATE_HZ, output="sos")
    return np.asarray(scipy.signal.sosfilt(sos, x))


def _delayed(x: F32, metres: float) -> F32:
    frames = round(metres / 343.2 * RATE_HZ)
    out = np.zeros_like(x)
    out[frames:] = x[: len(x) - frames] if frames else x
    return out


def _place(out: F32, at_s: float, what: F32, gain: float) -> None:
    at = round(at_s * RATE_HZ)
    end = min(len(out), at + len(what))
    if 0 <= at < end:
        out[at:end] += np.float32(gain) * what[: end - at]


def _drums(rng: np.random.Generator, n: int, beats: list[float], beat_s: float, kit: tuple[str, ...]) -> dict[str, F32]:
    out = {name: np.zeros(n, np.float32) for name in ("kick", "snare", "hat", "cymbal", "tom")}
    kick, snare, hat, cymbal, tom = (sample(name) for name in kit)
    for k, t in enumerate(beats):
        jitter = rng.normal(0, 0.004)
        vel = rng.uniform(0.6, 1.0)
        if k % 4 in (0, 2) or rng.random() < 0.15:
            _place(out["kick"], t + jitter, kick, vel)
        if k % 4 in (1, 3):
            _place(out["snare"], t + jitter, snare, vel)
        for half in (0.0, 0.5):
            _place(out["hat"], t + half * beat_s + rng.normal(0, 0.004), hat, rng.uniform(0.3, 1.0))
        if k % 16 == 0:
            _place(out["cymbal"], t, cymbal, rng.uniform(0.7, 1.0))
        if k % 8 == 7:
            for step in range(3):
                _place(out["tom"], t + step * beat_s / 3, tom, rng.uniform(0.5, 1.0))
    return out


def _bass(rng: np.random.Generator, n: int, songs: list[tuple[float, float]], beat_s: float) -> F32:
    """Plucked notes with a few harmonics; one of the roots is G at 98 Hz, one a note on exactly 100 Hz."""
    roots = [55.0, 100.0, 73.42, 98.0, 41.2, 50.0]
    out = np.zeros(n, np.float32)
    for start, end in songs:
        t = start + 0.2
        while t < end - 2:
            base = roots[int(rng.integers(len(roots)))]
            length = beat_s * float(rng.choice([1, 2, 4]))
            x = np.arange(int(length * RATE_HZ)) / RATE_HZ
            env = np.minimum(x / 0.006, 1) * np.exp(-x * rng.uniform(0.4, 2.0)) * np.clip((length - x) / 0.03, 0, 1)
            tone = sum(np.sin(2 * np.pi * base * h * x + rng.uniform(0, 6)) / h**1.4 for h in range(1, 9))
            _place(out, t, (tone * env).astype(np.float32), rng.uniform(0.6, 1.0))
            t += length
    return out


def _guitar(rng: np.random.Generator, n: int, songs: list[tuple[float, float]], beat_s: float) -> F32:
    """Real guitar in some songs, and in others a heavily distorted one through a loudspeaker's low-pass: not
    clipping."""
    import scipy.signal

    out = np.zeros(n, np.float32)
    for k, (start, end) in enumerate(songs):
        if k % 2 == 0:
            what = sample(_GUITARS[int(rng.integers(len(_GUITARS)))])
            for t in np.arange(start, end - 3, max(2.0, beat_s * 4)):
                _place(out, float(t), what, rng.uniform(0.6, 1.0))
            continue
        length = int((end - start) * RATE_HZ)
        x = np.arange(length) / RATE_HZ
        raw = np.zeros(length)
        for t in np.arange(0.2, end - start - 2, beat_s * 2):
            base = float(rng.choice([82.41, 110.0, 146.83, 98.0]))
            y = x[int(t * RATE_HZ) : int((t + beat_s * 1.9) * RATE_HZ)] - t
            for ratio in (1.0, 1.5, 2.0):
                raw[int(t * RATE_HZ) : int(t * RATE_HZ) + len(y)] += np.sin(2 * np.pi * base * ratio * y) * np.exp(
                    -y * 1.2
                )
        driven = np.tanh(raw * 8)
        sos = scipy.signal.butter(4, [90, 4500], btype="band", fs=RATE_HZ, output="sos")
        _place(out, start, (scipy.signal.sosfilt(sos, driven) * 0.5).astype(np.float32), 1.0)
    return out


def _keys(rng: np.random.Generator, n: int, songs: list[tuple[float, float]], beat_s: float) -> tuple[F32, F32]:
    """Chords; stereo by a slow pan in most shows, mono keys (each side with its own noise) in the others."""
    mono = rng.random() < 0.35
    out = np.zeros((n, 2), np.float32)
    for start, end in songs:
        for t in np.arange(start + 0.1, end - 3, beat_s * 4):
            root = float(rng.choice([130.81, 146.83, 174.61, 196.0]))
            x = np.arange(int(beat_s * 3.8 * RATE_HZ)) / RATE_HZ
            env = np.minimum(x / 0.01, 1) * np.exp(-x * 0.7) * np.clip((x[-1] - x) / 0.08, 0, 1)
            for k, ratio in enumerate((1.0, 1.26, 1.498, 2.0)):
                tone = sum(np.sin(2 * np.pi * root * ratio * h * x) / h**2 for h in (1, 2, 3)) * env
                pan = 0.5 if mono else 0.2 + 0.2 * k
                _place(out[:, 0], float(t), tone.astype(np.float32), 1 - pan)
                _place(out[:, 1], float(t), tone.astype(np.float32), pan)
    return out[:, 0].copy(), out[:, 1].copy()


def _voice(rng: np.random.Generator, n: int, songs: list[tuple[float, float]], base_hz: float = 140.0) -> F32:
    """A pulse train with vibrato through moving formants, in phrases with breath."""
    import scipy.signal

    out = np.zeros(n, np.float32)
    for start, end in songs:
        t = start + 1.0
        while t < end - 4:
            length = float(rng.uniform(1.0, 3.2))
            x = np.arange(int(length * RATE_HZ)) / RATE_HZ
            pitch = base_hz * 2 ** (rng.integers(-3, 8) / 12)
            vibrato = pitch * (1 + 0.012 * np.sin(2 * np.pi * 5.4 * x) * np.minimum(x / 0.5, 1))
            phase = np.cumsum(vibrato) / RATE_HZ
            # the folds close in about a fifth of a millisecond: a pulse is no single sample
            pulses = (
                np.convolve(np.diff(np.floor(phase), prepend=0.0), np.hanning(15), mode="same")
                + rng.standard_normal(len(x)) * 0.01
            )
            y = np.zeros(len(x))
            for hz, width in (
                (rng.uniform(400, 800), 90),
                (rng.uniform(900, 1900), 130),
                (rng.uniform(2300, 3000), 200),
            ):
                b, a = scipy.signal.iirpeak(hz, hz / width, fs=RATE_HZ)
                y += scipy.signal.lfilter(b, a, pulses)
            env = np.minimum(x / 0.05, 1) * np.clip((length - x) / 0.15, 0, 1)
            y = _norm(y) * env
            s_at = int(rng.integers(0, max(1, len(x) - 6000)))
            y[s_at : s_at + 5000] += rng.standard_normal(len(y[s_at : s_at + 5000])) * 0.03
            _place(out, t, y.astype(np.float32), rng.uniform(0.5, 1.0))
            t += length + float(rng.uniform(0.3, 1.2))
    return out


def _flute(rng: np.random.Generator, n: int, songs: list[tuple[float, float]]) -> F32:
    """A line used in one song only: long, nearly pure tones (the trap for feedback)."""
    out = np.zeros(n, np.float32)
    for start, end in songs:
        t = start + 1
        while t < end - 4:
            length = float(rng.uniform(0.6, 2.5))
            x = np.arange(int(length * RATE_HZ)) / RATE_HZ
            hz = 523.25 * 2 ** (rng.integers(0, 14) / 12)
            phase = 2 * np.pi * np.cumsum(hz * (1 + 0.004 * np.sin(2 * np.pi * 5 * x))) / RATE_HZ
            env = np.minimum(x / 0.06, 1) * np.clip((length - x) / 0.1, 0, 1) * (1 + 0.12 * np.sin(2 * np.pi * 5 * x))
            tone = (
                np.sin(phase) + 0.12 * np.sin(2 * phase) + 0.05 * np.sin(3 * phase) + rng.standard_normal(len(x)) * 0.02
            )
            _place(out, t, (tone * env).astype(np.float32), rng.uniform(0.5, 0.9))
            t += length + 0.15
    return out


def _looped(rng: np.random.Generator, n: int, spans: list[tuple[float, float]], name: str) -> F32:
    out = np.zeros(n, np.float32)
    what = sample(str(name))
    for start, end in spans:
        t = start
        while t < end:
            cut = what[: max(0, round((end - t) * RATE_HZ))]
            _place(out, t, cut, 1.0)
            t += len(what) / RATE_HZ
    return out


def _applause(rng: np.random.Generator, n: int, songs: list[tuple[float, float]]) -> F32:
    out = np.zeros(n, np.float32)
    for _start, end in songs:
        length = int(2.5 * RATE_HZ)
        x = np.arange(length) / RATE_HZ
        body = rng.standard_normal(length) * np.minimum(x / 0.4, 1) * np.exp(-x)
        _place(out, end - 0.5, body.astype(np.float32), 0.3)
    return out


def _click(n: int, songs: list[tuple[float, float]], beat_s: float) -> F32:
    """Short tone bursts with digital silence between them."""
    out = np.zeros(n, np.float32)
    x = np.arange(int(0.03 * RATE_HZ)) / RATE_HZ
    burst = (np.sin(2 * np.pi * 1000 * x) * np.exp(-x * 60)).astype(np.float32)
    for start, end in songs:
        for t in np.arange(max(start, 0), end, beat_s):
            _place(out, float(t), burst, 1.0)
    return out


def ltc_bits(frame_number: int, rate: int = 25) -> list[int]:
    """The 80 bits of one timecode frame (SMPTE ST 12-1), user bits zero."""
    seconds, frame = divmod(frame_number, rate)
    minutes, s = divmod(seconds, 60)
    h, m = divmod(minutes, 60)
    bits = [0] * 80
    for at, value, width in (
        (0, frame % 10, 4), (8, frame // 10, 2), (16, s % 10, 4), (24, s // 10, 3), (32, m % 10, 4), (40, m // 10, 3),
        (48, h % 10, 4), (56, h // 10, 2),
    ):  # fmt: skip
        for k in range(width):
            bits[at + k] = value >> k & 1
    bits[64:80] = [0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 1]
    if bits.count(0) % 2:
        bits[59 if rate == 25 else 27] = 1
    return bits


def ltc_samples(numbers: list[int], rate: int = 25) -> F32:
    """Biphase mark at 48 kHz: a change at each bit, one more in the middle of a one."""
    half = RATE_HZ // rate // 160
    halves = []
    level = 1.0
    for number in numbers:
        for bit in ltc_bits(number, rate):
            level = -level
            halves.append(level)
            if bit:
                level = -level
            halves.append(level)
    return np.repeat(np.array(halves, np.float32), half)


def _ltc(n: int) -> F32:
    import scipy.signal

    first = 20 * 3600 * 25
    raw = ltc_samples(list(range(first, first + n // 1920 + 1)))[:n]
    return scipy.signal.sosfilt(scipy.signal.butter(2, 9000, fs=RATE_HZ, output="sos"), raw).astype(np.float32)
