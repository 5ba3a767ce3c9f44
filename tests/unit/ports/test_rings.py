"""The two rings, driven as a callback drives them, against slow and obvious twins."""

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.ports import capture_ring as capture
from nightreel.ports import play_ring as play
from nightreel.ports.capture_ring import CaptureRing, Loss
from nightreel.ports.play_ring import PlayRing
from nightreel.timeline import GapCause

CHANNELS = 3


def frames_from(number, count):
    """Frames whose samples tell which they are."""
    return (np.arange(number, number + count)[:, None] * CHANNELS + np.arange(CHANNELS)).astype(np.float32)


def put(ring, block):
    capture.put_interleaved(ring.control, block.reshape(-1), block.shape[0])


def take_all(ring, most_frames=1000):
    """(the frames with zeros for what was lost, the losses with their places)."""
    pieces, losses, position = [], [], 0
    while (got := ring.take(most_frames)) is not None:
        if isinstance(got, Loss):
            losses.append((position, got.frames, got.cause))
            got = np.zeros((got.frames, CHANNELS), np.float32)
        pieces.append(got)
        position += got.shape[0]
    return (np.concatenate(pieces) if pieces else np.zeros((0, CHANNELS), np.float32)), losses


def test_what_is_put_and_published_can_be_taken_round_the_end_of_the_ring():
    ring = CaptureRing(channels=CHANNELS, frames=10)
    number = 0
    for size in (4, 5, 7, 10, 3, 9, 10):
        put(ring, frames_from(number, size))
        assert ring.take(100) is None  # not published yet
        capture.publish(ring.control)
        got, losses = take_all(ring, most_frames=4)
        assert np.array_equal(got, frames_from(number, size))
        assert losses == []
        number += size
    assert ring.high_water_frames == 10


def test_frames_that_find_the_ring_full_are_a_loss_at_their_place():
    ring = CaptureRing(channels=CHANNELS, frames=10)
    for number in (0, 4, 8, 12, 16):  # room for two of these
        put(ring, frames_from(number, 4))
        capture.publish(ring.control)
    got, losses = take_all(ring)
    assert np.array_equal(got, frames_from(0, 8))
    assert losses == []  # not known before the stream goes on
    put(ring, frames_from(20, 4))
    capture.publish(ring.control)
    got, losses = take_all(ring)
    assert losses == [(0, 12, GapCause.RING_FULL)]
    assert np.array_equal(got[12:], frames_from(20, 4))


def test_a_loss_that_finds_the_list_full_waits_and_is_not_forgotten():
    ring = CaptureRing(channels=CHANNELS, frames=4)
    for number in range(capture.EVENT_PLACES + 10):
        cause = (capture.SERVER_SKIPPED, capture.DEVICE_OVERFLOW)[number % 2]
        capture.note_loss(ring.control, 1, cause)
    _, losses = take_all(ring)
    assert sum(frames for _, frames, _ in losses) == capture.EVENT_PLACES
    put(ring, frames_from(0, 1))
    capture.publish(ring.control)
    _, losses = take_all(ring)
    assert sum(frames for _, frames, _ in losses) == 10


