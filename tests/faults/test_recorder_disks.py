"""The recorder while its disks fail, fill, stall, vanish and come back: after it, every sample is accounted for."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.recording import RATE_HZ, KnownSource, count_samples, plan_for

from nightreel.capture import destination
from nightreel.capture.model import DestinationState
from nightreel.capture.recorder import Recorder
from nightreel.capture.sources import SourceSetup
from nightreel.disk import Disk, FaultyDisk, RealDisk
from nightreel.disk.storage import OpenFile, trouble
from nightreel.take import load_facts
from nightreel.timeline import GapCause

# NIGHTREEL_STALLS_S="1 5 15" for the whole set; the shortest alone keeps the usual run short.
STALLS_S = [float(text) for text in os.environ.get("NIGHTREEL_STALLS_S", "1").split()]


class SwitchedDisk:
    """A disk that can be switched to fail (with an errno), or to stall, while the recorder uses it."""

    def __init__(self) -> None:
        self.real = RealDisk()
        self.failure: int | None = None
        self.sync_failure: int | None = None
        self.stall_until_s = 0.0
        self.free: int | None = None

    def meet(self, path: Path, *, sync: bool = False) -> None:
        while time.monotonic() < self.stall_until_s:
            time.sleep(0.01)
        code = self.failure or (self.sync_failure if sync else None)
        if code is not None:
            error = OSError(code, os.strerror(code))
            raise trouble(error, path) from error

    def create(self, path: Path) -> OpenFile:
        self.meet(path)
        return SwitchedFile(self, self.real.create(path))

    def open(self, path: Path) -> OpenFile:
        self.meet(path)
        return SwitchedFile(self, self.real.open(path))

    def replace(self, source: Path, target: Path) -> None:
        self.meet(target)
        self.real.replace(source, target)

    def make_folder(self, path: Path) -> None:
        self.meet(path)
        self.real.make_folder(path)

    def remove(self, path: Path) -> None:
        self.meet(path)
        self.real.remove(path)

    def sync_folder(self, path: Path) -> None:
        self.meet(path, sync=True)
        self.real.sync_folder(path)

    def free_bytes(self, path: Path) -> int:
        self.meet(path)
        return self.real.free_bytes(path) if self.free is None else self.free


class SwitchedFile:
    def __init__(self, disk: SwitchedDisk, file: OpenFile) -> None:
        self._disk = disk
        self._file = file

    @property
    def path(self) -> Path:
        return self._file.path

    def write_at(self, offset: int, data: object) -> None:
        self._disk.meet(self.path)
        self._file.write_at(offset, data)  # type: ignore[arg-type]

    def read_at(self, offset: int, size_bytes: int) -> bytes:
        self._disk.meet(self.path)
        return self._file.read_at(offset, size_bytes)

    def size_bytes(self) -> int:
        return self._file.size_bytes()

    def truncate(self, size_bytes: int) -> None:
        self._disk.meet(self.path)
        self._file.truncate(size_bytes)

    def sync(self) -> None:
        self._disk.meet(self.path, sync=True)
        self._file.sync()

    def close(self) -> None:
        self._file.close()


@pytest.fixture(autouse=True)
def _quick_returns(monkeypatch: pytest.MonkeyPatch) -> None:
    """A failed disk is tried again ten times as often as in a real night."""
    monkeypatch.setattr(destination, "RETRY_S", 0.1)
    monkeypatch.setattr(destination, "RETURN_PATIENCE_S", 0.5)


def start(folder: Path, disks: dict[str, Disk], *, speed: float = 4.0, **wishes: object) -> Recorder:
    plan = plan_for(folder, checkpoint_s=0.1, **wishes)
    recorder = Recorder(plan, SourceSetup(open=lambda: KnownSource(channels=4, speed=speed)), disks=disks)
    recorder.open()
    recorder.record()
    return recorder


def finish(recorder: Recorder) -> None:
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=60)


def until(found: Callable[[], bool], *, within_s: float = 20.0) -> None:
    give_up_s = time.monotonic() + within_s
    while not found():
        assert time.monotonic() < give_up_s, "it never came to that"
        time.sleep(0.02)


def state_of(recorder: Recorder, name: str) -> DestinationState:
    return next(d.state for d in recorder.destinations() if d.name == name)


def recorded(recorder: Recorder, seconds: float) -> bool:
    return recorder.frames > seconds * RATE_HZ


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.EROFS, errno.ENODEV])
def test_a_disk_that_fails_and_comes_back_within_the_ring_loses_nothing(tmp_path: Path, code: int) -> None:
    disk = SwitchedDisk()
    recorder = start(tmp_path, {"primary": disk})
    until(lambda: recorded(recorder, 1))
    disk.failure = code
    until(lambda: state_of(recorder, "primary") in (DestinationState.FAILED, DestinationState.FULL))
    assert any(alert.key == "disk:primary" and alert.rank == 1 for alert in wait_alerts(recorder))
    disk.failure = None
    until(lambda: state_of(recorder, "primary") is DestinationState.WRITING)
    reached = recorder.frames / RATE_HZ
    until(lambda: recorded(recorder, reached + 1))
    finish(recorder)
    counted = count_samples(recorder.plan.places[0].folder)
    assert (counted.unaccounted, counted.in_gaps) == (0, 0)


def wait_alerts(recorder: Recorder) -> tuple[object, ...]:
    until(lambda: any(a.key.startswith("disk:") for a in recorder.alerts()))
    return recorder.alerts()


def test_a_failed_sync_takes_back_what_was_not_confirmed_and_writes_it_again(tmp_path: Path) -> None:
    disk = SwitchedDisk()
    recorder = start(tmp_path, {"primary": disk})
    until(lambda: recorded(recorder, 1))
    disk.sync_failure = errno.EIO
    until(lambda: state_of(recorder, "primary") is DestinationState.FAILED)
    disk.sync_failure = None
    until(lambda: state_of(recorder, "primary") is DestinationState.WRITING)
    until(lambda: recorded(recorder, 3))
    finish(recorder)
    folder = recorder.plan.places[0].folder
    parts = load_facts(folder).tracks[0].files
    assert len(parts) >= 2
    assert parts[1].first_frame == parts[0].frames  # at the last checkpoint, not where the writer was
    assert count_samples(folder).exact == count_samples(folder).samples


def test_while_the_primary_is_away_for_longer_than_the_ring_the_mirror_has_everything(tmp_path: Path) -> None:
    disk = SwitchedDisk()
    mirror = (str(tmp_path / "mirror"),)
    recorder = start(tmp_path, {"primary": disk}, ring_s=2.0, mirrors=mirror, speed=8.0)
    until(lambda: recorded(recorder, 1))
    disk.failure = errno.EIO
    until(lambda: state_of(recorder, "primary") is DestinationState.FAILED)
    away_at = recorder.frames / RATE_HZ
    until(lambda: recorded(recorder, away_at + 6))
    disk.failure = None
    until(lambda: state_of(recorder, "primary") is DestinationState.WRITING)
    until(lambda: recorded(recorder, away_at + 20))
    assert recorder.account().lost_frames == 0
    finish(recorder)
    primary, mirror_folder = (place.folder for place in recorder.plan.places)
    whole, holed = count_samples(mirror_folder), count_samples(primary)
    assert whole.exact == whole.samples
    assert holed.unaccounted == 0
    assert holed.in_gaps > 4 * 3 * RATE_HZ
    assert {gap.cause for gap in load_facts(primary).gaps} <= {GapCause.DISK_FAILED, GapCause.RING_FULL}


def test_a_disk_that_never_comes_back_ends_in_a_listed_gap_and_the_mirror_is_whole(tmp_path: Path) -> None:
    disk = SwitchedDisk()
    recorder = start(tmp_path, {"mirror": disk}, mirrors=(str(tmp_path / "mirror"),))
    until(lambda: recorded(recorder, 1))
    disk.failure = errno.ENODEV
    until(lambda: state_of(recorder, "mirror") is DestinationState.FAILED)
    until(lambda: recorded(recorder, 4))
    finish(recorder)
    counted = count_samples(recorder.plan.places[0].folder)
    assert counted.exact == counted.samples
    assert state_of(recorder, "mirror") is DestinationState.FAILED


@pytest.mark.parametrize("stall_s", STALLS_S)
def test_a_stalled_disk_costs_nothing_while_the_ring_holds(tmp_path: Path, stall_s: float) -> None:
    disk = SwitchedDisk()
    recorder = start(tmp_path, {"primary": disk}, ring_s=40.0, speed=2.0)
    until(lambda: recorded(recorder, 1))
    disk.stall_until_s = time.monotonic() + stall_s
    until(lambda: time.monotonic() > disk.stall_until_s + 0.5)
    finish(recorder)
    counted = count_samples(recorder.plan.places[0].folder)
    assert (counted.unaccounted, counted.in_gaps) == (0, 0)
    assert counted.frames > stall_s * 2.0 * RATE_HZ


def test_a_stall_beyond_the_ring_is_a_gap_of_exactly_what_was_lost(tmp_path: Path) -> None:
    disk = SwitchedDisk()
    recorder = start(tmp_path, {"primary": disk}, ring_s=2.0, speed=8.0)
    until(lambda: recorded(recorder, 1))
    disk.stall_until_s = time.monotonic() + 1.0  # 8 s of audio against 2 s of ring
    until(lambda: time.monotonic() > disk.stall_until_s + 0.5)
    assert any(alert.key == "lost" for alert in recorder.alerts())
    finish(recorder)
    folder = recorder.plan.places[0].folder
    counted = count_samples(folder)
    assert counted.unaccounted == 0
    assert counted.in_gaps > 0
    assert {gap.cause for gap in load_facts(folder).gaps} == {GapCause.RING_FULL}


def test_at_the_reserve_the_primary_is_closed_cleanly_and_the_mirror_goes_on(tmp_path: Path) -> None:
    disk = SwitchedDisk()
    recorder = start(tmp_path, {"primary": disk}, mirrors=(str(tmp_path / "mirror"),), reserve_bytes=1_000_000)
    until(lambda: recorded(recorder, 1))
    disk.free = 500_000
    until(lambda: state_of(recorder, "primary") is DestinationState.FULL)
    at = recorder.frames / RATE_HZ
    until(lambda: recorded(recorder, at + 2))
    finish(recorder)
    primary, mirror = (place.folder for place in recorder.plan.places)
    assert count_samples(primary).unaccounted == 0
    assert count_samples(mirror).exact == count_samples(mirror).samples


def test_the_last_disk_is_used_beyond_the_reserve(tmp_path: Path) -> None:
    disk = SwitchedDisk()
    recorder = start(tmp_path, {"primary": disk}, reserve_bytes=1_000_000)
    disk.free = 500_000
    until(lambda: recorded(recorder, 2))
    assert state_of(recorder, "primary") is DestinationState.WRITING
    finish(recorder)
    assert count_samples(recorder.plan.places[0].folder).in_gaps == 0


def test_both_disks_gone_for_a_while_is_a_gap_and_recording_goes_on_by_itself(tmp_path: Path) -> None:
    disks = {"primary": SwitchedDisk(), "mirror": SwitchedDisk()}
    recorder = start(tmp_path, dict(disks), mirrors=(str(tmp_path / "mirror"),), ring_s=1.0, speed=8.0)
    until(lambda: recorded(recorder, 1))
    for disk in disks.values():
        disk.failure = errno.EIO
    until(lambda: all(d.state is DestinationState.FAILED for d in recorder.destinations()))
    at = recorder.frames / RATE_HZ
    until(lambda: recorded(recorder, at + 5))
    for disk in disks.values():
        disk.failure = None
    until(lambda: all(d.state is DestinationState.WRITING for d in recorder.destinations()))
    until(lambda: recorder.account().lost_frames > 0)
    finish(recorder)
    for place in recorder.plan.places:
        counted = count_samples(place.folder)
        assert counted.unaccounted == 0
        assert counted.in_gaps > 0


@pytest.mark.parametrize("letter", ["E", "F"])
@pytest.mark.parametrize("call", range(60, 220, 40))
def test_any_single_failing_call_of_the_disk_is_survived(tmp_path: Path, letter: str, call: int) -> None:
    disk = FaultyDisk.failing_at(call, letter)
    plan = plan_for(tmp_path, checkpoint_s=0.05)
    source = SourceSetup(open=lambda: KnownSource(channels=4, speed=20.0, frames=8 * RATE_HZ))
    recorder = Recorder(plan, source, disks={"primary": disk})
    recorder.open()
    recorder.record()
    assert recorder.wait(timeout_s=60)
    assert disk.calls_made > call
    counted = count_samples(plan.places[0].folder)
    assert counted.unaccounted == 0
    assert counted.frames == 8 * RATE_HZ
