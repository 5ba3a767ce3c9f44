"""The faulty disk itself: what it says it does, it does; else no fault test proves anything."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightreel.disk import AppendFile, FaultyDisk
from nightreel.errors import DiskTrouble


def test_faults_happen_at_the_call_they_are_written_for(tmp_path: Path) -> None:
    disk = FaultyDisk("..E.F")
    file = disk.create(tmp_path / "a")
    file.write_at(0, b"01234567")
    with pytest.raises(DiskTrouble, match="failure"):
        file.write_at(8, b"lost")
    file.sync()
    with pytest.raises(DiskTrouble, match="full"):
        file.write_at(8, b"half gone")
    file.write_at(12, b"!")
    assert (tmp_path / "a").read_bytes() == b"01234567half!"
    assert disk.calls == {"create": 1, "write": 4, "sync": 1}


def test_a_disk_that_went_stays_away(tmp_path: Path) -> None:
    disk = FaultyDisk.failing_at(1, "E", forever=True)
    file = disk.create(tmp_path / "a")
    for _ in range(3):
        with pytest.raises(DiskTrouble):
            file.sync()
    disk.heal()
    file.sync()


def test_a_power_cut_takes_what_was_not_synced_and_nothing_else(tmp_path: Path) -> None:
    disk = FaultyDisk()
    file = disk.create(tmp_path / "a")
    file.write_at(0, b"durable bytes")
    file.sync()
    disk.sync_folder(tmp_path)
    file.write_at(0, b"DURABLE")
    file.write_at(13, b" and more")
    file.truncate(4)
    disk.cut_power()
    assert (tmp_path / "a").read_bytes() == b"durable bytes"
    with pytest.raises(DiskTrouble, match="gone"):
        file.write_at(0, b"x")


def test_a_name_whose_folder_was_not_synced_may_vanish(tmp_path: Path) -> None:
    disk = FaultyDisk()
    disk.create(tmp_path / "a").sync()
    disk.cut_power()
    assert not (tmp_path / "a").exists()


def test_unsynced_writes_may_survive_in_any_combination(tmp_path: Path) -> None:
    outcomes = set()
    for seed in range(24):
        disk = FaultyDisk()
        path = tmp_path / f"{seed}"
        file = disk.create(path)
        file.write_at(0, b"..")
        file.sync()
        disk.sync_folder(tmp_path)
        file.write_at(0, b"A")
        file.write_at(1, b"B")
        disk.cut_power(keep=0.5, seed=seed)
        outcomes.add(path.read_bytes())
    assert outcomes == {b"..", b"A.", b".B", b"AB"}


def test_a_journal_keeps_every_synced_line(tmp_path: Path) -> None:
    disk = FaultyDisk()
    journal = AppendFile(tmp_path / "j", disk=disk)
    journal.append(b"kept\n")
    journal.sync()
    journal.append(b"lost\n")
    disk.cut_power()
    assert (tmp_path / "j").read_bytes() == b"kept\n"


def test_what_a_failed_sync_covered_is_lost_although_a_later_sync_succeeds(tmp_path: Path) -> None:
    disk = FaultyDisk.failing_at(4)
    file = disk.create(tmp_path / "a")
    disk.sync_folder(tmp_path)
    file.write_at(0, b"first ")
    file.write_at(6, b"doomed")
    with pytest.raises(DiskTrouble):
        file.sync()
    file.write_at(12, b"third")
    file.sync()
    disk.cut_power(keep=1.0)
    assert (tmp_path / "a").read_bytes() == bytes(12) + b"third"


def test_a_journal_writes_again_what_a_failed_sync_dropped(tmp_path: Path) -> None:
    disk = FaultyDisk.failing_at(5)
    journal = AppendFile(tmp_path / "j", disk=disk)
    journal.append(b"one\n")
    journal.sync()
    journal.append(b"two\n")
    with pytest.raises(DiskTrouble):
        journal.sync()
    journal.append(b"three\n")
    journal.sync()
    disk.cut_power()
    assert (tmp_path / "j").read_bytes() == b"one\ntwo\nthree\n"
