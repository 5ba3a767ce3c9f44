"""The journal on disk: appended to by one process, read by anybody."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nightreel.disk import AppendFile, Disk, RealDisk
from nightreel.errors import TakeDamaged
from nightreel.take.journal import (
    JOURNAL_NAME,
    Journal,
    Record,
    RecordKind,
    next_seq,
    parse_journal,
    serialise_record,
    wall_clock,
)

MAX_JOURNAL_BYTES = 1 << 30  # a ten-hour take has some 5 MB


class JournalFile:
    """Appends records; thread-safe. ``append`` hands a line to the system, ``sync`` makes all of them durable."""

    def __init__(self, file: AppendFile, *, seq: int = 0) -> None:
        self._file = file
        self._seq = seq
        self._lock = threading.Lock()

    @classmethod
    def create(cls, folder: Path, *, disk: Disk | None = None) -> JournalFile:
        """A new journal; raises AlreadyThere or DiskTrouble."""
        return cls(AppendFile(folder / JOURNAL_NAME, disk=disk or RealDisk()))

    @classmethod
    def reopen(cls, folder: Path, *, seq: int | None = None, disk: Disk | None = None) -> JournalFile:
        """Go on with an existing journal. A torn last line is left as it is: a fresh line begins after it.

        seq : the next sequence number, where the caller has read the journal already
        """
        path = folder / JOURNAL_NAME
        raw = _read(path) if path.is_file() else b""
        file = AppendFile(path, new=not path.is_file(), disk=disk or RealDisk())
        if raw and not raw.endswith(b"\n"):
            file.append(b"\n")
        return cls(file, seq=next_seq(parse_journal(raw).records) if seq is None else seq)

    def append(self, kind: RecordKind, frame: int, data: Mapping[str, Any] | None = None) -> Record:
        """Raises DiskTrouble; a line that failed halfway is written over by the next."""
        with self._lock:
            record = Record(kind=kind, frame=frame, at=wall_clock(), seq=self._seq, data=data or {})
            self._file.append(serialise_record(record))
            self._seq += 1
            return record

    def sync(self) -> None:
        self._file.sync()

    def close(self) -> None:
        self._file.close()


def read_journal(folder: Path) -> Journal:
    """The journal of a take folder; empty where there is none. Raises TakeDamaged when it cannot be read at all."""
    path = Path(folder) / JOURNAL_NAME
    return parse_journal(_read(path)) if path.is_file() else Journal(records=())


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_JOURNAL_BYTES:
            raise TakeDamaged("the journal is far too large to be one", where=str(path), now="Look what wrote it")
        return path.read_bytes()
    except OSError as error:
        raise TakeDamaged(
            f"the journal cannot be read: {error.strerror}", where=str(path), now="Check the disk and its permissions"
        ) from error
