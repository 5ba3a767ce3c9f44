"""Before the start: every refusal is one sentence with its remedy, and changes nothing on disk."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from tests.recording import make_show, plan_for

from nightreel.capture.model import RecordRequest
from nightreel.capture.planning import make_plan, require_checks, run_checks, self_test
from nightreel.disk.volumes import largest_file_bytes
from nightreel.errors import (
    AlreadyThere,
    ArgumentInvalid,
    DiskTrouble,
    NightreelError,
    PlanImpossible,
    ShowInvalid,
    ShowMissing,
)
from nightreel.show.files import create_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Port
from nightreel.units import Encoding


def test_tracks_are_named_by_line_and_follow_the_sends(tmp_path: Path) -> None:
    plan = plan_for(tmp_path, lines=3)
    assert [t.files[0].path for t in plan.tracks] == [f"tracks/0{n} Line {n}.wav" for n in (1, 2, 3)]
    assert [t.channel for t in plan.tracks] == [0, 1, 2]
    assert plan.source_channels == 3
    assert plan.bytes_per_s == 3 * 3 * 48_000


def test_a_second_take_of_the_day_gets_the_next_number(tmp_path: Path) -> None:
    make_show(tmp_path / "show")
    (tmp_path / "show" / "takes" / "2026-11-28-evening-1").mkdir(parents=True)
    request = RecordRequest(show=str(tmp_path / "show"), source="x")
    assert make_plan(request, today=date(2026, 11, 28)).take_name == "2026-11-28-evening-2"


def two_links(folder: Path, lines: list[Line]) -> Path:
    links = [
        Link(name=name, kind=LinkKind.USB, capacity={48_000: Capacity(sends=8, returns=8)}) for name in ("desk", "rack")
    ]
    create_show(folder, name="Two links", lines=lines, links=links)
    return folder


def test_with_two_links_it_must_be_said_which_one_the_source_is(tmp_path: Path) -> None:
    lines = [Line(number=n, name=f"L{n}", send=Port(link=link, number=n)) for n, link in ((1, "desk"), (2, "rack"))]
    show = str(two_links(tmp_path / "show", lines))
    with pytest.raises(ArgumentInvalid, match="2 links"):
        make_plan(RecordRequest(show=show, source="x"))
    assert [t.line for t in make_plan(RecordRequest(show=show, source="x", link="rack")).tracks] == [2]
    with pytest.raises(ArgumentInvalid, match="no link 'roof'"):
        make_plan(RecordRequest(show=show, source="x", link="roof"))


def test_a_show_without_sends_has_nothing_to_record(tmp_path: Path) -> None:
    show = str(two_links(tmp_path / "show", [Line(number=1, name="L")]))
    with pytest.raises(ShowInvalid, match="nothing to record"):
        make_plan(RecordRequest(show=show, source="x"))
    with pytest.raises(ShowMissing):
        make_plan(RecordRequest(show=str(tmp_path / "none"), source="x"))


@pytest.mark.parametrize(
    "wishes", [{"checkpoint_s": 0.0}, {"ring_s": 1e6}, {"preroll_s": -1.0}, {"segment_s": 0.1}, {"name": " "}]
)
def test_values_outside_what_makes_sense_are_refused(wishes: dict[str, object]) -> None:
    with pytest.raises(ArgumentInvalid):
        RecordRequest.from_dict({"show": "s", "source": "x", **wishes})


def first_error(folder: Path, **wishes: object) -> NightreelError:
    before = sorted(folder.rglob("*"))
    plan = plan_for(folder, **wishes)
    with pytest.raises(NightreelError) as caught:
        require_checks(plan)
    assert caught.value.now
    assert [p for p in sorted(folder.rglob("*")) if p not in before and "show" not in p.parts] == []
    assert not (folder / "show" / "takes").exists()
    return caught.value


def test_a_disk_too_small_for_the_night_is_refused_with_both_figures(tmp_path: Path) -> None:
    error = first_error(tmp_path, length_s=10_000_000.0)
    assert isinstance(error, PlanImpossible)
    assert "2777:46:40" in error.what


def test_a_mirror_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    assert isinstance(first_error(tmp_path, mirrors=("/nowhere/at/all",)), DiskTrouble)


def test_a_take_folder_that_stands_there_is_refused(tmp_path: Path) -> None:
    plan = plan_for(tmp_path)
    plan.places[0].folder.mkdir(parents=True)
    with pytest.raises(AlreadyThere):
        require_checks(plan)


def test_a_mirror_on_the_disk_of_the_primary_is_warned_of(tmp_path: Path) -> None:
    checks = require_checks(plan_for(tmp_path, mirrors=(str(tmp_path / "mirror"),)))
    assert ["same disk" in check.words for check in checks if check.warning] == [True]


def test_files_are_segmented_where_the_file_system_ends_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert plan_for(tmp_path).part_frames is None or largest_file_bytes(tmp_path) is not None
    monkeypatch.setattr("nightreel.capture.planning.largest_file_bytes", lambda _: 2**32 - 1)  # FAT32
    plan = plan_for(tmp_path)
    assert plan.part_frames is not None
    assert 2**32 - 2**21 < plan.part_frames * 3 < 2**32 - 2**19
    assert plan.part_frames % 2 == 0
    assert any("continued in new ones" in check.words for check in run_checks(plan))


@pytest.mark.parametrize("encoding", list(Encoding))
def test_the_self_test_counts_its_samples_and_passes(encoding: Encoding) -> None:
    check = self_test(encoding)
    assert check.error is None
    assert int(check.words.split()[0]) >= 64


def test_the_self_test_finds_a_machine_that_changes_samples(monkeypatch: pytest.MonkeyPatch) -> None:
    from nightreel.wave import unpack

    monkeypatch.setattr("nightreel.capture.planning.unpack", lambda row, encoding: unpack(row, encoding) * 0.5)
    assert self_test(Encoding.PCM24).error is not None
