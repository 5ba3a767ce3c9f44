"""One suite over the machine's disk and its fault-injecting twin without faults: to their users they are the same."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from nightreel.disk import Disk, FaultyDisk, RealDisk
from nightreel.errors import AlreadyThere, DiskTrouble


@pytest.fixture(params=[RealDisk, FaultyDisk])
def disk(request: pytest.FixtureRequest) -> Disk:
    make: Callable[[], Disk] = request.param
    return make()


def test_a_new_file_is_empty_and_a_taken_name_is_refused(disk: Disk, tmp_path: Path) -> None:
    file = disk.create(tmp_path / "a")
    assert file.path == tmp_path / "a"
    assert file.size_bytes() == 0
    assert file.read_at(0, 10) == b""
    with pytest.raises(AlreadyThere):
        disk.create(tmp_path / "a")
    file.close()


def test_bytes_stand_where_they_were_written(disk: Disk, tmp_path: Path) -> None:
    file = disk.create(tmp_path / "a")
    file.write_at(4, b"tail")
    file.write_at(0, memoryview(b"head"))
    file.write_at(3, bytearray(b"!"))
    file.sync()
    assert file.read_at(2, 4) == b"a!ta"
    file.truncate(10)
    assert file.read_at(0, 99) == b"hea!tail\0\0"
    file.truncate(1)
    file.close()
    assert (tmp_path / "a").read_bytes() == b"h"


def test_an_existing_file_is_opened_for_mending_and_a_missing_one_refused(disk: Disk, tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    file = disk.open(tmp_path / "a")
    file.write_at(0, b"new")
    file.close()
    assert (tmp_path / "a").read_bytes() == b"new"
    with pytest.raises(DiskTrouble):
        disk.open(tmp_path / "b")


def test_replace_puts_the_new_in_place_of_the_old(disk: Disk, tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    file = disk.create(tmp_path / "b")
    file.write_at(0, b"new")
    file.close()
    disk.replace(tmp_path / "b", tmp_path / "a")
    assert [p.name for p in tmp_path.iterdir()] == ["a"]
    assert (tmp_path / "a").read_bytes() == b"new"


def test_folders_are_made_once_and_synced(disk: Disk, tmp_path: Path) -> None:
    disk.make_folder(tmp_path / "f")
    disk.sync_folder(tmp_path)
    with pytest.raises(AlreadyThere):
        disk.make_folder(tmp_path / "f")
    with pytest.raises(DiskTrouble):
        disk.make_folder(tmp_path / "no" / "f")
    with pytest.raises(DiskTrouble):
        disk.sync_folder(tmp_path / "no")


def test_remove_is_content_when_nothing_is_there(disk: Disk, tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"")
    disk.remove(tmp_path / "a")
    disk.remove(tmp_path / "a")
    assert not (tmp_path / "a").exists()


def test_room_is_told_for_places_that_do_not_exist_yet(disk: Disk, tmp_path: Path) -> None:
    assert disk.free_bytes(tmp_path / "not" / "yet") > 0
