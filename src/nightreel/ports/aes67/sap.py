"""Session announcements: datagrams to values and back, and which sessions are alive.

Source: RFC 2974 sections 3, 4 and 6. Encrypted and compressed payloads are not read (AES67 senders use neither).
"""

from __future__ import annotations

import ipaddress
import struct
from dataclasses import dataclass, field

from nightreel.errors import ArgumentInvalid

PORT = 9875
GROUPS = ("224.2.127.254", "239.255.255.255")
TTL = 255
CONTENT_TYPE = "application/sdp"
_LIMIT_BITS_PER_S = 4000


class MalformedAnnouncement(ValueError):
    """Bytes that are no announcement we can read. Receivers count and drop them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Announcement:
    """One datagram. ``deletes`` ends the session; ``message_hash`` changes whenever the payload does."""

    source: str
    message_hash: int
    payload: str
    deletes: bool = False
    content_type: str = CONTENT_TYPE


def parse(datagram: bytes) -> Announcement:
    """Raises MalformedAnnouncement for everything else."""
    if len(datagram) < 8:
        raise MalformedAnnouncement("shorter than its header")
    flags, auth_words, message_hash = struct.unpack_from(">BBH", datagram)
    if flags >> 5 != 1:
        raise MalformedAnnouncement(f"version {flags >> 5}, not 1")
    if flags & 0x03:
        raise MalformedAnnouncement("encrypted or compressed")
    address_bytes = 16 if flags & 0x10 else 4
    start = 4 + address_bytes + 4 * auth_words
    if len(datagram) < start:
        raise MalformedAnnouncement("cut off inside its header")
    source = str(ipaddress.ip_address(datagram[4 : 4 + address_bytes]))
    rest = datagram[start:]
    content_type = CONTENT_TYPE
    if not rest.startswith(b"v=0"):
        head, nul, body = rest.partition(b"\0")
        if nul and len(head) < 100:
            content_type = head.decode("ascii", "replace") or CONTENT_TYPE
            rest = body
        elif not flags & 0x04:
            raise MalformedAnnouncement("no payload type and no session description")
    try:
        payload = rest.decode("utf-8")
    except UnicodeDecodeError as error:
        raise MalformedAnnouncement("its text is not UTF-8") from error
    return Announcement(
        source=source, message_hash=message_hash, payload=payload, deletes=bool(flags & 0x04), content_type=content_type
    )


def serialise(announcement: Announcement) -> bytes:
    """Bytes as sent, unauthenticated, with the payload type stated."""
    if not 0 <= announcement.message_hash <= 0xFFFF:
        raise ArgumentInvalid(f"message hash {announcement.message_hash} does not fit 16 bits")
    source = ipaddress.ip_address(announcement.source)
    flags = 1 << 5 | (0x10 if source.version == 6 else 0) | (0x04 if announcement.deletes else 0)
    head = struct.pack(">BBH", flags, 0, announcement.message_hash) + source.packed
    return head + announcement.content_type.encode("ascii") + b"\0" + announcement.payload.encode("utf-8")


def interval_s(*, announcements: int, size_bytes: int) -> float:
    """Base interval between announcements: RFC 2974 section 3.1, before its random third."""
    return max(300.0, 8.0 * announcements * size_bytes / _LIMIT_BITS_PER_S)


def expiry_s(interval: float) -> float:
    """A session unheard of for ten intervals or an hour, the larger, is gone: RFC 2974 section 4."""
    return max(10.0 * interval, 3600.0)


@dataclass(slots=True)
class Announced:
    """The sessions heard of, by (source, hash). Time comes from the caller."""

    _heard: dict[tuple[str, int], tuple[Announcement, float]] = field(default_factory=dict)

    def feed(self, announcement: Announcement, *, now_s: float) -> None:
        key = (announcement.source, announcement.message_hash)
        if announcement.deletes:
            self._heard.pop(key, None)
        else:
            self._heard[key] = (announcement, now_s)

    def alive(self, *, now_s: float) -> tuple[Announcement, ...]:
        limit = expiry_s(interval_s(announcements=max(1, len(self._heard)), size_bytes=500))
        self._heard = {key: pair for key, pair in self._heard.items() if now_s - pair[1] < limit}
        return tuple(pair[0] for pair in self._heard.values())
