"""A recorder in a process of its own: ``python -m tests.jackrecorder device|jack CHANNELS SECONDS OUT.npz``.

It says ``started`` on stdout, reads blocks until it has SECONDS of them, and saves what it got: samples, gaps as rows
(first frame, frames, index of the cause) and the clock times at which blocks came.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from nightreel.ports.devices import DeviceSource
from nightreel.ports.jack import JackSource
from nightreel.timeline import GapCause

RATE_HZ = 48_000
CAUSES = list(GapCause)


def main(kind: str, channels: int, seconds: float, out: str) -> None:
    make = {"device": DeviceSource, "jack": JackSource}[kind]
    source = make(device="band", rate_hz=RATE_HZ, channels=channels)
    source.start()
    print("started", flush=True)
    samples, gaps, came = [], [], []
    frames = 0
    while frames < seconds * RATE_HZ:
        block = source.read(timeout_s=5.0)
        assert block is not None
        assert block.first_frame == frames
        frames += block.frames
        samples.append(block.samples)
        gaps += [(gap.first_frame, gap.frames, CAUSES.index(gap.cause)) for gap in block.gaps]
        came.append((time.time(), frames))
    source.stop()
    np.savez(out, samples=np.concatenate(samples), gaps=np.array(gaps).reshape(-1, 3), came=np.array(came))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), sys.argv[4])