class SlowTimedRing:
    """A twin of the timed path: a list of periods by frame time, the last of which may still be replaced."""

    def __init__(self, frames):
        self.frames = frames
        self.periods = []  # (frame time, block or None)
        self.taken = 0

    def period(self, now, block):
        if self.periods and now < self.periods[-1][0]:
            return
        if self.periods and now == self.periods[-1][0]:
            self.periods.pop()
        held = sum(len(kept) for _, kept in self.periods if kept is not None) - self.taken
        self.periods.append((now, block if held + len(block) <= self.frames else None))

    def account(self, size):
        """Everything up to the last confirmed period, with zeros where nothing is."""
        confirmed = self.periods[:-1]
        if not confirmed:
            return np.zeros((0, CHANNELS), np.float32)
        first, last = confirmed[0][0], confirmed[-1][0] + size
        whole = np.zeros((last - first, CHANNELS), np.float32)
        for now, block in confirmed:
            if block is not None:
                whole[now - first : now - first + size] = block
        return whole


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.sampled_from(["next", "next", "next", "skip", "again", "old", "unsure"]), max_size=30),
    start=st.sampled_from([0, 5000, 2**32 - 20]),
    room=st.sampled_from([1000, 12]),
)
def test_periods_of_known_time_stand_where_their_time_says(steps, start, room):
    size = 4
    ring, slow = CaptureRing(channels=CHANNELS, frames=room), SlowTimedRing(room)
    now = start
    number = 0
    for step in ["next", *steps, "next", "next"]:
        now += {"next": size, "skip": 3 * size, "again": 0, "old": -5 * size, "unsure": size}[step]
        block = frames_from(number + 1, size)
        number += size
        if capture.begin_period(ring.control, now & 0xFFFFFFFF, size):
            put(ring, block)
            if step == "unsure":
                capture.doubt_period(ring.control)
        if step == "unsure":
            held = slow.periods[-1][0] if slow.periods else None
            slow.period(now, block)
            if held != now:
                slow.periods[-1] = (now, None)
        else:
            slow.period(now, block)
        if step == "old":
            now += 5 * size
    got, losses = take_all(ring)
    expected = slow.account(size)
    # A loss at the very end is listed when the next period comes.
    assert np.array_equal(got, expected[: len(got)])
    assert not expected[len(got) :].any()
    assert sum(frames for _, frames, _ in losses) == (got == 0).all(axis=1).sum()


