"""Marks as a Standard MIDI File: format 1, one track, markers on a fixed 120 beats a minute.

480 ticks a quarter at 120 a minute are 960 ticks a second: a mark is placed to about a millisecond. Sources: Standard
MIDI Files 1.0 (chunks, FF 06 marker, FF 51 tempo, FF 2F end, variable-length quantities).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from nightreel.timeline import Mark

TICKS_A_QUARTER = 480
QUARTER_US = 500_000
TICKS_A_SECOND = TICKS_A_QUARTER * 1_000_000 // QUARTER_US
_LAST_TICK = (1 << 28) - 1  # the most that a variable-length quantity holds: 77 hours


def marks_to_midi(marks: Sequence[Mark], *, rate_hz: int) -> bytes:
    """A whole file; texts are UTF-8 (which is ASCII wherever ASCII is enough)."""
    events = b"\x00\xff\x51\x03" + QUARTER_US.to_bytes(3, "big")
    at = 0
    for mark in sorted(marks, key=lambda m: m.frame):
        tick = min((2 * mark.frame * TICKS_A_SECOND + rate_hz) // (2 * rate_hz), _LAST_TICK)
        text = mark.name.encode(errors="replace")
        events += variable_length(tick - at) + b"\xff\x06" + variable_length(len(text)) + text
        at = tick
    events += b"\x00\xff\x2f\x00"
    header = struct.pack(">4sIHHH", b"MThd", 6, 1, 1, TICKS_A_QUARTER)
    return header + struct.pack(">4sI", b"MTrk", len(events)) + events


def variable_length(number: int) -> bytes:
    """Seven bits a byte, most significant first, top bit set on all but the last."""
    out = bytes([number & 0x7F])
    while number := number >> 7:
        out = bytes([number & 0x7F | 0x80]) + out
    return out
