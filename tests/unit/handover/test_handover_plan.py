"""Plans are data: what would be made, how it is named, and what is refused before anything moves."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.handover.small_take import FRAMES, facts_of

from nightreel.errors import ArgumentInvalid, PlanImpossible
from nightreel.handover import Cut, FileKind, Plan, Request, make_plan
from nightreel.handover.command import parse_lines
from nightreel.handover.names import TOKENS, fill, find_clashes, require_template
from nightreel.handover.plan import converted_frame, cut_parts
from nightreel.handover.receipt import plan_text
from nightreel.take import TakeFacts, TakeState
from nightreel.timeline import Gap, GapCause, Mark
from nightreel.units import Encoding


def plan_of(facts: TakeFacts, **asked: object) -> Plan:
    return make_plan(facts, Request(destinations=(), **asked))  # type: ignore[arg-type]


def test_a_whole_take_has_one_file_a_line_and_the_marks_twice() -> None:
    plan = plan_of(facts_of())
    assert [file.path for file in plan.files] == [
        "01 Kick In.wav",
        "02 Gitarre Süd.wav",
        "05 Keys L.wav",
        "06 Keys R.wav",
        "09 Click-Count.wav",
        "12 Ambience.wav",
        "marks.mid",
        "marks.csv",
    ]
    assert plan.left_out == ()
    assert plan.files[0].size_bytes == 4096 + FRAMES * 3 + 1


def test_songs_begin_at_their_marks_and_end_at_the_next_mark() -> None:
    plan = plan_of(facts_of(), cut=Cut.SONGS, lines=parse_lines("1,12"))
    assert [(p.number, p.title, p.span.first_frame, p.span.frames) for p in plan.parts] == [
        (1, "Late Ferry", 1_000, 29_001),
        (2, "Salt: and <Light>?", 40_000, FRAMES - 40_000),
    ]
    assert [file.path for file in plan.files if file.kind is FileKind.TRACK] == [
        "01 Late Ferry/01 Kick In.wav",
        "01 Late Ferry/12 Ambience.wav",
        "02 Salt- and (Light)/01 Kick In.wav",
        "02 Salt- and (Light)/12 Ambience.wav",
    ]
    assert [(s.first_frame, s.frames) for s in plan.left_out] == [(0, 1_000), (30_001, 9_999)]
    assert "stay behind" in plan.notes[0]
    assert "gap of 480 frames" in plan.notes[1]


@given(
    st.lists(st.tuples(st.integers(0, FRAMES + 5), st.none() | st.just(1)), min_size=1, max_size=12),
)
@settings(max_examples=200)
def test_everything_covers_the_take_without_hole_or_overlap(places: list[tuple[int, int | None]]) -> None:
    """Check value 15: the parts of one channel, joined, are the original, same count."""
    marks = tuple(Mark(frame=frame, name=f"m{n}", song=song) for n, (frame, song) in enumerate(places))
    facts = facts_of(marks=marks)
    if not facts.songs:
        with pytest.raises(PlanImpossible, match="no mark"):
            cut_parts(facts, Cut.EVERYTHING)
        return
    at = 0
    for part in cut_parts(facts, Cut.EVERYTHING):
        assert part.span.first_frame == at
        assert part.span.frames > 0
        at = part.span.end_frame
    assert at == FRAMES
    make_plan(facts, Request(destinations=(), cut=Cut.EVERYTHING))


@given(st.integers(0, 10**10), st.sampled_from([44_100, 48_000, 96_000]), st.sampled_from([44_100, 48_000, 88_200]))
def test_a_frame_at_another_rate_is_the_nearest(frame: int, from_hz: int, to_hz: int) -> None:
    error = converted_frame(frame, from_hz, to_hz) * from_hz - frame * to_hz
    assert -from_hz <= 2 * error <= from_hz


@pytest.mark.parametrize(
    ("template", "path"),
    [
        ("{line:02} {name}", "02 Gitarre Süd.wav"),
        ("{line:3}_{name}", "2_Gitarre Süd.wav"),
        ("{show}/{date} {time}/{take}/{song:02} {title}/{line} {name} ({role})", None),
        ("{group}/{name}", "no group/Gitarre Süd.wav"),
        ("{{{line}}}", "{2}.wav"),
    ],
)
def test_templates_name_files(template: str, path: str | None) -> None:
    plan = plan_of(facts_of(), template=template, lines=parse_lines("2"))
    expected = path or (
        "Saltmarsh Lanterns, Harbour Arts/2026-11-28 20.15.00/2026-11-28-evening-1/00 2026-11-28-evening-1/"
        "2 Gitarre Süd (mic).wav"
    )
    assert plan.files[0].path == expected


@pytest.mark.parametrize(
    "template",
    [
        "{nane}",
        "{line:x}",
        "{name:02}",
        "{name!r}",
        "{line.real}",
        "{0}",
        "{}",
        "{line",
        "plain",
        "../{line}",
        "/{line}",
        "{line:999}",
        "a\\{line}",
    ],
)
def test_templates_that_cannot_be_used_are_refused_with_the_tokens(template: str) -> None:
    with pytest.raises(ArgumentInvalid) as caught:
        require_template(template)
    assert all(f"{{{token}}}" in caught.value.now for token in TOKENS)


@given(st.text(max_size=60), st.text(max_size=60))
def test_no_name_leaves_the_package(title: str, name: str) -> None:
    path = fill("{title}/{name}", {"title": title, "name": name}, ".wav")
    assert not path.startswith("/")
    assert all(part not in {"", ".", ".."} for part in path.split("/"))
    assert len(path.split("/")) <= 2
    assert path.endswith(".wav")
    assert len(path.encode()) < 256


def test_names_that_differ_in_case_or_accent_form_only_are_a_clash() -> None:
    assert find_clashes(["a/Kick.wav", "a/kick.WAV", "b/e\u0301", "b/\u00c9", "c"]) == (
        ("a/Kick.wav", "a/kick.WAV"),
        ("b/e\u0301", "b/\u00c9"),
    )
    assert find_clashes(["a", "A/b"]) == (("a", "A/b"),)
    with pytest.raises(PlanImpossible, match=r"would have one name: 'mic\.wav' and 'mic\.wav'"):
        plan_of(facts_of(), template="{role}")


def test_a_mix_holds_the_lines_whose_roles_belong_in_it() -> None:
    plan = plan_of(facts_of(), mix=True, cut=Cut.SONGS)
    assert plan.mixed_lines == (1, 2, 5, 6, 12)
    assert [f.path for f in plan.files if f.kind is FileKind.MIX] == [
        "Listening mix/01 Late Ferry.wav",
        "Listening mix/02 Salt- and (Light).wav",
    ]
    with pytest.raises(PlanImpossible, match="no line belongs"):
        plan_of(facts_of(), mix=True, lines=parse_lines("9"))


@pytest.mark.parametrize(
    ("changes", "asked", "error", "words"),
    [
        ({"state": TakeState.RECORDING}, {}, PlanImpossible, "still being recorded"),
        ({"frames": 0}, {}, PlanImpossible, "no frames"),
        ({"tracks": ()}, {}, PlanImpossible, "no tracks"),
        ({"marks": ()}, {"cut": Cut.SONGS}, PlanImpossible, "no mark"),
        ({}, {"lines": parse_lines("1,3,99")}, ArgumentInvalid, "no line 3"),
        ({}, {"flac": True, "encoding": Encoding.FLOAT32}, ArgumentInvalid, "FLAC holds 16 or 24 bits"),
    ],
)
def test_what_cannot_be_done_is_refused_with_a_remedy(
    changes: dict[str, object], asked: dict[str, object], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words) as caught:
        plan_of(replace(facts_of(), **changes), **asked)  # type: ignore[arg-type]
    assert caught.value.now  # type: ignore[attr-defined]


def test_a_gap_names_its_lines_and_is_not_told_of_lines_that_have_none() -> None:
    gap = Gap(first_frame=50_000, frames=480, cause=GapCause.NETWORK_LOSS, channels=(0, 1, 3, 40))
    facts = facts_of(gaps=(gap,))
    assert "gap of 480 frames on lines 1-2, 6 at 0:00:01.042" in plan_of(facts).notes[0]
    assert "on line 6 at" in plan_of(facts, lines=parse_lines("5-9")).notes[0]
    assert plan_of(facts, lines=parse_lines("12")).notes == ()


def test_a_take_full_of_gaps_still_fits_a_screen() -> None:
    gaps = tuple(Gap(first_frame=n * 10, frames=1, cause=GapCause.NETWORK_LOSS) for n in range(900))
    facts = facts_of(gaps=gaps)
    plan = plan_of(facts)
    text = plan_text(facts, plan)
    assert len(plan.notes) == 900
    assert len(text.splitlines()) < 20
    assert "and 892 more, see the receipt" in text


def test_notes_say_when_samples_will_change() -> None:
    notes = plan_of(facts_of(), rate_hz=44_100, encoding=Encoding.PCM16).notes
    assert any("no longer the samples" in note for note in notes)
    assert any("dither" in note for note in notes)


def test_lines_are_written_as_people_write_them() -> None:
    assert parse_lines("1-3, 7") == (range(1, 4), range(7, 8))
    assert parse_lines("") == ()
    for text in ("x", "3-1", "1-", "-2", "1;2", "1-999999999999"):
        with pytest.raises(ArgumentInvalid):
            parse_lines(text)
