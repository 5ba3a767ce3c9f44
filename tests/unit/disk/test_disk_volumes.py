"""Which file system a path lies on. Form of mountinfo: Linux proc(5)."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightreel.disk import file_system_name, largest_file_bytes
from nightreel.disk.volumes import find_file_system

MOUNTS = r"""22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
40 22 8:1 / /media/stick rw - vfat /dev/sda1 rw
41 22 8:2 / /media/big\040one rw - exfat /dev/sda2 rw
broken line
42 22 0:5 / /media/stick/inner rw master:3 - tmpfs none rw
"""


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        ("/home", "ext4"),
        ("/media/stick", "vfat"),
        ("/media/stick/takes", "vfat"),
        ("/media/sticky", "ext4"),
        ("/media/stick/inner/x", "tmpfs"),
        ("/media/big one/y", "exfat"),
    ],
)
def test_the_innermost_mount_decides(place: str, expected: str) -> None:
    assert find_file_system(MOUNTS, Path(place)) == expected


def test_the_machine_s_own_answer_is_a_word_without_a_limit_here(tmp_path: Path) -> None:
    assert isinstance(file_system_name(tmp_path), str)
    assert largest_file_bytes(tmp_path) is None or largest_file_bytes(tmp_path) > 1 << 30
