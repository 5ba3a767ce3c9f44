"""Open Sound Control 1.0: packets as bytes and values. Pure; what it leaves to others: sockets and time tags.

Source: OpenSound Control Specification 1.0 (2002): big-endian, everything padded to four bytes, bundles nest.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from nightreel.errors import ArgumentInvalid

MAX_DEPTH = 8  # of bundles in bundles
Argument = int | float | str | bytes | bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OscMessage:
    """``arguments`` of types i h f d s S b c r m t T F N I and (flattened) arrays."""

    address: str
    arguments: tuple[Argument, ...] = ()


def parse_packet(data: bytes) -> tuple[OscMessage, ...]:
    """Every message of a packet, bundles opened, in order. Raises ArgumentInvalid for anything malformed."""
    return tuple(_messages(data, 0))


def serialise_message(message: OscMessage) -> bytes:
    """For arguments of types int, float, str, bytes, bool and None; floats go as 32 bits."""
    tags, body = ",", b""
    for value in message.arguments:
        if value is None:
            tags += "N"
        elif isinstance(value, bool):
            tags += "T" if value else "F"
        elif isinstance(value, int):
            tags, body = tags + "i", body + struct.pack(">i", value)
        elif isinstance(value, float):
            tags, body = tags + "f", body + struct.pack(">f", value)
        elif isinstance(value, str):
            tags, body = tags + "s", body + _padded(value.encode() + b"\0")
        else:
            tags, body = tags + "b", body + struct.pack(">i", len(value)) + _padded(value)
    return _padded(message.address.encode() + b"\0") + _padded(tags.encode() + b"\0") + body


def matches(pattern: str, address: str) -> bool:
    """Whether an address fits a pattern (? * [a-z] [!a-z] {one,two}); a * never crosses a '/' (1.0, section 4)."""
    try:
        return re.fullmatch(_regex(pattern), address) is not None
    except re.error:
        return False


def _messages(data: bytes, depth: int) -> Iterator[OscMessage]:
    if data[:8] != b"#bundle\0":
        yield _message(data)
        return
    if depth >= MAX_DEPTH or len(data) < 16:
        raise ArgumentInvalid("an OSC bundle is cut short or nested too deeply")
    at = 16  # after the time tag: what arrives counts as now
    while at < len(data):
        if at + 4 > len(data):
            raise ArgumentInvalid("an OSC bundle is cut short")
        (size,) = struct.unpack_from(">i", data, at)
        at += 4
        if size <= 0 or size % 4 or at + size > len(data):
            raise ArgumentInvalid(f"an OSC bundle claims an element of {size} bytes")
        yield from _messages(data[at : at + size], depth + 1)
        at += size


def _message(data: bytes) -> OscMessage:
    address, at = _string(data, 0)
    if not address.startswith("/"):
        raise ArgumentInvalid("an OSC address must begin with '/'")
    if at == len(data):  # old senders leave the type tags out
        return OscMessage(address=address)
    tags, at = _string(data, at)
    if not tags.startswith(","):
        raise ArgumentInvalid("OSC type tags must begin with ','", where=address)
    arguments: list[Argument] = []
    for tag in tags[1:]:
        if tag in _FIXED:
            form, size = _FIXED[tag]
            if at + size > len(data):
                raise ArgumentInvalid("an OSC message is cut short", where=address)
            (value,) = struct.unpack_from(form, data, at)
            arguments.append(value)
            at += size
        elif tag in "sS":
            text, at = _string(data, at)
            arguments.append(text)
        elif tag == "b":
            blob, at = _blob(data, at, address)
            arguments.append(blob)
        elif tag in _CONSTANT:
            arguments.append(_CONSTANT[tag])
        elif tag not in "[]":
            raise ArgumentInvalid(f"OSC type '{tag}' is not known", where=address)
    return OscMessage(address=address, arguments=tuple(arguments))


_FIXED = {
    "i": (">i", 4),
    "f": (">f", 4),
    "h": (">q", 8),
    "t": (">Q", 8),
    "d": (">d", 8),
    "c": (">i", 4),
    "r": (">I", 4),
    "m": (">I", 4),
}
_CONSTANT: dict[str, Argument] = {"T": True, "F": False, "N": None, "I": float("inf")}


def _string(data: bytes, at: int) -> tuple[str, int]:
    end = data.find(b"\0", at)
    if end < 0:
        raise ArgumentInvalid("an OSC string has no end")
    after = end + 1 + (-(end + 1)) % 4
    if after > len(data):
        raise ArgumentInvalid("an OSC string is not padded")
    return data[at:end].decode("utf-8", "replace"), after


def _blob(data: bytes, at: int, address: str) -> tuple[bytes, int]:
    if at + 4 > len(data):
        raise ArgumentInvalid("an OSC message is cut short", where=address)
    (size,) = struct.unpack_from(">i", data, at)
    after = at + 4 + size + (-size) % 4
    if size < 0 or after > len(data):
        raise ArgumentInvalid(f"an OSC blob claims {size} bytes", where=address)
    return data[at + 4 : at + 4 + size], after


def _padded(data: bytes) -> bytes:
    return data + b"\0" * (-len(data) % 4)


def _regex(pattern: str) -> str:
    """Piece by piece, so that nothing of the pattern is taken for a regular expression by chance."""
    out, at = "", 0
    while at < len(pattern):
        ch = pattern[at]
        close = pattern.find({"[": "]", "{": "}"}.get(ch, "\0"), at)
        if ch == "?":
            out += "[^/]"
        elif ch == "*":
            out += "[^/]*"
        elif ch == "[" and close > at + 1:
            inside = pattern[at + 1 : close]
            negated = inside.startswith("!")
            out += "[" + ("^" if negated else "") + re.sub(r"([\\\]\[^])", r"\\\1", inside[negated:]) + "]"
            at = close
        elif ch == "{" and close > 0:
            out += "(?:" + "|".join(re.escape(word) for word in pattern[at + 1 : close].split(",")) + ")"
            at = close
        else:
            out += re.escape(ch)
        at += 1
    return out
