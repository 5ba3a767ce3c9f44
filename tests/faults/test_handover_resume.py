"""A handover interrupted at any disk call goes on where it was, and ends as if nothing had happened."""

from __future__ import annotations

import random
from pathlib import Path

import bagit
import pytest
from tests.unit.handover.small_take import make_show

from nightreel.disk import FaultyDisk
from nightreel.errors import DiskTrouble
from nightreel.handover import Cut, Request, run_handover
from nightreel.handover.command import parse_lines

SEED = 4


def files_of(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def request(places: list[Path]) -> Request:
    return Request(destinations=tuple(places), cut=Cut.SONGS, lines=parse_lines("1,2"), name="x")


def new_places(folder: Path) -> list[Path]:
    places = [folder / "one", folder / "two"]
    for place in places:
        place.mkdir(parents=True)
    return places


@pytest.mark.parametrize("power_cut", [False, True])
def test_whichever_call_fails_the_next_run_completes_it(tmp_path: Path, power_cut: bool) -> None:
    show = make_show(tmp_path / "show")
    probe = FaultyDisk()
    good = new_places(tmp_path / "good")
    run_handover(show, "last", request(good), disk=probe)
    expected = files_of(good[0] / "x" / "data")
    calls = sorted(random.Random(SEED).sample(range(probe.calls_made), 10))
    resumed = 0
    for call in calls:
        places = new_places(tmp_path / f"{call}")
        disk = FaultyDisk.failing_at(call, "E" if call % 2 else "F", forever=True)
        with pytest.raises(DiskTrouble):
            run_handover(show, "last", request(places), disk=disk)
        if power_cut:
            disk.cut_power(keep=0.5, seed=call)
        for place in places:
            if (place / "x").exists():
                assert bagit.Bag(str(place / "x")).is_valid(), call
        done = run_handover(show, "last", request(places))
        assert done.outcome is not None
        resumed += done.outcome.resumed_files > 0
        for place in places:
            assert files_of(place / "x" / "data") == expected, call
            assert not (place / "x.part").exists()
            assert bagit.Bag(str(place / "x")).is_valid()
    assert resumed >= len(calls) // 2
