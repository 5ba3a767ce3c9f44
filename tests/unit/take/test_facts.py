"""take.json: written and read back whole; every contradiction is named by its member."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from nightreel.errors import TakeDamaged, TakeMissing
from nightreel.show.model import AtSoundcheck, Role
from nightreel.take.facts import facts_text, load_facts, parse_facts, write_facts
from nightreel.take.find import find_take, list_takes, new_take_name
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.timeline import Gap, GapCause, Mark
from nightreel.units import Encoding


def make_facts(name: str = "2026-11-28-evening-1") -> TakeFacts:
    return TakeFacts(
        name=name,
        show="Harbour Arts – Nordhavn",
        rate_hz=48_000,
        encoding=Encoding.PCM24,
        started_at=datetime(2026, 11, 28, 19, 58, 0, tzinfo=timezone(timedelta(hours=1))),
        frames=96_000,
        tracks=(
            Track(
                line=1,
                name="Kick In",
                role=Role.MIC,
                channel=0,
                files=(TrackFile(path="tracks/01 Kick In.wav", first_frame=0, frames=96_000),),
                send="link:1",
                gain_db=24.5,
                group="drums",
                at_soundcheck=AtSoundcheck.RETURNED,
            ),
            Track(
                line=2,
                name="Keys Ø",
                role=Role.DIRECT,
                channel=3,
                files=(TrackFile(path="tracks/all.wav", first_frame=0, frames=96_000, channel=3),),
            ),
        ),
        state=TakeState.CLOSED,
        gaps=(Gap(first_frame=10, frames=5, cause=GapCause.SERVER_SKIPPED, channels=(0,)),),
        marks=(Mark(frame=480, name="Tin Boats", song=1),),
        clock="simulated stage",
        time_reference_frames=3_456_000_000,
        stop_reason="command",
        follows="2026-11-28-evening-0",
        nightreel="0.1.0",
    )


def test_facts_come_back_as_they_were_written(tmp_path: Path) -> None:
    write_facts(tmp_path, make_facts())
    assert load_facts(tmp_path) == make_facts()


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"rate_hz": "48k"}, "rate_hz"),
        ({"rate_hz": True}, "rate_hz"),
        ({"frames": -1}, "frames"),
        ({"state": "paused"}, "state"),
        ({"started_at": "2026-11-28T19:58:00"}, "started_at"),
        ({"started_at": "yesterday"}, "started_at"),
        ({"tracks": {}}, "tracks"),
        ({"gaps": [{"first_frame": 1, "frames": 1, "cause": "ghosts", "channels": []}]}, "gaps[0].cause"),
        ({"marks": [{"frame": 1}]}, "marks[0].name"),
    ],
)
def test_a_wrong_member_is_named(change: dict[str, object], named: str) -> None:
    body = {**json.loads(facts_text(make_facts())), **change}
    with pytest.raises(TakeDamaged) as caught:
        parse_facts(json.dumps(body), where="take.json")
    assert named in caught.value.what


@pytest.mark.parametrize("path", ["../other.wav", "/etc/passwd", "tracks/../../x.wav", "C:\\x.wav", "", "a\x00b"])
def test_a_track_path_that_leaves_the_take_folder_is_refused(path: str) -> None:
    body = json.loads(facts_text(make_facts()))
    body["tracks"][0]["files"][0]["path"] = path
    with pytest.raises(TakeDamaged, match="inside the take folder"):
        parse_facts(json.dumps(body), where="take.json")


def test_a_newer_format_is_refused_and_unknown_members_are_not() -> None:
    body = json.loads(facts_text(make_facts()))
    assert parse_facts(json.dumps({**body, "weather": "fog"}), where="") == make_facts()
    with pytest.raises(TakeDamaged, match="format 2"):
        parse_facts(json.dumps({**body, "format": 2}), where="")


@pytest.mark.parametrize("text", ["", "[]", "{", "[" * 100_000, '"x"', "nul"])
def test_what_is_not_an_account_is_called_so(text: str) -> None:
    with pytest.raises(TakeDamaged):
        parse_facts(text, where="take.json")


def test_a_folder_without_facts_is_no_take(tmp_path: Path) -> None:
    with pytest.raises(TakeMissing):
        load_facts(tmp_path)
    with pytest.raises(TakeMissing):
        load_facts(tmp_path / "nowhere")


def make_take(show: Path, name: str, hour: int) -> None:
    folder = show / "takes" / name
    folder.mkdir(parents=True)
    start = datetime(2026, 11, 28, hour, tzinfo=UTC)
    write_facts(folder, replace(make_facts(name), started_at=start))


def test_takes_are_found_by_name_by_part_and_as_the_last(tmp_path: Path) -> None:
    make_take(tmp_path, "2026-11-28-evening-1", 20)
    make_take(tmp_path, "2026-11-28-rehearsal-1", 15)
    (tmp_path / "takes" / "notes").mkdir()
    assert [t.name for t in list_takes(tmp_path)] == ["2026-11-28-rehearsal-1", "2026-11-28-evening-1"]
    assert find_take(tmp_path).name == "2026-11-28-evening-1"
    assert find_take(tmp_path, "rehearsal").name == "2026-11-28-rehearsal-1"
    with pytest.raises(TakeMissing, match="fits 2 takes"):
        find_take(tmp_path, "2026-11-28")
    with pytest.raises(TakeMissing, match=r"There are: .*evening"):
        find_take(tmp_path, "matinee")


def test_a_show_without_takes_says_so(tmp_path: Path) -> None:
    with pytest.raises(TakeMissing, match="no take yet"):
        find_take(tmp_path)


def test_a_new_name_counts_past_every_folder_that_stands_there(tmp_path: Path) -> None:
    day = datetime(2026, 11, 28).date()
    assert new_take_name(tmp_path, day=day, name="late set/2") == "2026-11-28-late-set-2-1"
    (tmp_path / "takes" / "2026-11-28-evening-1").mkdir(parents=True)
    assert new_take_name(tmp_path, day=day, name="evening") == "2026-11-28-evening-2"
