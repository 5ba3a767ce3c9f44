"""The machine's own storage."""

from __future__ import annotations

import os
import shutil
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from nightreel.disk.storage import OpenFile, trouble

if TYPE_CHECKING:
    from typing_extensions import Buffer

_BINARY: int = getattr(os, "O_BINARY", 0)
_CLOEXEC: int = getattr(os, "O_CLOEXEC", 0)


class RealFile:
    """See :class:`nightreel.disk.storage.OpenFile`."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self._path = path
        self._descriptor: int | None = descriptor
        self._cursor = threading.Lock()  # used only where the system has no positioned writes

    @property
    def path(self) -> Path:
        return self._path

    def write_at(self, offset: int, data: Buffer) -> None:
        view = memoryview(data).cast("B")
        try:
            while len(view) > 0:
                written = self._pwrite(view, offset)
                view = view[written:]
                offset += written
        except OSError as error:
            raise trouble(error, self._path) from error

    def read_at(self, offset: int, size_bytes: int) -> bytes:
        pieces = []
        try:
            while size_bytes > 0:
                piece = self._pread(size_bytes, offset)
                if not piece:
                    break
                pieces.append(piece)
                offset += len(piece)
                size_bytes -= len(piece)
        except OSError as error:
            raise trouble(error, self._path) from error
        return b"".join(pieces)

    def size_bytes(self) -> int:
        try:
            return os.fstat(self._require_open()).st_size
        except OSError as error:
            raise trouble(error, self._path) from error

    def truncate(self, size_bytes: int) -> None:
        try:
            os.ftruncate(self._require_open(), size_bytes)
        except OSError as error:
            raise trouble(error, self._path) from error

    def sync(self) -> None:
        try:
            _sync_descriptor(self._require_open())
        except OSError as error:
            raise trouble(error, self._path) from error

    def close(self) -> None:
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is None:
            return
        try:
            os.close(descriptor)
        except OSError as error:  # network file systems report late write errors here
            raise trouble(error, self._path) from error

    def _require_open(self) -> int:
        if self._descriptor is None:
            raise ValueError(f"{self._path} is closed")
        return self._descriptor

    def _pwrite(self, view: memoryview, offset: int) -> int:
        if hasattr(os, "pwrite"):
            return os.pwrite(self._require_open(), view, offset)
        with self._cursor:
            os.lseek(self._require_open(), offset, os.SEEK_SET)
            return os.write(self._require_open(), view)

    def _pread(self, size_bytes: int, offset: int) -> bytes:
        size_bytes = min(size_bytes, 1 << 30)
        if hasattr(os, "pread"):
            return os.pread(self._require_open(), size_bytes, offset)
        with self._cursor:
            os.lseek(self._require_open(), offset, os.SEEK_SET)
            return os.read(self._require_open(), size_bytes)


class RealDisk:
    """See :class:`nightreel.disk.storage.Disk`."""

    def create(self, path: Path) -> OpenFile:
        return self._open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL)

    def open(self, path: Path) -> OpenFile:
        return self._open(path, os.O_RDWR)

    def replace(self, source: Path, target: Path) -> None:
        try:
            source.replace(target)
        except OSError as error:
            raise trouble(error, target) from error

    def make_folder(self, path: Path) -> None:
        try:
            path.mkdir()
        except OSError as error:
            raise trouble(error, path) from error

    def remove(self, path: Path) -> None:
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise trouble(error, path) from error

    def sync_folder(self, path: Path) -> None:
        if sys.platform == "win32":
            return  # a folder cannot be opened for syncing there; NTFS journals names by itself
        try:
            descriptor = os.open(path, os.O_RDONLY)
        except OSError as error:
            raise trouble(error, path) from error
        try:
            os.fsync(descriptor)
        except OSError as error:
            if error.errno not in _FOLDER_SYNC_UNKNOWN:
                raise trouble(error, path) from error
        finally:
            os.close(descriptor)

    def free_bytes(self, path: Path) -> int:
        place = path.absolute()
        while not place.exists() and place != place.parent:
            place = place.parent
        try:
            return shutil.disk_usage(place).free
        except OSError as error:
            raise trouble(error, path) from error

    def _open(self, path: Path, flags: int) -> RealFile:
        try:
            return RealFile(path, os.open(path, flags | _BINARY | _CLOEXEC, 0o644))
        except OSError as error:
            raise trouble(error, path) from error


# Some network and FAT drivers cannot sync a folder and say so; the files themselves are synced all the same.
_FOLDER_SYNC_UNKNOWN = frozenset({22, 95, 38})  # EINVAL, EOPNOTSUPP, ENOSYS


def _sync_descriptor(descriptor: int) -> None:
    if sys.platform == "darwin":
        import fcntl

        try:
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)  # fsync alone stops at the drive's own cache there
            return
        except OSError:
            pass
    if hasattr(os, "fdatasync"):
        os.fdatasync(descriptor)  # flushes the size too where it changed (POSIX: all that is needed to read back)
    else:
        os.fsync(descriptor)
