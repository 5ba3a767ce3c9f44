"""Which file system a path lies on, and the largest file it takes.

Sources: Linux proc(5), mountinfo; Microsoft's file-system comparison (FAT32: a file ends at 4 GiB - 1).
"""

from __future__ import annotations

import sys
from pathlib import Path

_FAT_LIMIT_BYTES = (1 << 32) - 1
_LARGEST_FILE_BYTES = {"vfat": _FAT_LIMIT_BYTES, "msdos": (1 << 31) - 1, "fat": _FAT_LIMIT_BYTES}


def file_system_name(path: Path) -> str:
    """The system's word for it ('ext4', 'vfat', 'exfat'), '' where it cannot be told (only Linux says it)."""
    if not sys.platform.startswith("linux"):
        return ""
    try:
        text = Path("/proc/self/mountinfo").read_text(errors="replace")
        place = path.resolve()
    except OSError:
        return ""
    return find_file_system(text, place)


def find_file_system(mountinfo: str, place: Path) -> str:
    """The type of the innermost mount above ``place``, which must be absolute; a later mount hides an earlier one."""
    best, name = -1, ""
    for line in mountinfo.splitlines():
        left, _, right = line.partition(" - ")
        fields = left.split(" ")
        if len(fields) < 5 or not right:
            continue
        mount = fields[4].encode("latin-1", "replace").decode("unicode_escape") if "\\" in fields[4] else fields[4]
        depth = len(Path(mount).parts)
        if depth >= best and (place == Path(mount) or Path(mount) in place.parents):
            best, name = depth, right.split(" ")[0]
    return name


def largest_file_bytes(path: Path) -> int | None:
    """None where no limit is known that a recording could meet."""
    return _LARGEST_FILE_BYTES.get(file_system_name(path))
