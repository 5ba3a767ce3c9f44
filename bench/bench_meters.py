"""How fast the meters are, as ratios in one run against FFmpeg, pyloudnorm and plainly reading the same files.

Material: 64 mono tracks of 48 kHz and 24 bits, assembled from the drum loops, hits, basses, guitars and drones of
Debian's sonic-pi-samples (CC0), each with its own level, rests and pauses over a little noise. Everything is read from
the page cache. Peers get as many cores as we do: one FFmpeg process a core at a time, one file after another.

``NIGHTREEL_BENCH_SECONDS`` sets the length of the tracks (60), ``NIGHTREEL_BENCH_TRACKS`` their number (64).
"""

from __future__ import annotations

import os
import resource
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import soundfile
import soxr

from nightreel.signal.meters import LineMeters
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveReader, WaveWriter, unpack

RATE_HZ = 48_000
SECONDS = int(os.environ.get("NIGHTREEL_BENCH_SECONDS", "60"))
TRACKS = int(os.environ.get("NIGHTREEL_BENCH_TRACKS", "64"))
CORES = len(os.sched_getaffinity(0))
SAMPLES = Path("/usr/share/sonic-pi/samples")
GROUP = 16
CHUNK_FRAMES = 9_600
ROUNDS = 3


def run() -> None:
    if not SAMPLES.is_dir():
        print(f"needs {SAMPLES}: apt-get install sonic-pi-samples")
        return
    with tempfile.TemporaryDirectory() as folder:
        files = make_tracks(Path(folder))
        size = sum(f.stat().st_size for f in files)
        audio_s = SECONDS * len(files)
        print(f"{len(files)} tracks of {SECONDS} s, {size / 1e6:.0f} MB, {CORES} cores; best of {ROUNDS}\n")
        measure(files[:GROUP], spectra=True)  # compile
        tasks: dict[str, tuple[Callable[[], object], int]] = {
            "all meters": (lambda: measure(files, spectra=True), ROUNDS),
            "all but spectra": (lambda: measure(files), ROUNDS),
            "all meters, one core": (lambda: measure(files, spectra=True, cores=1), ROUNDS),
            "cat": (lambda: cat(files), ROUNDS),
            "read and decode alone": (lambda: decode(files), ROUNDS),
            "FFmpeg ebur128=peak=true + astats": (lambda: ffmpeg(files), 1),
            "pyloudnorm, loudness alone": (lambda: pyloudnorm(files), 1),
        }
        results = {name: best(task, rounds) for name, (task, rounds) in tasks.items()}
        ours, ours_cpu = results["all meters"]
        print(f"{'':36} {'s':>7} {'x real time':>12} {'ratio':>7} {'core s':>8} {'ratio':>7}")
        for name, (seconds, cpu) in results.items():
            print(
                f"{name:36} {seconds:7.2f} {audio_s / seconds:12.0f} {seconds / ours:7.2f} {cpu:8.2f} "
                f"{cpu / ours_cpu:7.2f}"
            )
        print("\nratio: time of this line over that of all our meters; core s counts what all cores worked together")
        kernel_ns = from_memory(files)
        print(
            f"recorder's way, {len(files)} channels in blocks of 100 ms from memory, without spectra: "
            f"{kernel_ns:.1f} ns a sample, {1e9 / RATE_HZ / kernel_ns:.0f} channels in real time on one core"
        )


