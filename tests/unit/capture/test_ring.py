"""The ring: what readers get is what was pushed, each at its own pace; what they miss is told exactly."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from nightreel.capture.ring import FrameRing
from nightreel.timeline import Gap, GapCause, Span

TRACKS, SIZE = 2, 3


def rows(first: int, frames: int) -> NDArray[np.uint8]:
    """Every byte tells its frame and track."""
    places = np.arange(first * SIZE, (first + frames) * SIZE)
    return np.stack([(places + 101 * track) % 251 for track in range(TRACKS)]).astype(np.uint8)


@settings(max_examples=150)
@given(st.lists(st.tuples(st.integers(1, 40), st.integers(0, 40)), max_size=25), st.integers(8, 64))
def test_a_reader_gets_every_frame_once_or_is_told_that_it_is_gone(steps: list[tuple[int, int]], capacity: int) -> None:
    ring = FrameRing(tracks=TRACKS, sample_bytes=SIZE, capacity_frames=capacity)
    tail = ring.open_tail(0)
    out = np.zeros((TRACKS, 40 * SIZE), dtype=np.uint8)
    pushed = position = 0
    for push, wanted in steps:
        push = min(push, capacity)
        ring.push(rows(pushed, push), push)
        pushed += push
        taken = tail.take(wanted, out)
        assert taken.skipped == Span(first_frame=position, frames=max(0, pushed - capacity - position))
        assert taken.first_frame == position + taken.skipped.frames
        assert taken.frames == min(wanted, pushed - taken.first_frame)
        assert np.array_equal(out[:, : taken.frames * SIZE], rows(taken.first_frame, taken.frames))
        position = taken.first_frame + taken.frames
    assert tail.position == position


def test_two_readers_do_not_disturb_each_other() -> None:
    ring = FrameRing(tracks=TRACKS, sample_bytes=SIZE, capacity_frames=100)
    quick, slow = ring.open_tail(0), ring.open_tail(0)
    out = np.zeros((TRACKS, 300), dtype=np.uint8)
    ring.push(rows(0, 60), 60)
    assert quick.take(60, out).frames == 60
    ring.push(rows(60, 60), 60)
    assert quick.take(100, out).skipped.frames == 0
    assert slow.take(10, out).skipped == Span(first_frame=0, frames=20)


def test_gaps_come_with_the_frames_they_lie_in_and_again_when_read_again() -> None:
    ring = FrameRing(tracks=TRACKS, sample_bytes=SIZE, capacity_frames=100)
    gaps = tuple(Gap(first_frame=n, frames=5, cause=GapCause.NETWORK_LOSS) for n in (10, 40))
    tail = ring.open_tail(0)
    out = np.zeros((TRACKS, 300), dtype=np.uint8)
    ring.push(rows(0, 50), 50, gaps)
    assert tail.take(20, out).gaps == gaps[:1]
    assert tail.take(20, out).gaps == ()
    assert tail.take(10, out).gaps == gaps[1:]
    tail.back_to(12)
    assert tail.take(38, out).gaps == gaps


def test_an_odd_last_frame_may_wait() -> None:
    ring = FrameRing(tracks=TRACKS, sample_bytes=SIZE, capacity_frames=100)
    tail = ring.open_tail(0)
    out = np.zeros((TRACKS, 300), dtype=np.uint8)
    ring.push(rows(0, 7), 7)
    assert tail.take(50, out, even=True).frames == 6
    assert tail.take(50, out).frames == 1


def test_a_producer_that_waits_is_held_only_by_those_who_may_hold_it() -> None:
    ring = FrameRing(tracks=TRACKS, sample_bytes=SIZE, capacity_frames=10)
    tail = ring.open_tail(0)
    ring.push(rows(0, 10), 10)
    assert ring.wait_for_room(5, timeout_s=0.0)
    tail.holds_producer = True
    assert not ring.wait_for_room(5, timeout_s=0.0)
    tail.take(5, np.zeros((TRACKS, 300), dtype=np.uint8))
    assert ring.wait_for_room(5, timeout_s=0.0)
