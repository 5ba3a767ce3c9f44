"""A recorder in a process of its own: ``python -m tests.jackrecorder device|jack CHANNELS OUT.npz``.

It says ``started``, and ``back`` at the first block after each loss of the device. When its standard input ends it
saves what it got: samples, gaps as rows (first frame, frames, index of the cause), and when how many frames were there.
"""

from __future__ import annotations

import sys
import threading
import time

import numpy as np

from nightreel.ports.devices import DeviceSource
from nightreel.ports.jack import JackSource
from nightreel.timeline import GapCause

RATE_HZ = 48_000
CAUSES = list(GapCause)


def main(kind: str, channels: int, out: str) -> None:
    make = {"device": DeviceSource, "jack": JackSource}[kind]
    source = make(device="band", rate_hz=RATE_HZ, channels=channels)
    source.start()
    print("started", flush=True)
    enough = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), enough.set()), daemon=True).start()
    samples, gaps, came = [], [], []
    frames, lost = 0, False
    while not enough.is_set():
        block = source.read(timeout_s=5.0)
        if block is None:
            continue
        assert block.first_frame == frames
        frames += block.frames
        samples.append(block.samples)
        gaps += [(gap.first_frame, gap.frames, CAUSES.index(gap.cause)) for gap in block.gaps]
        came.append((time.time(), frames))
        was_lost, lost = lost, any(gap.cause is GapCause.DEVICE_LOST for gap in block.gaps)
        if was_lost and not lost:
            print("back", flush=True)
    source.stop()
    np.savez(out, samples=np.concatenate(samples), gaps=np.array(gaps).reshape(-1, 3), came=np.array(came))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3])
