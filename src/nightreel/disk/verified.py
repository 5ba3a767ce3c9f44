"""Copy a file and prove the copy by reading it back; digests by SHA-256 and SHA-512 (FIPS 180-4)."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from nightreel.disk.files import _discard
from nightreel.disk.real import RealDisk
from nightreel.disk.storage import Disk, trouble
from nightreel.errors import DiskTrouble

_BLOCK_BYTES = 4 << 20
_REAL = RealDisk()


@dataclass(frozen=True, slots=True, kw_only=True)
class Digests:
    """What a file held when it was read. Hex, lower case."""

    sha256: str
    sha512: str
    size_bytes: int


def digest_file(path: Path, *, past_cache: bool = False, moved: Callable[[int], None] | None = None) -> Digests:
    """Read a whole file and digest it.

    past_cache : ask the system to forget its copy in memory first, so that the drive itself is read (a request that
        Linux honours for pages already written out; elsewhere the bytes may come from memory)
    moved : called with the bytes of each block, for progress
    """
    sha256, sha512, size_bytes = hashlib.sha256(), hashlib.sha512(), 0
    try:
        if not path.is_file() and path.exists():  # a pipe would keep us waiting for ever
            raise DiskTrouble("this is not a file", where=str(path), now="Look what it is, and remove it")
        with path.open("rb", buffering=0) as file:
            if past_cache and hasattr(os, "posix_fadvise"):
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            while block := file.read(_BLOCK_BYTES):
                sha256.update(block)
                sha512.update(block)
                size_bytes += len(block)
                if moved is not None:
                    moved(len(block))
    except OSError as error:
        raise trouble(error, path) from error
    return Digests(sha256=sha256.hexdigest(), sha512=sha512.hexdigest(), size_bytes=size_bytes)


def copy_verified(
    source: Path,
    target: Path,
    *,
    expected: Digests | None = None,
    disk: Disk = _REAL,
    moved: Callable[[int], None] | None = None,
) -> Digests:
    """Copy to a new file, sync it, read it back and compare.

    ``expected`` is what the source held earlier; without it the source is digested on the way. Raises AlreadyThere,
    or DiskTrouble that names the first wrong byte; the copy is removed when it could not be completed, and kept for
    inspection (with a wrong-byte report) when it reads back differently.
    """
    file = disk.create(target)
    sha256, sha512, offset = hashlib.sha256(), hashlib.sha512(), 0
    try:
        with source.open("rb", buffering=0) as reader:
            while block := reader.read(_BLOCK_BYTES):
                sha256.update(block)
                sha512.update(block)
                file.write_at(offset, block)
                offset += len(block)
                if moved is not None:
                    moved(len(block))
        file.sync()
        file.close()
    except OSError as error:
        _discard(disk, file)
        raise trouble(error, source) from error
    except BaseException:
        _discard(disk, file)
        raise
    disk.sync_folder(target.parent)
    copied = Digests(sha256=sha256.hexdigest(), sha512=sha512.hexdigest(), size_bytes=offset)
    if expected is not None and copied != expected:
        raise DiskTrouble(
            "the file is not what it was when it was first read",
            where=str(source),
            now="Do not trust the disk it is on: check it against the other copy",
        )
    if digest_file(target, past_cache=True, moved=moved) != copied:
        raise DiskTrouble(
            f"the copy reads back differently from what was written, {first_difference(source, target)}",
            where=str(target),
            now="Do not trust this disk: use another one",
        )
    return copied


def first_difference(left: Path, right: Path) -> str:
    """Where two files first differ, in words: ``first at byte 4711 (12 instead of 13)``."""
    offset = 0
    with left.open("rb") as a, right.open("rb") as b:
        while True:
            x, y = a.read(_BLOCK_BYTES), b.read(_BLOCK_BYTES)
            if x != y:
                for index, (p, q) in enumerate(zip(x, y, strict=False)):
                    if p != q:
                        return f"first at byte {offset + index} ({q:02x} instead of {p:02x})"
                return f"its length differs: it ends at byte {offset + min(len(x), len(y))}"
            if not x:
                return "though a second reading finds no difference"
            offset += len(x)
