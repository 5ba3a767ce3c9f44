"""MIDI as a stream of bytes: messages out of it, and time code out of those. Pure.

Source: MIDI 1.0 Detailed Specification (status bytes, running status, real-time bytes anywhere, system exclusive;
MIDI time code: quarter frames F1 and the full-frame message). From memory; held against mido in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

MAX_EXCLUSIVE_BYTES = 1 << 16
_DATA_BYTES = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}
_SYSTEM_DATA_BYTES = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}
_KINDS = {
    0x8: "note off",
    0x9: "note on",
    0xA: "poly pressure",
    0xB: "control change",
    0xC: "program change",
    0xD: "channel pressure",
    0xE: "pitch bend",
}
_SYSTEM_KINDS = {0xF1: "quarter frame", 0xF2: "song position", 0xF3: "song select", 0xF6: "tune request"}


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiMessage:
    """``channel`` from 1 as on every panel, None for system messages; ``data`` as sent (0 to 127 each)."""

    kind: str
    channel: int | None
    data: tuple[int, ...]


class MidiParser:
    """Bytes in any pieces; whole messages out. Damaged messages are dropped, the next status byte begins anew."""

    def __init__(self) -> None:
        self._status = 0
        self._data: list[int] = []
        self._exclusive: bytearray | None = None

    def feed(self, data: bytes) -> tuple[MidiMessage, ...]:
        found: list[MidiMessage] = []
        for byte in data:
            message = self._take(byte)
            if message is not None:
                found.append(message)
        return tuple(found)

    def _take(self, byte: int) -> MidiMessage | None:
        if byte >= 0xF8:
            return None  # real time: may stand anywhere, even inside another message
        if byte >= 0x80:
            return self._take_status(byte)
        if self._exclusive is not None:
            if len(self._exclusive) < MAX_EXCLUSIVE_BYTES:
                self._exclusive.append(byte)
            return None
        needed = self._needed()
        if needed is None:
            return None
        self._data.append(byte)
        return self._complete() if len(self._data) == needed else None

    def _take_status(self, byte: int) -> MidiMessage | None:
        exclusive, self._exclusive = self._exclusive, None
        self._data = []
        if byte == 0xF7:
            self._status = 0
            return None if exclusive is None else MidiMessage(kind="exclusive", channel=None, data=tuple(exclusive))
        if byte == 0xF0:
            self._status, self._exclusive = 0, bytearray()
            return None
        self._status = byte
        return self._complete() if self._needed() == 0 else None

    def _needed(self) -> int | None:
        if self._status >= 0xF0:
            return _SYSTEM_DATA_BYTES.get(self._status)
        return _DATA_BYTES.get(self._status >> 4)

    def _complete(self) -> MidiMessage:
        data, self._data = tuple(self._data), []
        if self._status >= 0xF0:
            kind, channel = _SYSTEM_KINDS[self._status], None
            self._status = 0  # running status ends with a system message
        else:
            kind, channel = _KINDS[self._status >> 4], (self._status & 0x0F) + 1
            if kind == "note on" and data[1] == 0:
                kind = "note off"
        return MidiMessage(kind=kind, channel=channel, data=data)


class MidiTimecode:
    """Hours, minutes, seconds, frames out of quarter frames and full-frame messages."""

    def __init__(self) -> None:
        self._pieces: dict[int, int] = {}

    def feed(self, message: MidiMessage) -> str | None:
        """A label when one is complete ('01:02:03:04'); eight quarter frames in order make one."""
        if message.kind == "exclusive":
            # F0 7F <device> 01 01 hr mn sc fr F7; the hour byte carries the rate in its bits 5 and 6.
            if len(message.data) == 8 and message.data[0] == 0x7F and message.data[2:4] == (0x01, 0x01):
                hours, minutes, seconds, frames = message.data[4:8]
                return f"{hours & 0x1F:02d}:{minutes:02d}:{seconds:02d}:{frames:02d}"
            return None
        if message.kind != "quarter frame":
            return None
        piece, value = message.data[0] >> 4, message.data[0] & 0x0F
        if piece != len(self._pieces):
            self._pieces = {}
            if piece != 0:
                return None
        self._pieces[piece] = value
        if len(self._pieces) < 8:
            return None
        frames, seconds, minutes, hours = (self._pieces[n] | self._pieces[n + 1] << 4 for n in (0, 2, 4, 6))
        self._pieces = {}
        return f"{hours & 0x1F:02d}:{minutes:02d}:{seconds:02d}:{frames:02d}"
