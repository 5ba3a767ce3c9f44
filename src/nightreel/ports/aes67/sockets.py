"""UDP sockets for audio: joining a group on an interface, and asking for enough buffer.

The system grants at most what its administrator allows (on Linux ``net.core.rmem_max``); how much was granted is
reported, because a buffer shorter than a stall loses packets before any program sees them.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import struct
from dataclasses import dataclass

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67.sdp import Destination

WANTED_BUFFER_BYTES = 4_194_304
DSCP_EF = 46  # clock class; RFC 3246
DSCP_AF41 = 34  # media class of AES67 (from memory); RFC 2597


@dataclass(frozen=True, slots=True, kw_only=True)
class Ear:
    """A bound socket and the buffer it really has."""

    socket: socket.socket
    buffer_bytes: int


def open_ear(destination: Destination, *, interface: str = "", wanted_bytes: int = WANTED_BUFFER_BYTES) -> Ear:
    """Bind to a destination and join its group. ``interface`` is the IPv4 address of the network card.

    Raises NetworkTrouble with the remedy; nothing is left open then.
    """
    where = f"{destination.address}:{destination.port}"
    ear = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        granted = _grow_buffer(ear, wanted_bytes)
        ear.bind((destination.address, destination.port))
        if destination.is_multicast:
            card = socket.inet_aton(interface or "0.0.0.0")
            group = socket.inet_aton(destination.address)
            if destination.source and hasattr(socket, "IP_ADD_SOURCE_MEMBERSHIP"):
                ear.setsockopt(
                    socket.IPPROTO_IP,
                    socket.IP_ADD_SOURCE_MEMBERSHIP,
                    group + card + socket.inet_aton(destination.source),
                )
            else:
                ear.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group + card)
        ear.setblocking(False)
    except OSError as error:
        ear.close()
        raise NetworkTrouble(
            f"cannot listen: {error.strerror or error}",
            where=where + (f" on {interface}" if interface else ""),
            now="Check the address of the network card, and that no other program holds the port",
        ) from error
    return Ear(socket=ear, buffer_bytes=granted)


def _grow_buffer(ear: socket.socket, wanted_bytes: int) -> int:
    """Ask as an administrator first (Linux SO_RCVBUFFORCE), then as anybody; the kernel reports twice the payload."""
    with contextlib.suppress(OSError):
        ear.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, wanted_bytes)
    granted = ear.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF) // 2
    if granted < wanted_bytes:
        with contextlib.suppress(OSError, AttributeError):
            ear.setsockopt(socket.SOL_SOCKET, getattr(socket, "SO_RCVBUFFORCE", 33), wanted_bytes)
        granted = ear.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF) // 2
    return granted


def open_mouth(destination: Destination, *, interface: str = "", dscp: int = DSCP_AF41) -> socket.socket:
    """A connected sending socket with time to live and differentiated service set."""
    mouth = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        mouth.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, dscp << 2)
        if ipaddress.ip_address(destination.address).is_multicast:
            mouth.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, struct.pack("B", destination.ttl or 1))
            if interface:
                mouth.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(interface))
        elif interface:
            mouth.bind((interface, 0))
        mouth.connect((destination.address, destination.port))
    except OSError as error:
        mouth.close()
        raise NetworkTrouble(
            f"cannot send: {error.strerror or error}",
            where=f"{destination.address}:{destination.port}" + (f" on {interface}" if interface else ""),
            now="Check the address of the network card",
        ) from error
    return mouth


def buffer_warning(granted_bytes: int, *, bytes_per_s: float) -> str:
    """One sentence where the granted buffer holds less than half a second of a stream; '' where it is enough."""
    held_s = granted_bytes / bytes_per_s if bytes_per_s > 0 else float("inf")
    if held_s >= 0.5:
        return ""
    return (
        f"the system grants a socket buffer of {granted_bytes} bytes, {held_s * 1000:.0f} ms of this stream: a longer "
        "stall loses packets. On Linux an administrator can raise net.core.rmem_max"
    )
