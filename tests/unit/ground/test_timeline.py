"""Spans, gaps, marks and songs on the media clock."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightreel.timeline import Gap, GapCause, Mark, Span, join_gaps, songs_from_marks, union

spans = st.builds(lambda a, n: Span(first_frame=a, frames=n), st.integers(0, 60), st.integers(0, 20))


def frames_of(many: tuple[Span, ...] | list[Span]) -> set[int]:
    return {frame for span in many for frame in range(span.first_frame, span.end_frame)}


@given(st.lists(spans, max_size=8))
def test_union_holds_the_same_frames_sorted_and_apart(many: list[Span]) -> None:
    joined = union(many)
    assert frames_of(joined) == frames_of(many)
    assert all(a.end_frame < b.first_frame for a, b in pairwise(joined))
    assert all(span.frames > 0 for span in joined)


def test_a_span_before_the_take_is_our_own_mistake() -> None:
    with pytest.raises(ValueError):
        Span(first_frame=-1, frames=3)


def test_a_gap_knows_its_end() -> None:
    gap = Gap(first_frame=10, frames=5, cause=GapCause.NETWORK_LOSS, channels=(2,))
    assert gap.end_frame == 15
    assert gap.span == Span(first_frame=10, frames=5)


def test_numbered_marks_start_songs_and_plain_marks_end_them() -> None:
    marks = [
        Mark(frame=100, name="First", song=1),
        Mark(frame=200, name="talk"),
        Mark(frame=250, name="Second", song=2),
    ]
    songs = songs_from_marks(marks, end_frame=400)
    assert [(s.name, s.span.first_frame, s.span.end_frame) for s in songs] == [
        ("First", 100, 200),
        ("Second", 250, 400),
    ]


def test_without_numbers_every_mark_starts_a_song() -> None:
    songs = songs_from_marks([Mark(frame=0, name="A"), Mark(frame=50, name="B")], end_frame=80)
    assert [(s.number, s.name, s.span.frames) for s in songs] == [(1, "A", 50), (2, "B", 30)]


def test_marks_behind_the_end_make_no_song() -> None:
    assert songs_from_marks([Mark(frame=90, name="late", song=1)], end_frame=80) == ()


gaps = st.builds(
    lambda first, frames, cause, channels: Gap(first_frame=first, frames=frames, cause=cause, channels=channels),
    st.integers(0, 60),
    st.integers(1, 20),
    st.sampled_from([GapCause.NETWORK_LOSS, GapCause.RING_FULL]),
    st.sampled_from([(), (0,), (1, 2)]),
)


@given(st.lists(gaps, max_size=10))
def test_joined_gaps_name_the_same_frames_cause_and_channels_once(many: list[Gap]) -> None:
    def cells(some: tuple[Gap, ...] | list[Gap]) -> set[tuple[int, GapCause, tuple[int, ...]]]:
        return {(frame, g.cause, g.channels) for g in some for frame in range(g.first_frame, g.end_frame)}

    joined = join_gaps(many)
    assert cells(joined) == cells(many)
    assert sum(g.frames for g in joined) == len(cells(joined))
    assert list(joined) == sorted(joined)


def test_two_marks_on_one_frame_begin_one_song() -> None:
    marks = [Mark(frame=5, name="A", song=1), Mark(frame=5, name="A"), Mark(frame=5, name="B", song=2)]
    songs = songs_from_marks(marks, end_frame=10)
    assert [(s.name, s.span) for s in songs] == [("A", Span(first_frame=5, frames=5))]
