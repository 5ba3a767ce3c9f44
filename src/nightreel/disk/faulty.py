"""A disk that fails on demand: the Nth call errs, writes short or stalls, and a power cut drops what was not synced.

It works on real files, so that what is left can be opened by any reader. Calls are counted over all files in the
order in which they happen; the faults are a string with one letter a call, after which everything works:

    ``.`` works   ``E`` errs (EIO)   ``F`` full: writes half, then ENOSPC   ``W`` waits ``stall_s``, then works

Drives write sectors of 512 bytes whole: an overwrite that stays within one is never cut in half. A sync that fails
dooms what was not durable before it, as on Linux: a later sync succeeds and does not bring it back.
"""

from __future__ import annotations

import errno
import os
import random
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from enum import Enum, auto
from pathlib import Path
from typing import TYPE_CHECKING

from nightreel.disk.real import RealDisk
from nightreel.disk.storage import OpenFile, trouble
from nightreel.errors import DiskTrouble

if TYPE_CHECKING:
    from typing_extensions import Buffer

SECTOR_BYTES = 512


class _Fate(Enum):
    OPEN = auto()  # may or may not reach the drive
    DURABLE = auto()
    DOOMED = auto()


@dataclass(slots=True, kw_only=True)
class _Change:
    """One change of a file: what stood there, what was put there. ``data`` None means: length set."""

    offset: int
    before: bytes
    size_before: int
    data: bytes | None
    fate: _Fate = _Fate.OPEN


@dataclass(slots=True)
class _Ledger:
    """What a power cut would take from one file."""

    changes: list[_Change] = field(default_factory=list)
    name_durable: bool = True


class FaultyDisk:
    """See the module; ``calls`` counts what was asked for, by kind ('create', 'write', 'sync', ...)."""

    def __init__(self, faults: str = "", *, stall_s: float = 0.0, forever: bool = False) -> None:
        """``forever`` repeats the last letter for every later call: a disk that went and stays away."""
        self._real = RealDisk()
        self._faults = faults
        self._forever = forever
        self._stall_s = stall_s
        self._lock = threading.RLock()
        self._ledgers: dict[Path, _Ledger] = {}
        self._dead = False
        self.calls: Counter[str] = Counter()

    @classmethod
    def failing_at(cls, call: int, letter: str = "E", *, forever: bool = False) -> FaultyDisk:
        """Fails the call with this number, counted from 0."""
        return cls("." * call + letter, forever=forever)

    @property
    def calls_made(self) -> int:
        return self.calls.total()

    def fail_next(self, letter: str = "E") -> None:
        """The next call of all has this fault; after it everything works."""
        with self._lock:
            self._faults, self._forever = "." * self.calls_made + letter, False

    def heal(self) -> None:
        """From now on everything works."""
        with self._lock:
            self._faults, self._forever = "", False

    def cut_power(self, *, keep: float = 0.0, seed: int = 0) -> None:
        """Drop what was not synced, as a power cut may; later calls fail.

        keep : chance of each unsynced write to survive (drives write back in any order). New names whose folder was
            not synced are lost with the same chance.
        """
        chance = random.Random(seed)
        with self._lock:
            self._dead = True
            for path, ledger in self._ledgers.items():
                if not path.exists():
                    continue
                if not ledger.name_durable and chance.random() >= keep:
                    path.unlink()
                    continue
                _replay(path, ledger.changes, [c for c in ledger.changes if _survives(c, chance, keep)])

    # --- the Disk protocol

    def create(self, path: Path) -> OpenFile:
        with self._lock:
            self.meet("create", path)
            file = self._real.create(path)
            self._ledgers[path] = _Ledger(name_durable=False)
            return _FaultyFile(self, file)

    def open(self, path: Path) -> OpenFile:
        with self._lock:
            self.meet("open", path)
            file = self._real.open(path)
            self._ledgers.setdefault(path, _Ledger())
            return _FaultyFile(self, file)

    def replace(self, source: Path, target: Path) -> None:
        with self._lock:
            self.meet("replace", target)
            self._real.replace(source, target)
            for path in [p for p in self._ledgers if p == source or source in p.parents]:
                ledger = self._ledgers.pop(path)
                if path == source:
                    ledger.name_durable = True  # the old name or the new: both are taken for safe here
                self._ledgers[target / path.relative_to(source)] = ledger

    def make_folder(self, path: Path) -> None:
        with self._lock:
            self.meet("make_folder", path)
            self._real.make_folder(path)

    def remove(self, path: Path) -> None:
        with self._lock:
            self.meet("remove", path)
            self._real.remove(path)
            self._ledgers.pop(path, None)

    def sync_folder(self, path: Path) -> None:
        with self._lock:
            self.meet("sync_folder", path)
            self._real.sync_folder(path)
            for file_path, ledger in self._ledgers.items():
                if file_path.parent == path:
                    ledger.name_durable = True

    def free_bytes(self, path: Path) -> int:
        with self._lock:
            self.meet("free_bytes", path)
            return self._real.free_bytes(path)

    # --- for the files

    def meet(self, kind: str, path: Path) -> bool:
        """Count a call and carry its fault out; True when a write has to be cut short."""
        with self._lock:
            number = self.calls_made
            self.calls[kind] += 1
            if self._dead:
                raise trouble(OSError(errno.ENODEV, os.strerror(errno.ENODEV)), path)
            if number < len(self._faults):
                letter = self._faults[number]
            else:
                letter = self._faults[-1:] if self._forever else "."
        if letter == "W":
            time.sleep(self._stall_s)
        elif letter == "E":
            raise trouble(OSError(errno.EIO, os.strerror(errno.EIO)), path)
        elif letter == "F":
            if kind == "write":
                return True
            raise trouble(OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), path)
        return False

    def remember(self, file: OpenFile, offset: int, size_bytes: int, data: bytes | None) -> None:
        change = _Change(
            offset=offset,
            before=file.read_at(offset, size_bytes),
            size_before=file.size_bytes(),
            data=data,
        )
        self._ledgers[file.path].changes.append(change)

    def settle(self, path: Path, fate: _Fate) -> None:
        """What a sync decided about the changes before it."""
        ledger = self._ledgers.get(path, _Ledger())
        for change in ledger.changes:
            if change.fate is _Fate.OPEN:
                change.fate = fate
        if all(change.fate is _Fate.DURABLE for change in ledger.changes):
            ledger.changes.clear()


