"""Writing and reading speed of the WAVE container, against soundfile (libsndfile) and ``cp`` in the same run.

Same samples, same folder, same process; each figure is the best of three. All three sync every file at the end, side
by side, within the time.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import soundfile

from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveReader, WaveWriter, pack_columns, together, unpack

RATE_HZ = 48_000
BLOCK_FRAMES = 4800  # 100 ms, as the recorder hands over
BLOCKS = 120
ROUNDS = 3


def run() -> None:
    block = np.random.default_rng(1).uniform(-1, 1, (BLOCK_FRAMES, 128)).astype(np.float32)
    print(
        f"{BLOCKS * BLOCK_FRAMES / RATE_HZ:g} s of 24 bit at 48 kHz in blocks of 100 ms; "
        f"MB/s of file bytes, best of {ROUNDS}"
    )
    for channels in (64, 128):
        _many_mono_files(np.ascontiguousarray(block[:, :channels]))
    _kernels(block)
    _reading(block[:, :1])


def _many_mono_files(block: np.ndarray) -> None:
    channels = block.shape[1]
    long_block = np.tile(block, (5, 1))  # what the recorder writes in one go when it catches up
    size_mb = BLOCKS * BLOCK_FRAMES * channels * 3 / 1e6
    with tempfile.TemporaryDirectory() as source:
        _write_ours(Path(source), block)
        runs = {
            "ours": lambda folder: _write_ours(folder, block),
            "ours, blocks of 500 ms": lambda folder: _write_ours(folder, long_block),
            "ours, a checkpoint a second": lambda folder: _write_ours(folder, block, checkpoint_blocks=10),
            "soundfile": lambda folder: _write_soundfile(folder, block),
            "cp": lambda folder: _copy(Path(source), folder),
        }
        best = {name: _best(work) for name, work in runs.items()}
    print(f"\n{channels} mono files, {size_mb:.0f} MB, synced at the end")
    soundfile_s, cp_s = best["soundfile"][0], best["cp"][0]
    for name, (wall_s, cpu_s) in best.items():
        print(
            f"  {name:26} {size_mb / wall_s:6.0f} MB/s  {soundfile_s / wall_s:5.2f} x soundfile"
            f"  {cp_s / wall_s:5.2f} x cp  {cpu_s / size_mb * 1000:5.2f} s of CPU a GB"
        )


def _write_ours(folder: Path, block: np.ndarray, *, checkpoint_blocks: int = 0) -> None:
    fmt = WaveFormat(rate_hz=RATE_HZ, channels=1, encoding=Encoding.PCM24)
    writers = together(partial(WaveWriter.create, folder / f"{n}.wav", fmt) for n in range(block.shape[1]))
    out = np.empty((block.shape[1], len(block) * 3), np.uint8)
    for number in range(1, BLOCKS * BLOCK_FRAMES // len(block) + 1):
        pack_columns(block, Encoding.PCM24, out=out)
        for writer, row in zip(writers, out, strict=True):
            writer.write_packed(row)
        if checkpoint_blocks and number % checkpoint_blocks == 0:
            together(writer.checkpoint for writer in writers)
    together(writer.close for writer in writers)


def _write_soundfile(folder: Path, block: np.ndarray) -> None:
    files = [soundfile.SoundFile(folder / f"{n}.wav", "w", RATE_HZ, 1, subtype="PCM_24") for n in range(block.shape[1])]
    for _ in range(BLOCKS):
        for channel, file in enumerate(files):
            file.write(block[:, channel])
    for file in files:
        file.close()
    together(partial(_sync, Path(file.name)) for file in files)


def _copy(source: Path, target: Path) -> None:
    subprocess.run(["cp", "-r", "--reflink=never", str(source), str(target / "copy")], check=True)
    together(partial(_sync, path) for path in (target / "copy").iterdir())


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    os.fsync(descriptor)
    os.close(descriptor)


def _kernels(block: np.ndarray) -> None:
    size_mb = block.size * 3 / 1e6
    out, _ = pack_columns(block, Encoding.PCM24)
    packing = min(_timed(lambda: pack_columns(block, Encoding.PCM24, out=out)) for _ in range(20))
    flat = out.reshape(-1)
    unpacking = min(_timed(lambda: unpack(flat, Encoding.PCM24, 128)) for _ in range(20))
    print(
        f"\nin memory, one core: de-interleave and pack {size_mb / packing:.0f} MB/s, "
        f"unpack {size_mb / unpacking:.0f} MB/s"
    )


def _reading(block: np.ndarray) -> None:
    fmt = WaveFormat(rate_hz=RATE_HZ, channels=1, encoding=Encoding.PCM24)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        with WaveWriter.create(path, fmt) as writer:
            for _ in range(1200):
                writer.write(block)
        size_mb = path.stat().st_size / 1e6

        def ours() -> None:
            with WaveReader(path) as reader:
                for first in range(0, reader.frames, 1 << 18):
                    reader.read(first, min(1 << 18, reader.frames - first))

        def theirs() -> None:
            with soundfile.SoundFile(path) as file:
                while len(file.read(1 << 18, dtype="float32")):
                    pass

        ours_s, theirs_s = (min(_timed(work) for _ in range(ROUNDS)) for work in (ours, theirs))
    print(
        f"\nreading {size_mb:.0f} MB from cache: ours {size_mb / ours_s:.0f} MB/s, {theirs_s / ours_s:.1f} x soundfile"
    )


def _best(work: Callable[[Path], None]) -> tuple[float, float]:
    """Wall and processor seconds (children included), each the least of all rounds."""
    walls, cpus = [], []
    for _ in range(ROUNDS):
        with tempfile.TemporaryDirectory() as folder:
            before = os.times()
            walls.append(_timed(lambda: work(Path(folder))))
            after = os.times()
            cpus.append(sum(after[:4]) - sum(before[:4]))
    return min(walls), min(cpus)


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


if __name__ == "__main__":
    run()
