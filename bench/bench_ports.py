"""Ports: what a device source costs, what it loses while Python's lock is held, and how fast the simulated stage runs.

Each recorder is a process of its own and its share of a core is its CPU time (``os.times``: callback, reader and
watch together) by the wall clock; the band and the JACK server run in other processes and are not counted. The dummy
server has no real-time scheduling: what it skips itself is told apart by the band's log of its frame time.
"""

from __future__ import annotations

import ctypes
import json
import os
import subprocess
import sys
import time
from typing import Any

import numpy as np

STALL_S = 1.5
STALLS = 4


def run() -> None:
    _show_stage()
    _show_sources()
    _show_lock()


def _show_stage() -> None:
    from nightreel.ports.stage import Desk, SimulatedStage

    print("simulated stage, blocks of 480 frames, times real time:")
    for lines in (32, 64, 128):
        plain = Desk.straight(rate_hz=48_000, lines=lines)
        noisy = plain.with_all(noise_dbfs=-80.0, latency_frames=100)
        speeds = []
        for desk in (plain, noisy):
            stage = SimulatedStage(desk)
            block = np.zeros((480, lines), np.float32)
            stage.process(block, None)
            began_s = time.perf_counter()
            for _ in range(200):
                stage.process(block, None)
            speeds.append(200 * 480 / 48_000 / (time.perf_counter() - began_s))
        print(f"  {lines:>3} lines: {speeds[0]:6.0f} x   with noise and latency {speeds[1]:6.0f} x")


def _show_sources() -> None:
    print("\ndevice sources, reading blocks and throwing them away:")
    print("                                    frames not got though    frames skipped")
    print("  ch   rate  source      core share   the band was called   by the server   ring at most")
    for channels, rate_hz in ((64, 48_000), (32, 96_000), (128, 96_000)):
        for kind in ("portaudio", "jack"):
            facts = _record(kind, channels, rate_hz, seconds=8.0)
            print(
                f"  {channels:>3} {rate_hz // 1000:>4}k  {kind:10} {facts['core_share']:>10.3f} {facts['lost']:>21}"
                f" {facts['skipped']:>15} {facts['high_water_s']:>12.2f} s"
            )
    facts = _record("jack", 64, 48_000, seconds=16.0, sleep_s=10.0)
    print(
        f"  reader asleep for 10 s (64 ch, 48k): {facts['full']} frames lost for want of room in the ring of 20 s,"
        f" {facts['high_water_s']:.1f} s of it used"
    )


def _show_lock() -> None:
    print(f"\n64 ch, 48k, Python's lock held {STALLS} x {STALL_S} s of 16 s:")
    print("  callback                    frames got of those the band played")
    for kind in ("python", "portaudio", "jack"):
        facts = _record(kind, 64, 48_000, seconds=16.0, hold=True)
        print(f"  {kind:26}  {100.0 * facts['got'] / facts['played']:.2f} %")


def _record(kind: str, channels: int, rate_hz: int, *, seconds: float, sleep_s: float = 0.0, hold: bool = False) -> Any:
    """What a recorder process says of itself, with what the band knows."""
    import pytest
    from tests.jackband import band
    from tests.jackserver import running_jack

    wish = {
        "kind": kind,
        "channels": channels,
        "rate_hz": rate_hz,
        "seconds": seconds,
        "sleep_s": sleep_s,
        "hold": hold,
    }
    command = [sys.executable, "-m", "bench.bench_ports", json.dumps(wish)]
    with (
        pytest.MonkeyPatch.context() as patch,
        running_jack(patch, channels=channels, rate_hz=rate_hz) as server,
        band(server.name, channels) as players,
    ):
        ran = subprocess.run(command, capture_output=True, text=True, check=False)
        assert ran.returncode == 0, ran.stderr
        times = players.periods[:, 0].copy()
    facts = json.loads(ran.stdout.splitlines()[-1])
    inside = times[(times >= facts["first_time"]) & (times < facts["end_time"])]
    facts["played"] = len(inside) * 256
    facts["skipped"] = max(0, facts["end_time"] - facts["first_time"] - facts["played"])
    facts["lost"] = max(0, facts["played"] - facts["got"])
    return facts


def _worker(wish: dict[str, Any]) -> dict[str, Any]:
    """In the recorder's process. ``first_time`` to ``end_time`` is the span of the server's frame time."""
    import jack

    rate_hz, channels = wish["rate_hz"], wish["channels"]
    watch = jack.Client("bench-watch", no_start_server=True)
    read, stop, high_water, full = (_python_reader if wish["kind"] == "python" else _ring_reader)(
        wish["kind"], rate_hz, channels
    )
    lock_holder = ctypes.PyDLL(None)  # calls through it keep Python's lock
    while read() == 0:
        pass
    first_time, began, began_s = watch.last_frame_time, os.times(), time.monotonic()
    got, frames_asked, stalls, slept = 0, round(wish["seconds"] * rate_hz), 0, False
    while watch.last_frame_time - first_time < frames_asked:
        passed_s = time.monotonic() - began_s
        if wish["hold"] and stalls < STALLS and passed_s > 1.0 + stalls * (STALL_S + 2.0):
            stalls += 1
            lock_holder.usleep(round(STALL_S * 1e6))
        if wish["sleep_s"] and not slept and passed_s > 2.0:
            slept = True
            time.sleep(wish["sleep_s"])
        got += read()
    ended, ended_s, end_time = os.times(), time.monotonic(), watch.last_frame_time
    if wish["kind"] != "python":
        got += read()
    facts = {
        "first_time": int(first_time),
        "end_time": int(end_time),
        "got": got,
        "core_share": (ended.user + ended.system - began.user - began.system) / (ended_s - began_s),
        "high_water_s": high_water() / rate_hz,
        "full": full[0],
    }
    stop()
    watch.close()
    return facts


def _ring_reader(kind: str, rate_hz: int, channels: int) -> Any:
    from nightreel.ports.devices import DeviceSource
    from nightreel.ports.jack import JackSource
    from nightreel.timeline import GapCause

    source: Any
    if kind == "jack":
        source = JackSource(device="band", rate_hz=rate_hz, channels=channels)
    else:
        source = DeviceSource(device="band", rate_hz=rate_hz, channels=channels, through_portaudio=True)
    source.start()
    full = [0]

    def read() -> int:
        block = source.read(timeout_s=1.0)
        if block is None:
            return 0
        full[0] += sum(gap.frames for gap in block.gaps if gap.cause is GapCause.RING_FULL)
        return block.frames - sum(gap.frames for gap in block.gaps)

    return read, source.stop, lambda: source.health.high_water, full


def _python_reader(kind: str, rate_hz: int, channels: int) -> Any:
    """The plain way that this package does not go: a Python function as callback."""
    import sounddevice

    came = [0]

    def callback(samples: Any, frames: int, times: Any, status: Any) -> None:
        came[0] += samples.copy().shape[0]

    stream = sounddevice.InputStream(
        device="band", channels=channels, samplerate=rate_hz, dtype="float32", latency="high", callback=callback
    )
    stream.start()

    def read() -> int:
        time.sleep(0.01)
        got, came[0] = came[0], 0
        return got

    return read, stream.close, lambda: 0, [0]


if __name__ == "__main__":
    print(json.dumps(_worker(json.loads(sys.argv[1]))))
