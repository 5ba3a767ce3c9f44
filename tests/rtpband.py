"""A sender for tests: real audio as RTP over loopback sockets, with faults planted packet by packet."""

from __future__ import annotations

import heapq
import socket
import threading
import time
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nightreel.ports.aes67 import payload, rtp, sdp

# What becomes of packet `index` of path `path`: the delays in seconds with which copies of it go out; () = lost.
Fate = Callable[[int, int], Sequence[float]]


def whole(index: int, path: int) -> Sequence[float]:
    return (0.0,)


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def noise(frames: int, channels: int, *, seed: int = 1, bits: int = 24) -> NDArray[np.float32]:
    """Audio that differs in every sample and is exact in ``bits``."""
    full = 1 << (bits - 1)
    return (np.random.default_rng(seed).integers(-full, full, (frames, channels)) / full).astype(np.float32)


def stream(
    name: str, *, channels: int = 8, paths: int = 1, media_offset: int | None = 0, **kwargs: object
) -> sdp.StreamDescription:
    facts: dict[str, object] = {"encoding": "L24", "rate_hz": 48_000, "reference_clock": "ptp=IEEE1588-2008:traceable"}
    return sdp.StreamDescription(
        name=name,
        destinations=tuple(sdp.Destination(address="127.0.0.1", port=free_port()) for _ in range(paths)),
        payload_type=96,
        channels=channels,
        media_offset=media_offset,
        **{**facts, **kwargs},  # type: ignore[arg-type]
    )


class Sender(threading.Thread):
    """Plays ``audio`` (frames, channels) once, in real time, over every path of one stream.

    first_timestamp : RTP timestamp of frame 0; restart_at : packet from which on the sender has another identity
    """

    def __init__(
        self,
        description: sdp.StreamDescription,
        audio: NDArray[np.float32],
        *,
        fate: Fate = whole,
        first_timestamp: int = 0,
        first_sequence: int = 0,
        restart_at: int | None = None,
        restart_jump: int = 0,
        start_at: float | None = None,
        ssrc: int = 0x1234,
    ) -> None:
        super().__init__(daemon=True)
        self.description = description
        self.start_at = start_at
        frames = description.frames_per_packet
        queue: list[tuple[float, int, int, bytes]] = []
        for index in range(len(audio) // frames):
            restarted = restart_at is not None and index >= restart_at
            packet = rtp.serialise(
                rtp.RtpPacket(
                    payload_type=description.payload_type,
                    sequence=(first_sequence + index + (777 if restarted else 0)) % (1 << 16),
                    timestamp=(first_timestamp + index * frames + (restart_jump if restarted else 0)) % (1 << 32),
                    ssrc=ssrc + restarted,
                    payload=payload.encode(audio[index * frames : (index + 1) * frames], description.encoding),
                )
            )
            due = index * frames / description.rate_hz
            for path in range(len(description.destinations)):
                for delay_s in fate(index, path):
                    queue.append((due + delay_s, index, path, packet))
        heapq.heapify(queue)
        self._queue = queue

    def run(self) -> None:
        sockets = []
        for destination in self.description.destinations:
            mouth = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            mouth.connect((destination.address, destination.port))
            sockets.append(mouth)
        begin = time.monotonic() if self.start_at is None else self.start_at
        while self._queue:
            due, _, path, packet = heapq.heappop(self._queue)
            wait = begin + due - time.monotonic()
            if wait > 0:
                time.sleep(wait)
            try:
                sockets[path].send(packet)
            except ConnectionRefusedError:  # nobody listens yet on this port
                continue
        for mouth in sockets:
            mouth.close()
