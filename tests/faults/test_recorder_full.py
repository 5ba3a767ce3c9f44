"""Disks that are really full, by the system's own means: a small tmpfs (needs root), a limit on the size of files."""

from __future__ import annotations

import os
import resource
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.recording import RATE_HZ, KnownSource, count_samples, plan_for

from nightreel.capture import destination
from nightreel.capture.model import DestinationState
from nightreel.capture.recorder import Recorder
from nightreel.capture.sources import SourceSetup
from nightreel.take import load_facts

NEEDS_ROOT = pytest.mark.skipif(os.geteuid() != 0, reason="mounting a tmpfs needs root")


@pytest.fixture(autouse=True)
def _quick_returns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(destination, "RETRY_S", 0.1)
    monkeypatch.setattr(destination, "RETURN_PATIENCE_S", 0.5)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 14 MB."""
    place = tmp_path / "small"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=14m", "tmpfs", str(place)], check=True)
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def start(folder: Path, *, frames: int | None = None, **wishes: object) -> Recorder:
    plan = plan_for(folder, checkpoint_s=0.1, **wishes)
    recorder = Recorder(plan, SourceSetup(open=lambda: KnownSource(channels=4, speed=8.0, frames=frames)))
    recorder.open()
    recorder.record()
    return recorder


def until(found: Callable[[], bool], *, within_s: float = 30.0) -> None:
    give_up_s = time.monotonic() + within_s
    while not found():
        assert time.monotonic() < give_up_s, "it never came to that"
        time.sleep(0.02)


def state_of(recorder: Recorder, name: str) -> DestinationState:
    return next(d.state for d in recorder.destinations() if d.name == name)


def finish(recorder: Recorder) -> None:
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=60)


@NEEDS_ROOT
def test_a_full_mirror_holds_what_it_took_and_the_primary_has_everything(tmp_path: Path, small_disk: Path) -> None:
    recorder = start(tmp_path, mirrors=(str(small_disk / "m"),))
    until(lambda: state_of(recorder, "mirror") is DestinationState.FULL)
    at = recorder.frames
    until(lambda: recorder.frames > at + 3 * RATE_HZ)
    finish(recorder)
    primary, mirror = (place.folder for place in recorder.plan.places)
    assert count_samples(primary).exact == count_samples(primary).samples
    assert load_facts(primary).gaps == ()
    assert sorted(p.name for p in mirror.iterdir()) == sorted(
        p.name for p in primary.iterdir() if p.name != "recorder.log"
    )


@NEEDS_ROOT
def test_a_full_primary_goes_on_when_room_is_made(tmp_path: Path, small_disk: Path) -> None:
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(10_000_000))
    recorder = start(small_disk)
    until(lambda: state_of(recorder, "primary") is DestinationState.FULL)
    assert any(alert.key == "disk:primary" and alert.rank == 1 for alert in wait_for_alert(recorder))
    ballast.unlink()
    until(lambda: state_of(recorder, "primary") is DestinationState.WRITING)
    finish(recorder)
    counted = count_samples(recorder.plan.places[0].folder)
    assert counted.unaccounted == 0


def wait_for_alert(recorder: Recorder) -> tuple[object, ...]:
    until(lambda: any(a.key == "disk:primary" for a in recorder.alerts()))
    return recorder.alerts()


@pytest.fixture
def file_limit() -> Iterator[None]:
    """No file of this process may grow beyond 300 kB; the system refuses with EFBIG, as a file system at its end."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.usefixtures("file_limit")
def test_files_that_may_not_grow_any_more_are_followed_by_new_ones_without_a_break(tmp_path: Path) -> None:
    recorder = start(tmp_path, frames=8 * RATE_HZ)
    assert recorder.wait(timeout_s=60)
    folder = recorder.plan.places[0].folder
    assert len(load_facts(folder).tracks[0].files) > 2
    counted = count_samples(folder)
    assert counted.frames == 8 * RATE_HZ
    assert counted.exact == counted.samples
