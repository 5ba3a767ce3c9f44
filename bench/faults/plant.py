"""Faults with random place and severity, and what the review must say about each.

Every fault documents the severity from which it counts; what is planted lies at or above it. ``kinds`` are the codes of
findings that count as a hit when they name one of ``lines`` (for faults of the whole take: any).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from bench.faults.shows import F32, RATE_HZ, BenchShow, ltc_samples, to_24_bit
from nightreel.timeline import Gap, GapCause


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """One planted fault: ``size`` is its severity in ``unit``."""

    fault: str
    kinds: frozenset[str]
    lines: tuple[int, ...]
    size: float
    unit: str
    names: tuple[str, ...]  # lines it touched, so that no other fault goes there


Plant = Callable[[BenchShow, np.random.Generator, "list[str]"], Planted | None]
MICS = ("Kick In", "Snare Top", "Tom", "Bass Mic", "Guitar", "Backing Vocal", "Hi-hat", "Kick Out")
ANALOGUE = ("Kick In", "Bass DI", "Guitar", "Keys L", "Lead Vocal", "Backing Vocal", "Snare Top", "Tom")
STEADY = ("Kick In", "Snare Top", "Guitar", "Bass DI", "Bass Mic", "Lead Vocal", "Hi-hat")


def _pick(rng: np.random.Generator, free: list[str], names: tuple[str, ...]) -> str | None:
    options = [name for name in names if name in free]
    return str(rng.choice(options)) if options else None


def _told(show: BenchShow, fault: str, kinds: str, names: tuple[str, ...], size: float, unit: str) -> Planted:
    return Planted(
        fault=fault, kinds=frozenset(kinds.split()), lines=tuple(show.number(n) for n in names), size=float(size),
        unit=unit, names=names,
    )  # fmt: skip


def _loud_places(x: F32, rng: np.random.Generator, count: int, apart_s: float = 1.0) -> list[int]:
    """Frames inside loud passages, some distance apart, away from the ends."""
    cell = RATE_HZ // 20
    rms = np.sqrt(np.mean(x[: len(x) // cell * cell].reshape(-1, cell) ** 2, axis=1))
    loud = np.flatnonzero(rms > np.quantile(rms, 0.75))
    loud = loud[(loud > 40) & (loud < len(rms) - 40)]
    places: list[int] = []
    for cell_number in rng.permutation(loud):
        at = int(cell_number) * cell + int(rng.integers(cell))
        if all(abs(at - other) > apart_s * RATE_HZ for other in places):
            places.append(at)
        if len(places) == count:
            break
    return sorted(places)


def gap(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Samples of every line that never arrived, stated by the take; from 1 ms on."""
    frames = int(RATE_HZ * 10 ** rng.uniform(-3, 0.3))
    first = int(rng.integers(RATE_HZ * 5, show.frames - RATE_HZ * 5))
    show.gaps.append(Gap(first_frame=first, frames=frames, cause=GapCause.NETWORK_LOSS))
    for line in show.lines:
        line.samples[first : first + frames] = 0
    return Planted(fault="gap", kinds=frozenset({"gap"}), lines=(), size=frames / 48, unit="ms", names=())


