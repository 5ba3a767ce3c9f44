"""What playing costs: processor time as a share of one core, and how soon a jump is heard.

A take of mono 24-bit files on disk (in the page cache after writing), a player at unity with all lines returned, and
a sink that takes blocks of 5 ms and does nothing. Processor time of all threads over the length of what was played.
Jump latency: from the command to the first frame of the seam leaving the player in real time; a device's own buffer
(0.2 s in ours) comes on top.
"""

from __future__ import annotations

import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from nightreel.show.model import Role
from nightreel.soundcheck import Channel, Player
from nightreel.take import open_take, write_facts
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveWriter

SECONDS = 20
JUMPS = 25


def run() -> None:
    print("channels     rate   share of a core   jump, median   jump, worst")
    for channels, rate_hz in ((64, 48_000), (128, 96_000)):
        with tempfile.TemporaryDirectory() as folder:
            take_folder = _write_take(Path(folder) / "take", channels, rate_hz)
            share = _cpu_share(take_folder, channels, rate_hz)
            waits = _jump_waits(take_folder, channels, rate_hz)
        print(
            f"{channels:>8} {rate_hz / 1000:>5g} kHz {100 * share:>14.1f} % {1000 * np.median(waits):>11.1f} ms "
            f"{1000 * max(waits):>10.1f} ms"
        )


def _write_take(folder: Path, channels: int, rate_hz: int) -> Path:
    (folder / "tracks").mkdir(parents=True)
    frames = SECONDS * rate_hz
    counter = (np.arange(frames) % (1 << 22)) / (1 << 23)  # each frame tells its place
    form = WaveFormat(rate_hz=rate_hz, channels=1, encoding=Encoding.PCM24)
    tracks = []
    for line in range(1, channels + 1):
        path = f"tracks/{line:03d}.wav"
        with WaveWriter.create(folder / path, form) as writer:
            writer.write(counter.astype(np.float32)[:, None])
        part = TrackFile(path=path, first_frame=0, frames=frames)
        tracks.append(Track(line=line, name=f"Line {line}", role=Role.MIC, channel=line - 1, files=(part,)))
    facts = TakeFacts(
        name="bench-1",
        show="Bench",
        rate_hz=rate_hz,
        encoding=Encoding.PCM24,
        started_at=datetime(2026, 11, 28, tzinfo=UTC),
        frames=frames,
        tracks=tuple(tracks),
        state=TakeState.CLOSED,
    )
    write_facts(folder, facts)
    return folder


def _player(take, channels: int) -> Player:  # type: ignore[no-untyped-def]
    lines = tuple(Channel(line=n + 1, channel=n) for n in range(channels))
    return Player(take, lines, sink_channels=channels, start_db=0.0, rise_s=0.0)


def _cpu_share(folder: Path, channels: int, rate_hz: int) -> float:
    block = rate_hz // 200
    with open_take(folder) as take:
        player = _player(take, channels)
        try:
            player.wait_ready()
            player.start()
            player.render(block)
            while player.status().ready_frames < rate_hz:
                time.sleep(0.01)
            started, wall = time.process_time(), time.monotonic()
            for count in range(10 * rate_hz // block):
                player.wait_ready(frames=block)
                player.render(block)
                time.sleep(max(0.0, wall + (count + 1) * block / rate_hz - time.monotonic()))
            return (time.process_time() - started) / 10.0
        finally:
            player.close()


def _jump_waits(folder: Path, channels: int, rate_hz: int) -> list[float]:
    block = rate_hz // 200
    random = np.random.default_rng(3)
    waits = []
    with open_take(folder) as take:
        player = _player(take, channels)
        try:
            player.wait_ready()
            player.start()
            for _ in range(JUMPS):
                for _ in range(20):
                    last = player.render(block)[-1, 0]
                    time.sleep(block / rate_hz)
                commanded = time.monotonic()
                player.jump(int(random.integers(0, (SECONDS - 5) * rate_hz)))
                while True:
                    now, out = time.monotonic(), player.render(block)[:, 0]
                    steps = np.diff(np.append(last, out))
                    off = np.flatnonzero(np.abs(steps - 1 / (1 << 23)) > 1e-9)
                    if off.size:
                        waits.append(now - commanded + off[0] / rate_hz)
                        break
                    last = out[-1]
                    time.sleep(max(0.0, now + block / rate_hz - time.monotonic()))
        finally:
            player.close()
    return waits
