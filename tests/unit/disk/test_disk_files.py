"""What the disk functions promise: nothing overwritten, nothing half done, every trouble in words."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nightreel.disk import (
    AppendFile,
    RealDisk,
    create_new,
    free_bytes,
    make_folder_new,
    replace_text,
    write_new_bytes,
    write_new_text,
)
from nightreel.disk.faulty import FaultyDisk
from nightreel.errors import AlreadyThere, DiskTrouble


def test_create_new_refuses_a_taken_name_and_leaves_it_alone(tmp_path: Path) -> None:
    path = tmp_path / "a"
    write_new_text(path, "first")
    with pytest.raises(AlreadyThere, match="exists already"):
        create_new(path)
    with pytest.raises(AlreadyThere):
        write_new_text(path, "second")
    assert path.read_text() == "first"


def test_a_missing_folder_is_named_with_a_remedy(tmp_path: Path) -> None:
    with pytest.raises(DiskTrouble) as caught:
        create_new(tmp_path / "none" / "a")
    assert str(tmp_path / "none" / "a") in caught.value.where
    assert "Check the path" in caught.value.now


def test_writes_at_any_place_are_read_back(tmp_path: Path) -> None:
    file = RealDisk().create(tmp_path / "a")
    file.write_at(5, b"later")
    file.write_at(0, bytearray(b"first"))
    file.sync()
    assert file.read_at(0, 100) == b"firstlater"
    file.truncate(3)
    assert file.size_bytes() == 3
    file.close()
    file.close()
    with pytest.raises(ValueError, match="closed"):
        file.write_at(0, b"x")


@pytest.mark.parametrize("letter", ["E", "F"])
def test_replace_text_keeps_the_old_text_whichever_call_fails(tmp_path: Path, letter: str) -> None:
    path = tmp_path / "facts.json"
    write_new_text(path, "old")
    probe = FaultyDisk()
    replace_text(path, "old", disk=probe)
    for call in range(probe.calls_made):
        disk = FaultyDisk.failing_at(call, letter)
        with pytest.raises(DiskTrouble):
            replace_text(path, "new", disk=disk)
        last = call == probe.calls_made - 1  # the folder's sync comes after the rename
        assert path.read_text() == ("new" if last else "old")
        assert list(tmp_path.iterdir()) == [path]


def test_write_new_bytes_leaves_nothing_when_the_disk_is_full(tmp_path: Path) -> None:
    with pytest.raises(DiskTrouble, match="full"):
        write_new_bytes(tmp_path / "a", b"12345678", disk=FaultyDisk(".F"))
    assert not (tmp_path / "a").exists()


def test_an_append_file_continues_at_its_end(tmp_path: Path) -> None:
    path = tmp_path / "journal"
    with AppendFile(path) as journal:
        journal.append(b"one\n")
        journal.sync()
    with AppendFile(path, new=False) as journal:
        journal.append(b"two\n")
        assert journal.size_bytes == 8
    assert path.read_bytes() == b"one\ntwo\n"
    with pytest.raises(AlreadyThere):
        AppendFile(path)


def test_make_folder_new_refuses_what_is_there(tmp_path: Path) -> None:
    make_folder_new(tmp_path / "take")
    with pytest.raises(AlreadyThere):
        make_folder_new(tmp_path / "take")


def test_free_bytes_answers_for_folders_that_do_not_exist_yet(tmp_path: Path) -> None:
    there = os.statvfs(tmp_path)
    free = free_bytes(tmp_path / "not" / "yet")
    assert abs(free - there.f_bavail * there.f_frsize) < 1 << 30