def run_player(ring, frames, size=16):
    """What the callback plays, in periods of ``size``."""
    out = np.full((frames, CHANNELS), np.nan, np.float32)
    for first in range(0, frames, size):
        part = out[first : first + size].reshape(-1)
        play.play_frames(ring.control, part, part.size // CHANNELS)
        play.free_played(ring.control)
    return out


def player(**options):
    facts = {"channels": CHANNELS, "frames": 200, "cushion_frames": 20, "fade_frames": 10, **options}
    return PlayRing(**facts)


def test_nothing_is_played_before_the_cushion_is_there_then_everything_as_written():
    ring = player()
    ring.write(frames_from(1, 19))
    assert not run_player(ring, 16).any()
    ring.write(frames_from(20, 60))
    assert np.array_equal(run_player(ring, 64), frames_from(1, 64))
    assert ring.underruns == 0
    assert ring.waiting_frames == 15


def test_running_dry_falls_along_a_raised_cosine_and_comes_back_along_one():
    ring = player()
    ring.write(np.ones((40, CHANNELS), np.float32))
    heard = run_player(ring, 64)
    fall = [0.5 + 0.5 * math.cos(math.pi * n / 10) for n in range(1, 11)]
    assert np.allclose(heard[:40], 1.0)
    assert np.allclose(heard[40:50, 0], fall, atol=1e-6)
    assert not heard[50:].any()
    assert ring.underruns == 1
    ring.write(np.ones((40, CHANNELS), np.float32))
    back = run_player(ring, 32)
    rise = [0.5 - 0.5 * math.cos(math.pi * n / 10) for n in range(1, 11)]
    assert np.allclose(back[:10, 0], rise, atol=1e-6)
    assert np.allclose(back[10:32], 1.0)


def test_an_end_that_was_meant_is_no_underrun_and_plays_what_is_below_the_cushion():
    ring = player()
    ring.write(frames_from(1, 7))
    ring.set_ending(True)
    heard = run_player(ring, 32)
    assert np.array_equal(heard[:7], frames_from(1, 7))
    assert ring.underruns == 0
    assert ring.silent
    # The next programme starts as it was written.
    ring.set_ending(False)
    ring.write(frames_from(1, 30))
    assert np.array_equal(run_player(ring, 16), frames_from(1, 16))


def test_a_stop_fades_within_its_time_and_what_was_written_ahead_is_never_heard():
    ring = player()
    ring.write(np.ones((150, CHANNELS), np.float32))
    run_player(ring, 16)
    ring.ask_stop(8)
    heard = run_player(ring, 32)
    assert np.abs(np.diff(heard[:9], axis=0)).max() <= math.pi / 16 + 1e-6
    assert not heard[8:].any()
    assert ring.stopped
    ring.start_afresh()
    ring.write(frames_from(1, 30))
    assert np.array_equal(run_player(ring, 16), frames_from(1, 16))


def test_a_period_that_the_server_runs_twice_plays_the_same_twice():
    ring = player(cushion_frames=0)
    ring.write(frames_from(1, 100))
    heard = []
    for now in (0, 16, 16, 32):
        out = np.empty(16 * CHANNELS, np.float32)
        play.begin_period(ring.control, now, 16)
        play.play_frames(ring.control, out, 16)
        heard.append(out.reshape(-1, CHANNELS))
    assert np.array_equal(heard[1], heard[2])
    assert np.array_equal(np.concatenate([heard[0], heard[2], heard[3]]), frames_from(1, 48))


def test_a_programme_that_stays_on_time_loses_what_the_server_skipped():
    ring = player(cushion_frames=0)
    ring.stay_on_time()
    ring.write(frames_from(1, 100))
    heard = []
    for now in (0, 16, 48):  # 16 frames skipped
        out = np.empty(16 * CHANNELS, np.float32)
        play.begin_period(ring.control, now, 16)
        play.play_frames(ring.control, out, 16)
        heard.append(out.reshape(-1, CHANNELS))
    assert np.array_equal(heard[2], frames_from(1 + 48, 16))


def test_a_programme_that_stays_on_time_and_comes_late_is_heard_from_where_it_would_be():
    ring = player(cushion_frames=0)
    ring.stay_on_time()
    ring.write(frames_from(1, 16))
    heard = [run_player(ring, 16), run_player(ring, 32)]  # dry for 32 frames
    ring.write(frames_from(17, 80))
    heard.append(run_player(ring, 32))
    assert np.array_equal(heard[0], frames_from(1, 16))
    settled = heard[2][12:]  # after the fade-in
    assert np.array_equal(settled, frames_from(1 + 48 + 12, 20))


@settings(max_examples=60, deadline=None)
@given(
    moves=st.lists(
        st.one_of(st.tuples(st.just("write"), st.integers(1, 60)), st.tuples(st.just("run"), st.integers(1, 6))),
        min_size=1,
        max_size=40,
    ),
    stop_at=st.integers(0, 60),
)
def test_no_sequence_of_stalls_and_stops_makes_a_step_beyond_programme_and_fade(moves, stop_at):
    fade = 24
    ring = player(fade_frames=fade)
    heard, number = [np.zeros((1, CHANNELS), np.float32)], 0
    for place, (move, amount) in enumerate(moves):
        if place == stop_at:
            ring.ask_stop(fade)
        if move == "write":
            block = np.cos(np.arange(number, number + min(amount, ring.free_frames)) * 0.05)[:, None]
            number += len(block)
            ring.write(np.repeat(block, CHANNELS, axis=1).astype(np.float32))
        else:
            heard.append(run_player(ring, 16 * amount))
    steps = np.abs(np.diff(np.concatenate(heard), axis=0)).max(axis=1)
    # Programme: at most 0.05 a frame; fades: pi / (2 fade) each, a stop within an underrun's return two of them. The
    # first frame of all is a step of the programme's own, from silence.
    sounding = np.flatnonzero(steps)
    if sounding.size:
        steps[sounding[0]] = 0.0
    assert steps.max(initial=0.0) <= 0.05 + 2 * math.pi / (2 * fade) + 1e-6
