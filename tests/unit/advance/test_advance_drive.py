"""Measuring a drive: the figures are right against a drive whose times are known, and nothing is left behind."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from nightreel.advance.drives import measured_rates, needed_bytes_per_s, save_measurement
from nightreel.disk import FaultyDisk, RealDisk
from nightreel.disk.drive import CHUNK_BYTES, DriveReport, judge_drive, measure_drive, worst_second
from nightreel.disk.storage import OpenFile
from nightreel.errors import ArgumentInvalid, DiskTrouble
from nightreel.show.model import Line, Show


class TimedDisk(RealDisk):
    """Every chunk takes ``chunk_s``; the sync with number ``slow`` takes ``slow_s``; nothing is really synced."""

    def __init__(self, *, chunk_s: float, slow: int = -1, slow_s: float = 0.0) -> None:
        self.now = 100.0
        self.syncs = 0
        self.chunk_s, self.slow, self.slow_s = chunk_s, slow, slow_s

    def create(self, path: Path) -> OpenFile:
        return TimedFile(self, super().create(path))

    def clock(self) -> float:
        return self.now

    def free_bytes(self, path: Path) -> int:
        return 10**12


class TimedFile:
    def __init__(self, disk: TimedDisk, file: OpenFile) -> None:
        self.disk, self.file, self.size = disk, file, 0

    @property
    def path(self) -> Path:
        return self.file.path

    def write_at(self, offset: int, data: object) -> None:
        self.size = offset + CHUNK_BYTES
        self.disk.now += self.disk.chunk_s

    def read_at(self, offset: int, size_bytes: int) -> bytes:
        self.disk.now += 0.001
        return bytes(min(size_bytes, self.size - offset))

    def size_bytes(self) -> int:
        return self.size

    def truncate(self, size_bytes: int) -> None:
        raise NotImplementedError

    def sync(self) -> None:
        self.disk.syncs += 1
        if self.disk.syncs == self.disk.slow:
            self.disk.now += self.disk.slow_s

    def close(self) -> None:
        self.file.close()


def test_a_steady_drive_is_measured_exactly(tmp_path: Path) -> None:
    disk = TimedDisk(chunk_s=0.005)
    report = measure_drive(tmp_path, seconds=4.0, files=2, disk=disk, clock=disk.clock)
    assert report.sustained_bytes_per_s == pytest.approx(CHUNK_BYTES / 0.005)
    assert report.worst_second_bytes == pytest.approx(CHUNK_BYTES / 0.005, rel=1e-6)
    assert report.sync_longest_s == 0
    assert report.reached == "time"
    assert list(tmp_path.iterdir()) == []


def test_one_stalled_sync_shows_in_the_worst_second_and_not_in_the_median(tmp_path: Path) -> None:
    disk = TimedDisk(chunk_s=0.005, slow=4, slow_s=3.0)
    report = measure_drive(tmp_path, seconds=9.0, files=2, disk=disk, clock=disk.clock)
    assert report.sync_longest_s == pytest.approx(3.0)
    assert report.sync_median_s == 0
    # that checkpoint took about 1 s of writing and 3 s of syncing: a quarter of the usual rate
    assert report.worst_second_bytes == pytest.approx(CHUNK_BYTES / 0.005 / 4, rel=0.02)


def test_the_size_ends_a_measurement_and_is_named(tmp_path: Path) -> None:
    disk = TimedDisk(chunk_s=0.001)
    report = measure_drive(tmp_path, seconds=60, most_bytes=40 * CHUNK_BYTES, files=4, disk=disk, clock=disk.clock)
    assert report.reached == "size"
    assert report.written_bytes == 40 * CHUNK_BYTES


def test_worst_second_finds_the_slow_stretch_between_two_syncs() -> None:
    assert worst_second([(0.0, 0), (1.0, 100), (3.0, 120), (4.0, 220)]) == 10
    assert worst_second([(0.0, 0), (0.5, 50)]) == 100


def test_a_real_drive_is_measured_and_left_clean(tmp_path: Path) -> None:
    report = measure_drive(tmp_path, seconds=0.2, files=3, most_bytes=50_000_000)
    assert report.written_bytes >= 3 * CHUNK_BYTES
    assert report.sustained_bytes_per_s == pytest.approx(report.written_bytes / report.seconds)
    assert report.read_bytes_per_s is not None
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("faults", ["....E", "....F", "......................E"])
def test_a_failing_drive_is_reported_and_left_clean(tmp_path: Path, faults: str) -> None:
    with pytest.raises(DiskTrouble):
        measure_drive(tmp_path, seconds=0.3, files=2, most_bytes=20_000_000, disk=FaultyDisk(faults))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_and_a_full_drive_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ArgumentInvalid):
        measure_drive(tmp_path / "gone")

    class Full(RealDisk):
        def free_bytes(self, path: Path) -> int:
            return 1000

    with pytest.raises(DiskTrouble, match="nearly full"):
        measure_drive(tmp_path, disk=Full())
    assert list(tmp_path.iterdir()) == []


def report(sustained: float, worst: int, longest: float = 0.1) -> DriveReport:
    return DriveReport(
        folder="d",
        seconds=20,
        written_bytes=1,
        files=32,
        sustained_bytes_per_s=sustained,
        worst_second_bytes=worst,
        syncs=20,
        sync_median_s=0.01,
        sync_longest_s=longest,
        read_bytes_per_s=2e8,
        reached="time",
    )


def test_the_verdict_names_every_reason() -> None:
    needed = 64 * 48_000 * 3  # 9.216 MB/s
    assert judge_drive(report(4e8, 200_000_000), needed).good
    bad = judge_drive(report(15e6, 1_000_000, longest=12.0), needed)
    assert not bad.good
    assert len(bad.reasons) == 3


def test_measurements_are_kept_dated_and_the_latest_counts(tmp_path: Path) -> None:
    first = save_measurement(tmp_path, "Drive A", report(1e8, 1), today=date(2026, 11, 27))
    second = save_measurement(tmp_path, "Drive A", report(2e8, 1), today=date(2026, 11, 27))
    save_measurement(tmp_path, "Drive A", report(3e8, 1), today=date(2026, 11, 20))
    assert first != second
    (tmp_path / "sheets" / "drive-x-2026-11-28-1.json").write_text("{ torn")
    assert measured_rates(tmp_path) == {"Drive A": (2e8, 2e8, "2026-11-27")}


def test_a_show_without_a_patch_is_judged_by_all_its_lines() -> None:
    show = Show(name="s", lines=(Line(number=1, name="a"), Line(number=2, name="b")))
    assert needed_bytes_per_s(show) == 2 * 48_000 * 3
