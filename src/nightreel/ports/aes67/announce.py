"""Session announcements on the network: saying what we send, and hearing what others send.

Source: RFC 2974. We announce every 30 s, more often than the RFC's base interval asks for few sessions, because an
engineer who plugs in a laptop does not wait five minutes (common practice, no published source).
"""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import threading
import time
import zlib
from collections.abc import Sequence

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67 import sap, sdp

EVERY_S = 30.0


class Announcer(threading.Thread):
    """Announces streams until stopped, then withdraws them."""

    def __init__(
        self,
        streams: Sequence[sdp.StreamDescription],
        *,
        source: str,
        group: str = sap.GROUPS[1],
        port: int = sap.PORT,
        every_s: float = EVERY_S,
    ) -> None:
        super().__init__(name="announcer", daemon=True)
        texts = [sdp.serialise(stream) for stream in streams]
        self._announcements = [
            sap.Announcement(source=source, message_hash=zlib.crc32(text.encode()) & 0xFFFF or 1, payload=text)
            for text in texts
        ]
        self._group, self._port, self._source, self._every_s = group, port, source, every_s
        self._done = threading.Event()

    def run(self) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mouth:
            mouth.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, struct.pack("B", sap.TTL))
            with contextlib.suppress(OSError):
                mouth.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(self._source))
            while True:
                self._say(mouth, deletes=False)
                if self._done.wait(self._every_s):
                    break
            self._say(mouth, deletes=True)

    def _say(self, mouth: socket.socket, *, deletes: bool) -> None:
        for one in self._announcements:
            words = sap.Announcement(
                source=one.source, message_hash=one.message_hash, payload=one.payload, deletes=deletes
            )
            with contextlib.suppress(OSError):  # a network that is down now may be up at the next turn
                mouth.sendto(sap.serialise(words), (self._group, self._port))

    def stop(self) -> None:
        self._done.set()
        self.join(timeout=5.0)


def listen(
    *,
    seconds: float,
    interface: str = "",
    groups: Sequence[str] = sap.GROUPS,
    port: int = sap.PORT,
) -> tuple[sdp.StreamDescription, ...]:
    """Streams announced within ``seconds``; descriptions that cannot be read are passed over.

    Raises NetworkTrouble where no group can be joined.
    """
    heard = sap.Announced()
    ears = [ear for group in groups if (ear := _join(group, port, interface)) is not None]
    if not ears:
        raise NetworkTrouble("cannot listen for announcements", where=interface or "any network card",
                             now="Check that the network card is up, or give SDP files")  # fmt: skip
    end = time.monotonic() + seconds
    try:
        while (left := end - time.monotonic()) > 0:
            for ear in select.select(ears, [], [], left)[0]:
                with contextlib.suppress(sap.MalformedAnnouncement, OSError):
                    heard.feed(sap.parse(ear.recv(65_536)), now_s=time.monotonic())
    finally:
        for ear in ears:
            ear.close()
    streams = []
    for announcement in heard.alive(now_s=time.monotonic()):
        with contextlib.suppress(NetworkTrouble):
            streams.append(sdp.parse(announcement.payload, where=f"announced by {announcement.source}"))
    return tuple(streams)


def _join(group: str, port: int, interface: str) -> socket.socket | None:
    ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        ear.bind((group, port))
        card = socket.inet_aton(interface or "0.0.0.0")
        ear.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton(group) + card)
    except OSError:
        ear.close()
        return None
    return ear
