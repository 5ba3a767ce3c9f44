"""Whole-file operations that must not lose anything: create, append, replace in one step, never overwrite."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import TYPE_CHECKING

from nightreel.disk.real import RealDisk
from nightreel.disk.storage import Disk, OpenFile

if TYPE_CHECKING:
    from typing_extensions import Buffer

_REAL = RealDisk()


def create_new(path: Path, *, disk: Disk = _REAL) -> OpenFile:
    """A new empty file, open for writing; raises AlreadyThere or DiskTrouble."""
    return disk.create(path)


def make_folder_new(path: Path, *, disk: Disk = _REAL) -> None:
    """A new folder, its name durable; raises AlreadyThere or DiskTrouble. The parent must exist."""
    disk.make_folder(path)
    disk.sync_folder(path.parent)


def write_new_bytes(path: Path, data: Buffer, *, disk: Disk = _REAL) -> None:
    """A new file that is durable when this returns; raises AlreadyThere or DiskTrouble, and leaves nothing then."""
    file = disk.create(path)
    try:
        file.write_at(0, data)
        file.sync()
        file.close()
    except BaseException:
        _discard(disk, file)
        raise
    disk.sync_folder(path.parent)


def write_new_text(path: Path, text: str, *, disk: Disk = _REAL) -> None:
    """:func:`write_new_bytes` of UTF-8, lines ended as given."""
    write_new_bytes(path, text.encode(), disk=disk)


def replace_text(path: Path, text: str, *, disk: Disk = _REAL) -> None:
    """Put ``text`` (UTF-8) in place of a file of ours: readers see the old or the new, never a mixture.

    Goes through a temporary in the same folder; after trouble the old file stands unchanged.
    """
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.tmp")
    file = disk.create(temporary)
    try:
        file.write_at(0, text.encode())
        file.sync()
        file.close()
        disk.replace(temporary, path)
    except BaseException:
        _discard(disk, file)
        raise
    disk.sync_folder(path.parent)


def sync_folder(path: Path, *, disk: Disk = _REAL) -> None:
    disk.sync_folder(path)


def free_bytes(path: Path, *, disk: Disk = _REAL) -> int:
    """Room left for an ordinary user on the volume that holds ``path``, which need not exist yet."""
    return disk.free_bytes(path)


class AppendFile:
    """A file that only grows, for journals. ``append`` hands to the system, ``sync`` makes durable.

    With ``new=False`` an existing file is continued at its end (a torn last line is the reader's to judge).
    """

    def __init__(self, path: Path, *, new: bool = True, disk: Disk = _REAL) -> None:
        self._file = disk.create(path) if new else disk.open(path)
        self._end = 0 if new else self._file.size_bytes()
        self._unsynced = bytearray()
        self._sync_failed = False
        if new:
            try:
                disk.sync_folder(path.parent)
            except BaseException:
                self._file.close()
                raise

    @property
    def path(self) -> Path:
        return self._file.path

    @property
    def size_bytes(self) -> int:
        return self._end

    def append(self, data: bytes) -> None:
        self._file.write_at(self._end, data)
        self._end += len(data)
        self._unsynced += data

    def sync(self) -> None:
        """Make durable what was appended. After a failure the next call writes all of it again first.

        Linux drops what it could not write and then reports success: a second sync alone would prove nothing.
        """
        if self._sync_failed:
            self._file.write_at(self._end - len(self._unsynced), self._unsynced)
        try:
            self._file.sync()
        except BaseException:
            self._sync_failed = True
            raise
        self._sync_failed = False
        self._unsynced.clear()

    def close(self) -> None:
        self._file.close()

    def __enter__(self) -> AppendFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _discard(disk: Disk, file: OpenFile) -> None:
    """Take a half-written temporary away; the trouble that led here is the one to report."""
    for step in (file.close, lambda: disk.remove(file.path)):
        try:
            step()
        except Exception:
            continue