class _FaultyFile:
    def __init__(self, disk: FaultyDisk, file: OpenFile) -> None:
        self._disk = disk
        self._file = file

    @property
    def path(self) -> Path:
        return self._file.path

    def write_at(self, offset: int, data: Buffer) -> None:
        view = memoryview(data).cast("B")
        short = self._disk.meet("write", self.path)
        if short:
            view = view[: self._short_bytes(offset, len(view))]
        with self._disk._lock:
            self._disk.remember(self._file, offset, len(view), bytes(view))
            self._file.write_at(offset, view)
        if short:
            raise trouble(OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)), self.path)

    def read_at(self, offset: int, size_bytes: int) -> bytes:
        self._disk.meet("read", self.path)
        return self._file.read_at(offset, size_bytes)

    def size_bytes(self) -> int:
        return self._file.size_bytes()

    def truncate(self, size_bytes: int) -> None:
        self._disk.meet("truncate", self.path)
        with self._disk._lock:
            size_before = self._file.size_bytes()
            self._disk.remember(self._file, size_bytes, max(0, size_before - size_bytes), None)
            self._file.truncate(size_bytes)

    def sync(self) -> None:
        try:
            self._disk.meet("sync", self.path)
        except DiskTrouble:
            self._disk.settle(self.path, _Fate.DOOMED)
            raise
        with self._disk._lock:
            self._file.sync()
            self._disk.settle(self.path, _Fate.DURABLE)

    def close(self) -> None:
        self._file.close()

    def _short_bytes(self, offset: int, size_bytes: int) -> int:
        """How much of a write gets through before the disk is full."""
        if offset // SECTOR_BYTES == (offset + size_bytes - 1) // SECTOR_BYTES and offset < self.size_bytes():
            return 0
        return size_bytes // 2


def _survives(change: _Change, chance: random.Random, keep: float) -> bool:
    lucky = chance.random() < keep
    return change.fate is _Fate.DURABLE or (change.fate is _Fate.OPEN and lucky)


def _replay(path: Path, changes: list[_Change], survivors: list[_Change]) -> None:
    """Back to the last synced state, then forward again with those changes alone that reached the drive."""
    with path.open("r+b") as file:
        for change in reversed(changes):
            file.seek(change.offset)
            file.write(change.before)
            file.truncate(change.size_before)
        for change in survivors:
            if change.data is None:
                file.truncate(change.offset)
            else:
                file.seek(change.offset)
                file.write(change.data)