def make_tracks(folder: Path) -> list[Path]:
    """The same tracks for the same length and number; written as we write takes."""
    sources = [f for f in sorted(SAMPLES.glob("*.flac")) if f.stem.split("_")[0] not in ("vinyl", "misc", "glitch")]
    files = []
    frames = SECONDS * RATE_HZ
    for k in range(TRACKS):
        rng = np.random.default_rng(k)
        track = rng.normal(scale=10 ** (-78 / 20), size=frames).astype(np.float32)
        at = int(rng.integers(0, RATE_HZ))
        while at < frames:
            sound = _load(sources[int(rng.integers(len(sources)))])
            sound = sound[: frames - at] * np.float32(rng.uniform(0.2, 1.0))
            track[at : at + len(sound)] += sound
            at += max(len(sound) // 2, RATE_HZ // 4) + (RATE_HZ * 5 if rng.random() < 0.1 else 0)
        track *= np.float32(10 ** (rng.uniform(-20, -1) / 20) / np.abs(track).max())
        path = folder / f"{k + 1:02d} Track.wav"
        with WaveWriter.create(path, WaveFormat(rate_hz=RATE_HZ, channels=1, encoding=Encoding.PCM24)) as writer:
            writer.write(track[:, None])
        files.append(path)
    return files


_loaded: dict[Path, np.ndarray] = {}


def _load(path: Path) -> np.ndarray:
    if path not in _loaded:
        x, rate = soundfile.read(path, dtype="float32", always_2d=True)
        _loaded[path] = soxr.resample(x.mean(axis=1), rate, RATE_HZ).astype(np.float32)
    return _loaded[path]


def best(task: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Shortest seconds on the clock, and the core seconds that this round took (children counted)."""
    times = []
    for _ in range(rounds):
        began, worked = time.perf_counter(), _worked()
        task()
        times.append((time.perf_counter() - began, _worked() - worked))
    return min(times)


def _worked() -> float:
    used = (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    return sum(u.ru_utime + u.ru_stime for u in used)


def blocks(files: list[Path]) -> Iterator[np.ndarray]:
    """Side by side: float32 (frames, files)."""
    readers = [WaveReader(f) for f in files]
    frames = min(r.frames for r in readers)
    block = np.empty((CHUNK_FRAMES, len(files)), np.float32)
    for at in range(0, frames, CHUNK_FRAMES):
        count = min(CHUNK_FRAMES, frames - at)
        for k, reader in enumerate(readers):
            block[:count, k] = unpack(reader.packed[at * 3 : (at + count) * 3], Encoding.PCM24)[:, 0]
        yield block[:count]
    for reader in readers:
        reader.close()


def decode(files: list[Path]) -> None:
    def one(group: list[Path]) -> float:
        return sum(float(block[0, 0]) for block in blocks(group))

    with ThreadPoolExecutor(CORES) as pool:
        list(pool.map(one, [files[k : k + GROUP] for k in range(0, len(files), GROUP)]))


def measure(files: list[Path], *, spectra: bool = False, cores: int = CORES) -> list[object]:
    """All meters of all files, sixteen lines at a time."""

    def one(group: list[Path]) -> object:
        meters = LineMeters.start(rate_hz=RATE_HZ, channels=len(group), spectra=spectra)
        for block in blocks(group):
            meters.feed(block)
        return meters.result()

    groups = [files[k : k + GROUP] for k in range(0, len(files), GROUP)]
    with ThreadPoolExecutor(cores) as pool:
        return list(pool.map(one, groups))


def from_memory(files: list[Path]) -> float:
    """Nanoseconds of one core a sample: the kernel as the recorder feeds it."""
    read = np.concatenate([np.concatenate([b.copy() for b in blocks([f])])[: RATE_HZ * 10] for f in files], axis=1)
    meters = LineMeters.start(rate_hz=RATE_HZ, channels=read.shape[1])
    meters.feed(read[: RATE_HZ * 2])
    rest = np.ascontiguousarray(read[RATE_HZ * 2 :])
    began = time.thread_time()
    for at in range(0, len(rest), RATE_HZ // 10):
        meters.feed(rest[at : at + RATE_HZ // 10])
    return (time.thread_time() - began) * 1e9 / rest.size


def cat(files: list[Path]) -> None:
    subprocess.run(["cat", *map(str, files)], stdout=subprocess.DEVNULL, check=True)


def ffmpeg(files: list[Path]) -> None:
    def one(path: Path) -> None:
        command = ["ffmpeg", "-nostdin", "-hide_banner", "-nostats", "-threads", "1", "-i", str(path)]
        command += ["-af", "ebur128=peak=true,astats", "-f", "null", "-"]
        subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)

    with ThreadPoolExecutor(CORES) as pool:
        list(pool.map(one, files))


def pyloudnorm(files: list[Path]) -> None:
    """Processes would be fairer than threads only where the interpreter lock is held; its filters release it."""
    import pyloudnorm as loudness

    def one(path: Path) -> float:
        x, rate = soundfile.read(path)
        return float(loudness.Meter(rate, filter_class="DeMan").integrated_loudness(x))

    with ThreadPoolExecutor(CORES) as pool:
        list(pool.map(one, files))
