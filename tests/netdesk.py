"""A desk of the tests' own that sends AES67 flows from a process of its own, with faults planted packet by packet.

Nothing of Nightreel makes its packets: header by RFC 3550 section 5.1, samples by RFC 3190 section 4 (L24, big-endian,
channels interleaved). Every sample tells its frame and its channel, so that any of them can be looked up.

Run as a program: ``python -m tests.netdesk PLAN.json``; it sends until its standard input closes, then writes beside
the plan what it sent late (``PLAN.late.json``).
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tests.rtpband import free_port

RATE_HZ = 48_000
PACKET = 48
CHANNELS = 8  # a flow
BLOCK = 5  # packets that leave together
ODD = 0x9E3779  # odd, so that frame numbers come back from samples
STEP = 0x3C6EF3
LATE_S = 0.1  # what the desk itself sends later than this may come behind the recorder's read head
MASK = 0xFFFFFF


def sounds(first_frame: int, frames: int, channels: int) -> NDArray[np.int32]:
    """What the desk sends: 24-bit integers (frames, channels)."""
    frame = np.arange(first_frame, first_frame + frames, dtype=np.int64)[:, None]
    values = (frame * ODD + np.arange(channels, dtype=np.int64)[None, :] * STEP) & MASK
    return ((values ^ 0x800000) - 0x800000).astype(np.int32)


def frame_of(sample: float) -> int:
    """The frame (modulo 2**24) whose first channel has this value."""
    return (round(sample * 8_388_608) * pow(ODD, -1, 1 << 24)) & MASK


def loses(plan: dict[str, Any], flow: int, packet: int) -> bool:
    """Whether this packet never leaves."""
    share = plan["random_loss"][flow]
    if share and ((packet * 7919 + flow * 104_729) * 2_654_435_761 % (1 << 32)) / (1 << 32) < share:
        return True
    return any(one in (flow, -1) and first <= packet < end for one, first, end in plan["cuts"])


def make_plan(flows: int, **changes: Any) -> dict[str, Any]:
    """``cuts`` are rows (flow or -1 for all, first packet, end packet).

    ``mirror`` makes it a desk whose channels listen to their returns: {"groups": [[address, port], ...], "order":
    return of each channel (from 0), "delays": of each channel in frames}.
    """
    plan = {
        "ports": [free_port() for _ in range(flows)],
        "first_timestamp": (1 << 32) - 3 * RATE_HZ,  # wraps after three seconds
        "first_sequence": 65_000,
        "random_loss": [0.0] * flows,
        "cuts": [],
        "sample_bytes": 3,
        "mirror": None,
    }
    return {**plan, **changes}


def write_descriptions(folder: Path, plan: dict[str, Any], *, rate_hz: int = RATE_HZ, channels: int = CHANNELS) -> None:
    """One SDP file a flow, as text of our own (RFC 8866, RFC 3190, RFC 7273)."""
    folder.mkdir(exist_ok=True)
    for flow, port in enumerate(plan["ports"]):
        rows = [
            "v=0",
            f"o=- {flow + 1} 1 IN IP4 127.0.0.1",
            f"s=Desk {flow + 1}",
            "c=IN IP4 127.0.0.1",
            "t=0 0",
            f"m=audio {port} RTP/AVP 97",
            f"a=rtpmap:97 L24/{rate_hz}/{channels}",
            "a=ptime:1",
            "a=ts-refclk:ptp=IEEE1588-2008:traceable",
            "a=mediaclk:direct=0",
        ]
        (folder / f"desk {flow + 1}.sdp").write_text("\r\n".join(rows) + "\r\n", newline="")


@contextlib.contextmanager
def desk(folder: Path, plan: dict[str, Any]) -> Iterator[subprocess.Popen[bytes]]:
    """The desk as a process; ended by closing its input, or killed."""
    path = folder / "plan.json"
    path.write_text(json.dumps(plan))
    process = subprocess.Popen([sys.executable, "-m", "tests.netdesk", str(path)], stdin=subprocess.PIPE)
    try:
        yield process
    finally:
        assert process.stdin is not None
        process.stdin.close()
        try:
            process.wait(timeout=20.0)
        finally:
            process.kill()


def late_packets(folder: Path) -> list[int]:
    """Packets that the desk itself could not send in time, after it has ended."""
    late: list[int] = json.loads((folder / "plan.late.json").read_text())
    return late


class Mirror:
    """What the returns bring, by their RTP timestamp; heard by each channel after its own delay."""

    FRAMES = 1 << 16
    BASE = RATE_HZ // 4  # a busy machine may be late by so much before the desk hears silence

    def __init__(self, wish: dict[str, Any]) -> None:
        self._order, self._delays = np.array(wish["order"]), np.array(wish["delays"]) + self.BASE
        self._ears = []
        self._tape = np.zeros((self.FRAMES, len(self._order)), np.int32)
        for address, port in wish["groups"]:
            ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            ear.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 21)
            ear.bind((address, port))
            ear.setsockopt(
                socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton(address) + socket.inet_aton("127.0.0.1")
            )
            ear.setblocking(False)
            self._ears.append(ear)

    def listen(self) -> None:
        for flow, ear in enumerate(self._ears):
            packets = []
            with contextlib.suppress(BlockingIOError):
                while True:
                    packets.append(ear.recv(2048))
            for timestamp, samples in map(decode, packets):
                first = timestamp % self.FRAMES
                rows = slice(first, first + len(samples)) if first + len(samples) <= self.FRAMES else (
                    np.arange(first, first + len(samples)) % self.FRAMES
                )  # fmt: skip
                self._tape[rows, CHANNELS * flow : CHANNELS * (flow + 1)] = samples

    def sound(self, timestamp: int, frames: int) -> NDArray[np.int32]:
        """(frames, channels) that the channels hear; tape that will not be needed again is wiped."""
        at = timestamp + np.arange(frames)
        self._tape[(at + self.FRAMES // 2) % self.FRAMES] = 0
        return self._tape[(at[:, None] - self._delays[None, :]) % self.FRAMES, self._order[None, :]]


def decode(packet: bytes) -> tuple[int, NDArray[np.int32]]:
    """RTP timestamp and 24-bit integers (frames, CHANNELS) of a packet without extension."""
    wide = np.zeros((len(packet[12:]) // 3, 4), np.uint8)
    wide[:, :3] = np.frombuffer(packet[12:], np.uint8).reshape(-1, 3)
    return struct.unpack_from(">I", packet, 4)[0], (wide.view(">i4").astype(np.int32) >> 8).reshape(-1, CHANNELS)


def run(path: Path) -> None:
    with contextlib.suppress(OSError):
        os.nice(-10)  # a real desk does not share the laptop's processor
    plan = json.loads(path.read_text())
    ports, sample_bytes = plan["ports"], plan["sample_bytes"]
    mouth = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    late = []
    mirror = Mirror(plan["mirror"]) if plan["mirror"] else None
    begin = time.monotonic()
    packet = 0
    while True:
        due = begin + (packet + BLOCK) * PACKET / RATE_HZ
        wait = due - time.monotonic()
        if select.select([sys.stdin], [], [], max(0.0, wait))[0] and not sys.stdin.buffer.read1(1):
            break
        if time.monotonic() - due > LATE_S:
            late += range(packet, packet + BLOCK)
        timestamp = (plan["first_timestamp"] + packet * PACKET) % (1 << 32)
        if mirror is None:
            values = sounds(packet * PACKET, BLOCK * PACKET, CHANNELS * len(ports))
        else:
            mirror.listen()
            values = mirror.sound(timestamp, BLOCK * PACKET)
        wide = values.astype(">i4").reshape(BLOCK, PACKET, len(ports), CHANNELS)
        for index in range(BLOCK):
            for flow, port in enumerate(ports):
                if loses(plan, flow, packet + index):
                    continue
                head = struct.pack(
                    ">BBHII", 0x80, 97, (plan["first_sequence"] + packet + index) % (1 << 16),
                    (timestamp + index * PACKET) % (1 << 32), 0x5EA0 + flow + plan["first_sequence"],
                )  # fmt: skip
                own = np.ascontiguousarray(wide[index, :, flow])
                body = own.view(np.uint8).reshape(-1, 4)[:, 1 : 1 + sample_bytes].tobytes()
                mouth.sendto(head + body, ("127.0.0.1", port))
        packet += BLOCK
    path.with_suffix(".late.json").write_text(json.dumps(late))


if __name__ == "__main__":
    run(Path(sys.argv[1]))
