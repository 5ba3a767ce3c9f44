"""A take of any length whose files are short real WAVE files read over and over: for measuring speed and memory."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bench.faults.shows import RATE_HZ, make_show
from nightreel.show.model import Role
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.take.opened import FileReader, Take, WaveFileReader
from nightreel.timeline import Mark
from nightreel.units import Encoding

F32 = NDArray[np.float32]
BASE_S = 40.0


@dataclass(slots=True)
class LoopedFile:
    """``inner`` repeated to ``frames`` frames, from ``offset`` on."""

    inner: FileReader
    frames: int
    offset: int

    @property
    def rate_hz(self) -> int:
        return self.inner.rate_hz

    @property
    def channels(self) -> int:
        return 1

    def read(self, first_frame: int, frames: int) -> F32:
        out = np.empty((frames, 1), np.float32)
        at = 0
        while at < frames:
            place = (self.offset + first_frame + at) % self.inner.frames
            count = min(frames - at, self.inner.frames - place)
            out[at : at + count] = self.inner.read(place, count)
            at += count
        return out

    def close(self) -> None:
        self.inner.close()


def write_base(folder: Path) -> list[Path]:
    """The lines of one bench show as 24-bit mono files of BASE_S seconds."""
    import soundfile

    paths = []
    for k, line in enumerate(make_show(3).lines, 1):
        path = folder / f"{k:02d}~{line.role.value}~{line.name}.wav"
        first = 10 * RATE_HZ
        soundfile.write(path, line.samples[first : first + int(BASE_S * RATE_HZ)], RATE_HZ, subtype="PCM_24")
        paths.append(path)
    return paths


def long_take(folder: Path, *, lines: int, seconds: float) -> Take:
    """``lines`` lines made of the base files, each line starting elsewhere in its file."""
    base = sorted(folder.glob("*.wav")) or write_base(folder)
    known = [path.stem.split("~") for path in base]
    frames = int(seconds * RATE_HZ)
    tracks = tuple(
        Track(
            line=n + 1,
            name=f"{known[n % len(base)][2]} {n // len(base) + 1}",
            role=Role(known[n % len(base)][1]),
            channel=n,
            files=(TrackFile(path=f"{n}", first_frame=0, frames=frames),),
        )
        for n in range(lines)
    )
    facts = TakeFacts(
        name=f"long-{lines}",
        show="bench",
        rate_hz=RATE_HZ,
        encoding=Encoding.PCM24,
        started_at=datetime(2026, 11, 24, 20, tzinfo=UTC),
        frames=frames,
        tracks=tracks,
        state=TakeState.CLOSED,
        marks=tuple(
            Mark(frame=k * 240 * RATE_HZ, name=f"Song {k + 1}", song=k + 1) for k in range(int(seconds // 240))
        ),
    )

    def open_file(path: Path) -> FileReader:
        n = int(path.name)
        return LoopedFile(
            inner=WaveFileReader(base[n % len(base)]), frames=frames, offset=(n // len(base)) * 7 * RATE_HZ + n * 997
        )

    return Take(Path("/nowhere"), facts, open_file=open_file)
