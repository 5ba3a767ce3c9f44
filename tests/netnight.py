"""Two test hosts of our own in network namespaces, joined by two veth cables: 'desk' sends, 'laptop' receives.

Run as a program it is one end: ``python -m tests.netnight send|receive FOLDER``. Addresses exist only inside the
namespaces.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from tests.rtpband import Sender, noise

from nightreel.ports.aes67 import sdp
from nightreel.ports.aes67.source import NetworkSource

SECONDS = 3.0
CHANNELS = 8
NETWORKS = ("10.90.1", "10.90.2")


def description() -> sdp.StreamDescription:
    """One multicast flow that travels both networks."""
    return sdp.StreamDescription(
        name="both networks",
        destinations=tuple(
            sdp.Destination(address=f"239.90.{i}.1", port=5004, ttl=4) for i in range(1, len(NETWORKS) + 1)
        ),
        payload_type=96,
        encoding="L24",
        rate_hz=48_000,
        channels=CHANNELS,
        media_offset=0,
        reference_clock="ptp=IEEE1588-2008:traceable",
    )


def audio() -> np.ndarray:
    return noise(int(SECONDS * 48_000), CHANNELS, seed=21)


def namespaces_work() -> bool:
    """Whether this user may make network namespaces here."""
    if shutil.which("ip") is None or os.geteuid() != 0:
        return False
    name = f"nr-probe-{os.getpid()}"
    if subprocess.run(["ip", "netns", "add", name], capture_output=True).returncode:
        return False
    made = subprocess.run(
        ["ip", "-n", name, "link", "add", "x0", "type", "veth", "peer", "name", "x1"], capture_output=True
    )
    subprocess.run(["ip", "netns", "delete", name], capture_output=True)
    return made.returncode == 0


@contextlib.contextmanager
def two_hosts() -> Iterator[tuple[str, str]]:
    """Names of the two namespaces, cabled twice; removed at the end."""
    desk, laptop = f"nr-desk-{os.getpid()}", f"nr-laptop-{os.getpid()}"

    def ip(*words: str) -> None:
        subprocess.run(["ip", *words], check=True, capture_output=True)

    made = []
    try:
        for name in (desk, laptop):
            ip("netns", "add", name)
            made.append(name)
            ip("-n", name, "link", "set", "lo", "up")
        for number, network in enumerate(NETWORKS, 1):
            ip("-n", desk, "link", "add", f"d{number}", "type", "veth", "peer", "name", f"l{number}", "netns", laptop)
            for name, card, host in ((desk, f"d{number}", 1), (laptop, f"l{number}", 2)):
                ip("-n", name, "address", "add", f"{network}.{host}/24", "dev", card)
                ip("-n", name, "link", "set", card, "up")
        yield desk, laptop
    finally:
        for name in made:
            subprocess.run(["ip", "netns", "delete", name], capture_output=True)


def start(host: str, what: str, folder: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(["ip", "netns", "exec", host, sys.executable, "-m", "tests.netnight", what, str(folder)])


def send(folder: Path) -> None:
    import socket

    real = socket.socket

    class CardSocket(real):
        """Chooses the card by the group that is connected to; a cut cable loses packets and nothing else."""

        def connect(self, address: tuple[str, int]) -> None:  # type: ignore[override]
            network = NETWORKS[int(address[0].split(".")[2]) - 1]
            self.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(f"{network}.1"))
            super().connect(address)

        def send(self, data: bytes, *args: int) -> int:  # type: ignore[override]
            with contextlib.suppress(OSError):
                return super().send(data, *args)
            return 0

    socket.socket = CardSocket  # type: ignore[misc]
    sender = Sender(description(), audio())
    (folder / "sending").touch()
    sender.run()


def receive(folder: Path) -> None:
    source = NetworkSource([description()], interfaces=[f"{network}.2" for network in NETWORKS])
    source.start()
    (folder / "listening").touch()
    blocks, gaps = [], []
    end = time.monotonic() + SECONDS + 15.0
    while time.monotonic() < end and not (blocks and (folder / "sent").exists()):
        block = source.read(timeout_s=0.05)
        if block is not None:
            blocks.append(block.samples)
            gaps += [(gap.first_frame, gap.frames) for gap in block.gaps]
    statistics = [(s.address, s.packets, s.lost) for s in source.statistics()]
    source.stop()
    np.save(folder / "received.npy", np.concatenate(blocks))
    (folder / "received.json").write_text(json.dumps({"gaps": gaps, "statistics": statistics}))


if __name__ == "__main__":
    {"send": send, "receive": receive}[sys.argv[1]](Path(sys.argv[2]))
