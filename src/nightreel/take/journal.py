"""The journal of a take: append-only JSON lines, each with a CRC-32, readable when cut off anywhere.

One record a line. A line is a JSON object whose last member is ``crc``: the CRC-32 (the polynomial of ISO-HDLC, as
in zlib) of the object's UTF-8 bytes without that member, in eight hex digits::

    {"kind":"mark","seq":7,"frame":96000,"at":"2026-11-28T20:15:00.000+01:00","name":"Tin Boats","crc":"1b2c3d4e"}

Here live the pure parts (records to bytes and back) and the account a journal gives; :class:`JournalFile` appends.
See docs/formats/take.md for the members of each kind.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Any

JOURNAL_NAME = "journal.jsonl"
JOURNAL_VERSION = 1
MAX_LINE_BYTES = 1 << 20  # a longer line is damage, not a record (the start record of 256 lines takes 70 kB)
_CRC = re.compile(rb',"crc":"([0-9a-f]{8})"\}$')
_OWN_MEMBERS = ("kind", "seq", "frame", "at", "crc")


class RecordKind(StrEnum):
    """What one line tells."""

    START = "start"
    CHECKPOINT = "checkpoint"  # frames before `frame` are durable and stand in the headers
    GAP = "gap"  # never arrived, on any destination
    HOLE = "hole"  # missing at this destination only: another one may have it
    MARK = "mark"
    ALERT = "alert"
    ALERT_END = "alert end"
    DESTINATION = "destination"  # a place where the take is written changed its state
    SEGMENT = "segment"  # the next file of every track begins at `frame`
    STOP = "stop"
    RECOVERED = "recovered"


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One line. ``frame`` is a position in the take; ``at`` the wall clock, for people only."""

    kind: RecordKind
    frame: int
    at: str
    seq: int = 0
    data: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True, kw_only=True)
class Journal:
    """What a journal's bytes hold.

    bad_lines : numbers (from 1) of lines that are no sound record
    torn : the last line was cut off in the middle (a crash while it was written); it is in ``bad_lines`` too
    lost_records : how many records the sequence numbers say are missing in between
    """

    records: tuple[Record, ...]
    bad_lines: tuple[int, ...] = ()
    torn: bool = False
    lost_records: int = 0

    def of(self, *kinds: RecordKind) -> tuple[Record, ...]:
        return tuple(r for r in self.records if r.kind in kinds)


def wall_clock() -> str:
    """Now, local time with its offset, to the millisecond."""
    return datetime.now().astimezone().isoformat(timespec="milliseconds")


def serialise_record(record: Record) -> bytes:
    """One line with its newline."""
    body = {"kind": record.kind.value, "seq": record.seq, "frame": record.frame, "at": record.at}
    body.update((key, value) for key, value in record.data.items() if key not in _OWN_MEMBERS)
    raw = json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8", "replace")
    return raw[:-1] + b',"crc":"%08x"}\n' % zlib.crc32(raw)


def parse_record(line: bytes) -> Record | None:
    """The record of one line (without its newline); None where it is damaged in any way."""
    if len(line) > MAX_LINE_BYTES:
        return None
    match = _CRC.search(line)
    if match is None:
        return None
    raw = line[: match.start()] + b"}"
    if zlib.crc32(raw) != int(match[1], 16):
        return None
    try:
        body = json.loads(raw)
        kind = RecordKind(body["kind"])
        frame, seq, at = body["frame"], body["seq"], body["at"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    if type(frame) is not int or type(seq) is not int or type(at) is not str or frame < 0 or seq < 0:
        return None
    data = {key: value for key, value in body.items() if key not in _OWN_MEMBERS}
    return Record(kind=kind, frame=frame, at=at, seq=seq, data=MappingProxyType(data))


def parse_journal(raw: bytes) -> Journal:
    """Every sound record of a journal, in order; no byte string makes this fail."""
    lines = raw.split(b"\n")
    tail = lines.pop()
    records: list[Record] = []
    bad: list[int] = []
    lost = 0
    for number, line in enumerate(lines, 1):
        if not line:
            continue  # a fresh line begun after a torn one
        record = parse_record(line)
        if record is None:
            bad.append(number)
            continue
        if records and record.seq > records[-1].seq + 1:
            lost += record.seq - records[-1].seq - 1
        records.append(record)
    torn = bool(tail)
    if torn:
        whole = parse_record(tail)  # only the newline is missing
        if whole is None:
            bad.append(len(lines) + 1)
        else:
            records.append(whole)
            torn = False
    return Journal(records=tuple(records), bad_lines=tuple(bad), torn=torn, lost_records=lost)


def next_seq(records: Iterable[Record]) -> int:
    return max((r.seq for r in records), default=-1) + 1
