"""``kill -9`` of a handover in mid-work, at instants drawn by a seed: the next run completes it."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import bagit
import pytest
from tests.unit.handover.small_take import make_show

SEEDS = (1, 2, 3)


def files_of(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_killed_handover_is_completed_by_the_next_run(tmp_path: Path, seed: int) -> None:
    show, place = make_show(tmp_path / "show"), tmp_path / "to"
    place.mkdir()
    command = [sys.executable, "-m", "nightreel", "handover", str(show), "--songs", "--to", str(place), "--name", "x"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    work = place / "x.part"
    deadline = time.monotonic() + 60
    while not work.exists() and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.002)
    time.sleep(random.Random(seed).uniform(0.0, 0.15))
    process.kill()
    process.wait()
    if (place / "x").exists():  # it was quicker than the kill: what stands under the final name is whole
        assert bagit.Bag(str(place / "x")).is_valid()
    else:
        subprocess.run(command, capture_output=True, check=True)
    assert bagit.Bag(str(place / "x")).is_valid()
    assert not work.exists()
    again = tmp_path / "again"
    again.mkdir()
    subprocess.run([*command[:-4], "--to", str(again), "--name", "x"], capture_output=True, check=True)
    assert files_of(again / "x" / "data") == files_of(place / "x" / "data")
