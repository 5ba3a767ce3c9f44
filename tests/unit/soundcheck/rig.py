"""Takes to play: one from an array that can stall or fail, one in a show folder on disk."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel.disk import make_folder_new
from nightreel.errors import DiskTrouble
from nightreel.show.files import create_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Port, Role, Show
from nightreel.soundcheck import Channel, Player
from nightreel.take import write_facts
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.timeline import Mark
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveWriter

RATE_HZ = 48_000
FloatArray = NDArray[np.float32]


def band(frames: int, lines: int, seed: int = 1) -> FloatArray:
    """Programme with a known largest step: noise through a one-pole low-pass, 24-bit values, up to -6 dBFS."""
    from scipy.signal import lfilter

    noise = np.random.default_rng(seed).standard_normal((frames + 4000, lines))
    smooth = lfilter([1.0], [1.0, -0.98], noise, axis=0)[4000:]
    smooth *= 0.5 / np.abs(smooth).max()
    return (np.rint(smooth * 2**23) / 2**23).astype(np.float32)


class ArrayTake:
    """Lines 1, 2, ... from an array. ``hold`` makes reads wait; ``broken_from`` makes them fail."""

    rate_hz = RATE_HZ

    def __init__(self, samples: FloatArray) -> None:
        self.samples = samples
        self.frames = samples.shape[0]
        self.free = threading.Event()
        self.free.set()
        self.broken_from: int | None = None

    def read(self, lines: Sequence[int], first_frame: int, frames: int) -> FloatArray:
        self.free.wait(30.0)
        if self.broken_from is not None and first_frame + frames > self.broken_from:
            raise DiskTrouble("the disk was pulled", now="Plug it in again")
        out = np.zeros((frames, len(lines)), np.float32)
        first, end = max(first_frame, 0), min(first_frame + frames, self.frames)
        if end > first:
            out[first - first_frame : end - first_frame] = self.samples[first:end, [line - 1 for line in lines]]
        return out


@contextmanager
def playing(take: Any, **options: Any) -> Iterator[Player]:
    """A player of all lines, line n on return n, at unity from the first frame unless told otherwise; not started."""
    lines = take.samples.shape[1]
    settings: dict[str, Any] = {"start_db": 0.0, "rise_s": 0.0, "sink_channels": lines} | options
    channels = settings.pop("channels", tuple(Channel(line=n, channel=n - 1) for n in range(1, lines + 1)))
    player = Player(take, channels, **settings)
    try:
        yield player
    finally:
        take.free.set()
        player.close()


def run(player: Player, frames: int, block: int = 480) -> FloatArray:
    """Render as a patient sink would: the disk is waited for."""
    blocks = []
    for first in range(0, frames, block):
        assert player.wait_ready(20.0, frames=block)
        blocks.append(player.render(min(block, frames - first)))
    return np.concatenate(blocks)


def largest_step(samples: FloatArray) -> float:
    return float(np.abs(np.diff(samples, axis=0)).max())


def usb_show(lines: Sequence[Line] | None = None, count: int = 4) -> dict[str, Any]:
    """Arguments of a show whose lines go over one link, send and return n for line n."""
    link = Link(name="usb", kind=LinkKind.USB, capacity={RATE_HZ: Capacity(sends=64, returns=64)})
    return {"name": "Harbour Night", "links": (link,), "lines": tuple(lines or [line(n) for n in range(1, count + 1)])}


def line(number: int, role: Role = Role.MIC, **changes: Any) -> Line:
    settings: dict[str, Any] = {
        "number": number,
        "name": f"Name {number}",
        "role": role,
        "socket": f"A-{number}",
        "send": Port(link="usb", number=number),
        "return_port": Port(link="usb", number=number),
    }
    return Line(**settings | changes)


def facts_of(show: Show, frames: int, marks: Sequence[Mark] = ()) -> TakeFacts:
    tracks = tuple(
        Track(
            line=entry.number,
            name=entry.name,
            role=entry.role,
            channel=place,
            files=(TrackFile(path=f"tracks/{entry.number:02d}.wav", first_frame=0, frames=frames),),
        )
        for place, entry in enumerate(show.lines)
    )
    return TakeFacts(
        name="2026-11-28-evening-1",
        show=show.name,
        rate_hz=RATE_HZ,
        encoding=Encoding.PCM24,
        started_at=datetime(2026, 11, 28, 20, tzinfo=UTC),
        frames=frames,
        tracks=tracks,
        state=TakeState.CLOSED,
        marks=tuple(marks),
    )


def show_with_take(folder: Path, samples: FloatArray, marks: Sequence[Mark] = (), **changes: Any) -> Show:
    """A show folder with one take that holds ``samples``, a line a column."""
    show = create_show(folder, **usb_show(count=samples.shape[1]) | changes)
    facts = facts_of(show, samples.shape[0], marks)
    take = folder / "takes" / facts.name
    for place in (folder / "takes", take, take / "tracks"):
        make_folder_new(place)
    form = WaveFormat(rate_hz=RATE_HZ, channels=1, encoding=Encoding.PCM24)
    for column, track in enumerate(facts.tracks):
        with WaveWriter.create(take / track.files[0].path, form) as writer:
            writer.write(np.ascontiguousarray(samples[:, [column]]))
    write_facts(take, facts)
    return show
