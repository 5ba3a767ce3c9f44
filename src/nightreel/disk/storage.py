"""The small protocol through which recorder and writers touch storage, so that faults can be put in between.

What no file system promises is not promised here either: a sync that returned means that the drive *said* the bytes
are durable. Every failure is a DiskTrouble (or AlreadyThere) that names the path and what to do.
"""

from __future__ import annotations

import errno
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from nightreel.errors import AlreadyThere, DiskTrouble, FailureError

if TYPE_CHECKING:
    from typing_extensions import Buffer


class OpenFile(Protocol):
    """A file open for reading and writing at given places; no cursor, so threads may share it."""

    @property
    def path(self) -> Path: ...

    def write_at(self, offset: int, data: Buffer) -> None:
        """All of ``data`` (C-contiguous) or DiskTrouble; after trouble any part of it may have been written."""
        ...

    def read_at(self, offset: int, size_bytes: int) -> bytes:
        """Fewer bytes than asked for only where the file ends."""
        ...

    def size_bytes(self) -> int: ...

    def truncate(self, size_bytes: int) -> None:
        """Cut, or lengthen with zeros."""
        ...

    def sync(self) -> None:
        """Returns when the drive says that what was written before is durable."""
        ...

    def close(self) -> None:
        """Idempotent; does not sync."""
        ...


class Disk(Protocol):
    """Where files are made. ``RealDisk`` is the machine's; ``FaultyDisk`` fails on demand."""

    def create(self, path: Path) -> OpenFile:
        """A new empty file; AlreadyThere when the name is taken."""
        ...

    def open(self, path: Path) -> OpenFile:
        """An existing file, for mending in place."""
        ...

    def replace(self, source: Path, target: Path) -> None:
        """Rename over ``target`` in one step (same folder)."""
        ...

    def make_folder(self, path: Path) -> None:
        """A new folder; AlreadyThere when the name is taken."""
        ...

    def remove(self, path: Path) -> None:
        """Only ever called on temporaries of our own."""
        ...

    def sync_folder(self, path: Path) -> None:
        """Make the names in a folder durable, where the system can."""
        ...

    def free_bytes(self, path: Path) -> int:
        """Room that an ordinary user may still fill on the volume of ``path`` (its nearest existing parent)."""
        ...


_WORDS: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", "Free some room or go on with another disk"),
    errno.EDQUOT: ("this user's share of the disk is used up", "Free some room or go on with another disk"),
    errno.EFBIG: (
        "the file has reached the largest size this file system allows",
        "Start a new file, or use a disk with exFAT, NTFS, APFS or ext4",
    ),
    errno.EROFS: ("the disk is read-only", "Switch its write protection off or use another disk"),
    errno.EACCES: ("no permission to write here", "Choose a folder of your own, or change its permissions"),
    errno.EPERM: ("the system does not allow this here", "Choose a folder of your own, or change its permissions"),
    errno.ENOENT: ("no such file or folder", "Check the path, and whether the disk is still plugged in"),
    errno.ENOTDIR: ("a part of the path is a file, not a folder", "Check the path"),
    errno.EISDIR: ("this is a folder, not a file", "Check the path"),
    errno.EIO: ("the disk reports a failure", "Do not trust this disk: go on with another one"),
    errno.ENODEV: ("the disk is gone", "Plug it in again or go on with another one"),
    errno.ENXIO: ("the disk is gone", "Plug it in again or go on with another one"),
    errno.ENAMETOOLONG: ("the name is too long for this file system", "Use a shorter name"),
    errno.EMFILE: ("too many files are open at once", "Raise the limit of open files (ulimit -n) and try again"),
    errno.EINVAL: ("this file system refuses the name or the operation", "Use a plainer name or another disk"),
}


def trouble(error: OSError, path: Path) -> FailureError:
    """An operating-system error in words; the cause is kept by ``raise … from``."""
    if isinstance(error, FileExistsError):
        return AlreadyThere("something of this name exists already", where=str(path), now="Choose another name")
    what, now = _WORDS.get(
        error.errno or 0, (error.strerror or str(error) or "the disk failed", "Check the disk and the path")
    )
    return DiskTrouble(what, where=str(path), now=now)