def short_file(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A file that ends early; from 10 ms on."""
    name = _pick(rng, free, MICS)
    if name is None:
        return None
    missing = int(RATE_HZ * 10 ** rng.uniform(-2, 1))
    show.short[name] = show.frames - missing
    show.line(name).samples[show.frames - missing :] = 0
    return _told(show, "short file", "file-short", (name,), missing / RATE_HZ, "s")


def zeroed_block(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A block of zeros inside the programme that nobody lists; from 2 ms on."""
    name = _pick(rng, free, (*MICS, "Keys L", "Bass DI"))
    if name is None:
        return None
    x = show.line(name).samples
    places = _loud_places(x, rng, int(rng.integers(1, 4)))
    frames = int(RATE_HZ * rng.uniform(0.002, 0.2))
    for at in places:
        x[at : at + frames] = 0
    return _told(show, "zeroed block", "zeroed-block", (name,), frames / 48, "ms")


def repeated_block(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A buffer delivered twice; from 64 frames on."""
    name = _pick(rng, free, (*MICS, "Bass DI"))
    if name is None:
        return None
    x = show.line(name).samples
    block = int(rng.choice([64, 128, 256, 512, 1024, 240]))
    for at in _loud_places(x, rng, int(rng.integers(1, 5))):
        at = at // block * block
        x[at : at + block] = x[at - block : at].copy()
    return _told(show, "repeated block", "repeated-block", (name,), block, "frames")


def slipped(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """One line loses samples once and runs ahead of the others from there on; from 32 frames on, on lines with
    bleed."""
    name = _pick(rng, free, ("Kick In", "Kick Out", "Snare Top", "Overhead L", "Bass Mic"))
    if name is None:
        return None
    x = show.line(name).samples
    lost = int(rng.integers(32, 480))
    at = _loud_places(x[RATE_HZ * 20 : -RATE_HZ * 30], rng, 1)[0] + RATE_HZ * 20
    x[at:-lost] = x[at + lost :].copy()
    x[-lost:] = to_24_bit(rng.standard_normal(lost) * 1e-4)
    return _told(show, "dropped samples", "slipped", (name,), lost, "frames")


def clock_clicks(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A clock that is not locked: a sample dropped or doubled every so often on a digital pair; from 10 times on."""
    names = ("Keys L", "Keys R") if "Keys L" in free and "Keys R" in free else None
    if names is None:
        return None
    every = int(RATE_HZ * rng.uniform(0.8, 6.0))
    count = 0
    for at in range(every, show.frames - RATE_HZ, every):
        count += 1
        for name in names:
            x = show.line(name).samples
            step = int(rng.integers(4, 24))
            x[at : at + every] = np.roll(x, -step)[at : at + every] if count % 2 else x[at : at + every]
    return _told(show, "clock clicks", "clock-clicks slipped", names, count, "clicks")


def dead_noise(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Nothing plugged in: the preamp's noise only."""
    name = _pick(rng, free, MICS)
    if name is None:
        return None
    level = float(rng.uniform(-95, -66))
    show.line(name).samples[:] = to_24_bit(rng.standard_normal(show.frames) * 10 ** (level / 20))
    return _told(show, "dead line, noise", "dead-line", (name,), level, "dBFS")


def dead_zero(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Digital silence from start to end."""
    name = _pick(rng, free, (*MICS, "Bass DI", "Ambience"))
    if name is None:
        return None
    show.line(name).samples[:] = 0
    return _told(show, "dead line, zeros", "dead-line", (name,), 0, "")


def went_silent(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Unplugged in the course of the show, never to come back; at least a minute before the end."""
    name = _pick(rng, free, ("Kick In", "Snare Top", "Hi-hat", "Bass Mic", "Kick Out"))
    if name is None:
        return None
    at_s = float(rng.uniform(12, show.seconds - 66))
    at = int(at_s * RATE_HZ)
    show.line(name).samples[at:] = to_24_bit(rng.standard_normal(show.frames - at) * 10 ** (-88 / 20))
    return _told(show, "went silent", "went-silent", (name,), show.seconds - at_s, "s")


def crackle(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A bad contact: bursts of crackle at or above -40 dBFS."""
    name = _pick(rng, free, STEADY)
    if name is None:
        return None
    x = show.line(name).samples
    level = float(rng.uniform(-30, -10))
    for at in _loud_places(x, rng, int(rng.integers(2, 6)), 4.0):
        for _ in range(int(rng.integers(6, 30))):
            place = at + int(rng.integers(0, RATE_HZ // 2))
            length = int(rng.integers(1, 200))
            if place + length < len(x):
                decay = np.exp(-np.arange(length) / (length / 3 + 1)) * rng.choice([-1, 1])
                x[place : place + length] += (decay * 10 ** (level / 20) * rng.uniform(0.4, 1)).astype(np.float32)
    show.line(name).samples[:] = to_24_bit(x)
    return _told(show, "crackle", "crackle", (name,), level, "dBFS")


def short_outs(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A cable that opens for moments: the signal is gone for 10 to 300 ms, the preamp's noise stays; from 3 times
    on."""
    name = _pick(rng, free, ("Bass DI", "Bass Mic", "Guitar", "Snare Top", "Lead Vocal"))
    if name is None:
        return None
    x = show.line(name).samples
    places = _loud_places(x, rng, int(rng.integers(3, 8)), 2.0)
    for at in places:
        frames = int(RATE_HZ * rng.uniform(0.01, 0.3))
        x[at : at + frames] = to_24_bit(rng.standard_normal(frames) * 10 ** (-86 / 20))
    return _told(show, "short outs", "crackle wireless-mutes", (name,), len(places), "outs")


def wireless_mutes(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A wireless receiver mutes while the voice is in use: 20 ms to 1 s; from 2 times on."""
    if "Lead Vocal" not in free:
        return None
    x = show.line("Lead Vocal").samples
    places = _loud_places(x, rng, int(rng.integers(2, 8)), 2.0)
    for at in places:
        frames = int(RATE_HZ * rng.uniform(0.02, 1.0))
        frames = min(frames, len(x) - at)
        fade = np.minimum(np.arange(frames) / 24, 1)
        x[at : at + frames] = to_24_bit(x[at : at + frames] * np.maximum(1 - fade, 3e-4))
    return _told(show, "wireless mutes", "wireless-mutes", ("Lead Vocal",), len(places), "mutes")


def _mains(rng: np.random.Generator, n: int, base: float, level_db: float, harmonics: dict[int, float]) -> np.ndarray:
    base *= 1 + rng.uniform(-0.0015, 0.0015)
    t = np.arange(n) / RATE_HZ
    out = sum(a * np.sin(2 * np.pi * base * h * t + rng.uniform(0, 6)) for h, a in harmonics.items())
    return np.asarray(out / np.sqrt(np.mean(out**2)) * 10 ** (level_db / 20))


def _hum(
    show: BenchShow, rng: np.random.Generator, free: list[str], base: float, name: str, harmonics: dict[int, float]
) -> Planted | None:
    line = _pick(rng, free, ANALOGUE)
    if line is None:
        return None
    level = float(rng.uniform(-60, -38))
    x = show.line(line).samples
    hum = _mains(rng, len(x), base, level, harmonics)
    if rng.random() < 0.3:  # from some moment on
        hum[: int(len(x) * rng.uniform(0.2, 0.5))] = 0
    show.line(line).samples[:] = to_24_bit(x + hum)
    return _told(show, name, "hum", (line,), level, "dBFS")


def hum_50(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Hum at 50 Hz and harmonics; from -60 dBFS on."""
    return _hum(show, rng, free, 50, "hum 50 Hz", {1: 1.0, 2: 0.4, 3: 0.5, 5: 0.2, 7: 0.1})


def hum_60(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Hum at 60 Hz and harmonics; from -60 dBFS on."""
    return _hum(show, rng, free, 60, "hum 60 Hz", {1: 1.0, 2: 0.5, 3: 0.5, 4: 0.2, 7: 0.1})


def buzz(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Rectifier buzz on 100 Hz and its harmonics; from -60 dBFS on."""
    return _hum(show, rng, free, 50, "buzz", {2 * k: 1 / k**0.6 for k in range(1, 12)})


def offset(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A constant offset; from 0.4 % of full scale on."""
    name = _pick(rng, free, (*MICS, "Keys L", "Bass DI"))
    if name is None:
        return None
    size = float(rng.uniform(0.004, 0.05) * rng.choice([-1, 1]))
    show.line(name).samples[:] = to_24_bit(show.line(name).samples + size)
    return _told(show, "offset (DC)", "offset", (name,), abs(size) * 100, "%")


def noise(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Hiss of a faulty preamp or microphone; from -58 dBFS on."""
    name = _pick(rng, free, ("Kick In", "Guitar", "Bass DI", "Keys L", "Lead Vocal", "Backing Vocal", "Tom"))
    if name is None:
        return None
    level = float(rng.uniform(-58, -42))
    x = show.line(name).samples
    show.line(name).samples[:] = to_24_bit(x + rng.standard_normal(len(x)) * 10 ** (level / 20))
    return _told(show, "noise", "noise", (name,), level, "dBFS")


def overs(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Digital full scale; from 3 runs of 3 samples on."""
    name = _pick(rng, free, MICS)
    if name is None:
        return None
    x = show.line(name).samples.astype(np.float64)
    boost = float(rng.uniform(3, 12))
    x *= 10 ** (boost / 20) / np.abs(x).max()
    show.line(name).samples[:] = to_24_bit(x)
    return _told(show, "overs", "overs", (name,), boost, "dB over")


def clipped_before(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """An analogue stage clips below full scale; from 2 dB over on."""
    name = _pick(rng, free, tuple(n for n in ANALOGUE if n != "Keys L"))
    if name is None:
        return None
    x = show.line(name).samples.astype(np.float64)
    over = float(rng.uniform(2, 10))
    ceiling = 10 ** (rng.uniform(-16, -3) / 20)
    x *= ceiling * 10 ** (over / 20) / np.abs(x).max()
    x = np.clip(x, -ceiling * rng.uniform(0.97, 1.0), ceiling)
    show.line(name).samples[:] = to_24_bit(x + rng.standard_normal(len(x)) * 10 ** (-86 / 20))
    return _told(show, "analogue clipping", "clipped-before-converter", (name,), over, "dB over")


def too_low(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A pad left in, or a preamp far too low: highest peak under -38 dBFS."""
    name = _pick(rng, free, (*MICS, "Bass DI"))
    if name is None:
        return None
    peak = float(rng.uniform(-54, -38))
    x = show.line(name).samples.astype(np.float64)
    x = x / np.abs(x).max() * 10 ** (peak / 20) + rng.standard_normal(len(x)) * 10 ** (-90 / 20)
    show.line(name).samples[:] = to_24_bit(x)
    return _told(show, "too low", "too-low", (name,), peak, "dBFS peak")


def gain_moved(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """The preamp is turned in mid-show; from 4 dB on."""
    name = _pick(rng, free, ("Kick In", "Kick Out", "Snare Top", "Hi-hat", "Bass DI", "Bass Mic", "Overhead L"))
    if name is None:
        return None
    change = float(rng.uniform(4, 10) * rng.choice([-1, 1]))
    at = int(show.frames * rng.uniform(0.3, 0.7))
    x = show.line(name).samples.astype(np.float64)
    x[at:] *= 10 ** (change / 20)
    x *= min(1.0, 10 ** (-2 / 20) / np.abs(x).max())
    show.line(name).samples[:] = to_24_bit(x)
    return _told(show, "gain moved", "gain-moved", (name,), abs(change), "dB")


def feedback(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """A loop rings: a tone that grows, stands and is pulled down; from -30 dBFS and 0.8 s on."""
    name = _pick(rng, free, ("Lead Vocal", "Backing Vocal", "Flute", "Overhead L"))
    if name is None:
        return None
    x = show.line(name).samples
    hz = float(np.exp(rng.uniform(np.log(250), np.log(5000))))
    level = float(rng.uniform(-26, -10))
    grow, stand = rng.uniform(0.6, 2.0), rng.uniform(0.5, 2.5)
    t = np.arange(int((grow + stand + 0.3) * RATE_HZ)) / RATE_HZ
    env = np.where(t < grow, 10 ** ((t - grow) / grow * 60 / 20), 1.0)
    env = np.where(t > grow + stand, np.exp(-(t - grow - stand) * 25), env)
    at = int(rng.uniform(0.15, 0.8) * show.frames)
    tone = env * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6)) * 10 ** (level / 20) * 2**0.5
    x[at : at + len(t)] += tone.astype(np.float32)
    show.line(name).samples[:] = to_24_bit(x)
    return _told(show, "feedback", "feedback", (name,), level, "dBFS")


def same_signal(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """One send patched twice, bit for bit."""
    name = _pick(rng, free, ("Tom", "Guitar", "Backing Vocal"))
    other = _pick(rng, [f for f in free if f != name], ("Kick In", "Snare Top", "Bass DI", "Lead Vocal"))
    if name is None or other is None:
        return None
    show.line(name).samples[:] = show.line(other).samples
    return _told(show, "same signal", "same-signal", (name, other), 0, "dB")


def same_signal_changed(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """The same signal with another gain and delay, and its own noise."""
    name = _pick(rng, free, ("Tom", "Guitar", "Backing Vocal"))
    other = _pick(rng, [f for f in free if f != name], ("Kick In", "Snare Top", "Bass DI", "Lead Vocal"))
    if name is None or other is None:
        return None
    gain, delay = float(rng.uniform(-12, 3)), int(rng.integers(0, 4800))
    y = np.roll(show.line(other).samples.astype(np.float64), delay)
    y[:delay] = 0
    y = y * 10 ** (gain / 20) + rng.standard_normal(len(y)) * 10 ** (-88 / 20)
    show.line(name).samples[:] = to_24_bit(y)
    return _told(show, "same signal, delayed", "same-signal", (name, other), delay / 48, "ms")


def stereo_identical(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Both sides of a pair carry the same samples."""
    if not {"Overhead L", "Overhead R"} <= set(free):
        return None
    show.line("Overhead R").samples[:] = show.line("Overhead L").samples
    return _told(show, "stereo identical", "stereo-identical", ("Overhead L", "Overhead R"), 0, "")


def stereo_one_sided(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """One side of a pair far down or missing; from 18 dB on."""
    pair = ("Overhead L", "Overhead R") if rng.random() < 0.5 else ("Keys L", "Keys R")
    if not set(pair) <= set(free):
        return None
    down = float(rng.uniform(18, 70))
    x = show.line(pair[1]).samples.astype(np.float64) * 10 ** (-down / 20)
    show.line(pair[1]).samples[:] = to_24_bit(x + rng.standard_normal(len(x)) * 10 ** (-88 / 20))
    return _told(show, "stereo one-sided", "stereo-one-sided dead-line", pair, down, "dB")


def stereo_reversed(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """One side of a pair with its polarity reversed."""
    pair = ("Overhead L", "Overhead R") if rng.random() < 0.5 else ("Keys L", "Keys R")
    if not set(pair) <= set(free):
        return None
    show.line(pair[1]).samples[:] = -show.line(pair[1]).samples
    return _told(show, "stereo reversed", "stereo-polarity", pair, 0, "")


def stereo_delayed(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """One side of an electric pair late; from 0.5 ms on."""
    pair = ("Keys L", "Keys R")
    if not set(pair) <= set(free):
        return None
    delay = int(rng.integers(24, 960))
    x = np.roll(show.line(pair[1]).samples, delay)
    x[:delay] = 0
    show.line(pair[1]).samples[:] = x
    return _told(show, "stereo delayed", "stereo-delayed", pair, delay / 48, "ms")


def polarity(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Two microphones on one source with opposite polarity."""
    pair = ("Kick In", "Kick Out") if rng.random() < 0.6 else ("Bass DI", "Bass Mic")
    if not set(pair) <= set(free):
        return None
    show.line(pair[1]).samples[:] = -show.line(pair[1]).samples
    return _told(show, "polarity", "polarity", pair, 0, "")


def swapped(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Two lines whose names and signals do not belong together."""
    pairs = [("Kick In", "Hi-hat"), ("Bass DI", "Keys L"), ("Kick Out", "Overhead L"), ("Timecode", "Talkback"),
             ("Hi-hat", "Bass DI"), ("Click", "Timecode")]  # fmt: skip
    options = [p for p in pairs if set(p) <= set(free)]
    if not options:
        return None
    a, b = options[int(rng.integers(len(options)))]
    x, y = show.line(a).samples.copy(), show.line(b).samples.copy()
    show.line(a).samples[:], show.line(b).samples[:] = y, x
    return _told(show, "swapped lines", "swapped timecode-missing", (a, b), 0, "")


def timecode_jump(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """The timecode leaps; from one second on."""
    if "Timecode" not in free:
        return None
    first, leap = 20 * 3600 * 25, int(rng.integers(25, 9000) * rng.choice([-1, 1]))
    at = int(rng.uniform(0.2, 0.8) * show.frames / 1920)
    total = show.frames // 1920 + 1
    numbers = [first + k + (leap if k >= at else 0) for k in range(total)]
    show.line("Timecode").samples[:] = to_24_bit(ltc_samples(numbers)[: show.frames] * 0.2)
    return _told(show, "timecode jump", "timecode-jump", ("Timecode",), leap / 25, "s")


def timecode_stops(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """The timecode falls silent for a while; from 2 s on."""
    if "Timecode" not in free:
        return None
    x = show.line("Timecode").samples
    length = int(RATE_HZ * rng.uniform(2, 20))
    at = int(rng.uniform(0.2, 0.7) * show.frames)
    x[at : at + length] = 0
    return _told(show, "timecode stops", "timecode-stops timecode-jump", ("Timecode",), length / RATE_HZ, "s")


def _bleed(
    show: BenchShow, rng: np.random.Generator, free: list[str], source: str, name: str, kind: str
) -> Planted | None:
    line = _pick(rng, free, ("Lead Vocal", "Backing Vocal", "Bass DI", "Guitar", "Keys L"))
    if line is None or source not in free:
        return None
    level = float(rng.uniform(-50, -32))
    x, y = show.line(line).samples.astype(np.float64), show.line(source).samples.astype(np.float64)
    delayed = np.roll(y, int(rng.integers(0, 300)))
    x += delayed / np.abs(y).max() * 10 ** (level / 20)
    show.line(line).samples[:] = to_24_bit(x)
    return replace(_told(show, name, kind, (line,), level, "dBFS peak"), names=(line, source))


def click_bleed(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """The click is heard on another line; from -50 dBFS peak on."""
    return _bleed(show, rng, free, "Click", "click bleed", "click-bleed")


def timecode_bleed(show: BenchShow, rng: np.random.Generator, free: list[str]) -> Planted | None:
    """Timecode is heard on another line; from -50 dBFS peak on."""
    return _bleed(show, rng, free, "Timecode", "timecode bleed", "timecode-bleed")


FAULTS: dict[str, Plant] = {
    f.__name__: f
    for f in (
        gap, short_file, zeroed_block, repeated_block, slipped, clock_clicks, dead_noise, dead_zero, went_silent,
        crackle, short_outs, wireless_mutes, hum_50, hum_60, buzz, offset, noise, overs, clipped_before, too_low,
        gain_moved, feedback, same_signal, same_signal_changed, stereo_identical, stereo_one_sided, stereo_reversed,
        stereo_delayed, polarity, swapped, timecode_jump, timecode_stops, click_bleed, timecode_bleed,
    )
}  # fmt: skip
