"""The player: every sample of every line in its place, and never a click."""

from __future__ import annotations

import time

import numpy as np
import pytest
from tests.unit.soundcheck.rig import RATE_HZ, ArrayTake, band, largest_step, playing, run

from nightreel.errors import ArgumentInvalid
from nightreel.soundcheck import Channel, State
from nightreel.timeline import Span

FADE = 960


def places_of(out: np.ndarray, samples: np.ndarray) -> list[int]:
    """Which frame of the take each frame of the output is, where it is one bit for bit; else -1."""
    index = {row.tobytes(): place for place, row in enumerate(samples)}
    return [index.get(row.tobytes(), -1) for row in out]


def test_at_unity_every_line_is_played_bit_for_bit_away_from_the_fades() -> None:
    samples = band(60_000, 5)
    with playing(ArrayTake(samples)) as player:
        player.start()
        out = run(player, 60_480)
        assert player.status().state is State.ENDED
    assert np.array_equal(out[FADE : 60_000 - FADE], samples[FADE : 60_000 - FADE])
    assert not out[60_000:].any()


@pytest.mark.parametrize("block", [1, 7, 333, 480, 4096, 50_000])
def test_the_size_of_blocks_makes_no_difference(block: int) -> None:
    samples = band(20_000, 2)
    with playing(ArrayTake(samples), start_db=-30.0, rise_s=0.2) as player:
        player.start()
        whole = run(player, 20_500, block)
    with playing(ArrayTake(samples), start_db=-30.0, rise_s=0.2) as player:
        player.start()
        assert np.allclose(run(player, 20_500, 960), whole, atol=1e-7)


def test_it_starts_thirty_decibels_low_and_rises_to_unity() -> None:
    samples = np.full((4 * RATE_HZ, 1), 0.5, np.float32)
    with playing(ArrayTake(samples), start_db=-30.0, rise_s=2.0) as player:
        player.start()
        out = run(player, 3 * RATE_HZ)[:, 0] / 0.5
    level_db = 20 * np.log10(np.maximum(out, 1e-9))
    assert level_db[FADE] < -29.0
    assert level_db[RATE_HZ] == pytest.approx(-15.0, abs=0.1)
    assert np.all(out[2 * RATE_HZ + FADE :] == 1.0)


def test_nothing_sounds_before_start() -> None:
    with playing(ArrayTake(band(9600, 2))) as player:
        assert not run(player, 4800).any()
        assert player.status().state is State.READY


def test_stop_is_silent_after_twenty_milliseconds_and_goes_on_where_it_was() -> None:
    samples = band(96_000, 3)
    with playing(ArrayTake(samples)) as player:
        player.start()
        run(player, 24_000)
        player.stop()
        stopping = run(player, 4_800)
        assert np.abs(stopping[:FADE]).max() > 0
        assert not stopping[FADE:].any()
        assert player.status().state is State.STOPPED
        place = player.status().position
        player.start()
        again = run(player, 9_600)
    assert np.array_equal(again[FADE:], samples[place + FADE : place + 9_600])


def test_loop_is_seamless_and_exact_outside_its_seam() -> None:
    samples = band(48_000, 4)
    loop = Span(first_frame=9_600, frames=14_400)
    with playing(ArrayTake(samples), span=Span(first_frame=9_600, frames=38_400), loop=loop) as player:
        player.start()
        out = run(player, 3 * 14_400 + 5_000)
    once = samples[9_600:24_000]
    for turn in range(3):
        turned = out[turn * 14_400 : (turn + 1) * 14_400]
        begin = FADE if turn == 0 else 0
        assert np.array_equal(turned[begin : 14_400 - FADE], once[begin : 14_400 - FADE])
    assert largest_step(out) <= largest_step(samples)


def test_jump_at_once_lands_where_it_was_told_for_every_line_alike() -> None:
    samples = band(96_000, 6)
    with playing(ArrayTake(samples)) as player:
        player.start()
        run(player, 12_000)
        player.jump(60_000)
        time.sleep(0.3)
        out = run(player, 12_000)
    places = places_of(out, samples)
    landed = next(k for k, place in enumerate(places) if place >= 60_000)
    assert places[landed:] == list(range(places[landed], places[landed] + len(places) - landed))
    assert places[landed] - landed == 60_000  # the seam of 960 frames began with the first frame of this block
    assert landed == FADE
    assert largest_step(out) <= largest_step(samples)


def test_jump_at_a_place_arrives_exactly_there() -> None:
    samples = band(96_000, 2)
    with playing(ArrayTake(samples)) as player:
        player.start()
        run(player, 4_800)
        player.jump(72_000, at_frame=24_000)
        time.sleep(0.3)
        out = run(player, 30_000)
    places = places_of(out, samples)
    assert places[: 24_000 - 4_800 - FADE] == list(range(4_800, 24_000 - FADE))
    assert places[24_000 - 4_800 :] == list(range(72_000, 72_000 + 30_000 - 19_200))[: len(places) - 19_200]


def test_setting_and_lifting_a_loop_while_playing_changes_no_sample() -> None:
    samples = band(6 * RATE_HZ, 2)
    with playing(ArrayTake(samples)) as player:
        player.start()
        run(player, 12_000)
        player.set_loop(Span(first_frame=0, frames=2 * RATE_HZ))
        time.sleep(0.3)
        first = run(player, 2 * RATE_HZ)
        player.set_loop(None)
        time.sleep(0.3)
        second = run(player, 2 * RATE_HZ)
    places = places_of(np.concatenate([first, second]), samples)
    loop_end = 2 * RATE_HZ - 12_000
    assert places[: loop_end - FADE] == list(range(12_000, 2 * RATE_HZ - FADE))
    assert places[loop_end:] == list(range(4 * RATE_HZ - loop_end))


def test_a_loop_elsewhere_is_jumped_into() -> None:
    samples = band(4 * RATE_HZ, 1)
    with playing(ArrayTake(samples)) as player:
        player.start()
        run(player, 4_800)
        player.set_loop(Span(first_frame=2 * RATE_HZ, frames=RATE_HZ))
        time.sleep(0.3)
        run(player, 9_600)
        assert 2 * RATE_HZ <= player.status().position < 3 * RATE_HZ


def test_one_line_goes_live_and_comes_back_while_the_others_play_on() -> None:
    samples = band(48_000, 3)
    with playing(ArrayTake(samples)) as player:
        player.start()
        run(player, 9_600)
        player.set_returned(2, False)
        away = run(player, 9_600)
        player.set_returned(2, True)
        back = run(player, 9_600)
        assert player.status().returned == (1, 2, 3)
    assert not away[FADE:, 1].any()
    assert np.array_equal(away[:, [0, 2]], samples[9_600:19_200, [0, 2]])
    assert np.array_equal(back[FADE:], samples[19_200 + FADE : 28_800])
    assert largest_step(np.concatenate([away, back])) <= largest_step(samples)


def test_a_stalled_disk_is_survived_from_what_was_read_ahead() -> None:
    samples = band(10 * RATE_HZ, 2)
    take = ArrayTake(samples)
    with playing(take, ahead_s=6.0) as player:
        assert player.wait_ready()
        while player.status().ready_frames < 5.9 * RATE_HZ:
            time.sleep(0.01)
        take.free.clear()
        player.start()
        out = np.concatenate([player.render(480) for _ in range(5 * RATE_HZ // 480)])
        assert player.status().starvations == 0
        take.free.set()
        rest = run(player, RATE_HZ)
    assert np.array_equal(np.concatenate([out, rest])[FADE:], samples[FADE : 6 * RATE_HZ])


def test_a_disk_that_stalls_longer_is_silence_then_the_very_next_frame() -> None:
    samples = band(6 * RATE_HZ, 2)
    take = ArrayTake(samples)
    with playing(take, ahead_s=1.0) as player:
        assert player.wait_ready()
        while player.status().ready_frames < 0.9 * RATE_HZ:
            time.sleep(0.01)
        take.free.clear()
        time.sleep(0.05)
        player.start()
        out = [player.render(480) for _ in range(2 * RATE_HZ // 480)]
        assert player.status().state is State.STARVED
        assert player.status().starvations == 1
        assert not out[-1].any()
        place = player.status().position
        take.free.set()
        time.sleep(0.3)
        back = run(player, 9_600)
    assert np.array_equal(back[FADE:], samples[place + FADE : place + 9_600])
    assert largest_step(np.concatenate([*out, back])) <= largest_step(samples)


def test_a_disk_that_fails_ends_in_silence_and_says_why() -> None:
    samples = band(2 * RATE_HZ, 2)
    take = ArrayTake(samples)
    take.broken_from = RATE_HZ
    with playing(take) as player:
        player.start()
        out = run(player, 2 * RATE_HZ)
        status = player.status()
    assert status.state is State.FAILED
    assert "pulled" in status.trouble
    assert not out[RATE_HZ + FADE :].any()
    assert largest_step(out) <= largest_step(samples)


def test_a_line_with_missing_samples_is_rounded_off_and_the_others_are_exact() -> None:
    samples = band(48_000, 2)
    holed = samples.copy()
    loudest = 10_000 + int(np.argmax(np.abs(samples[10_000:30_000, 1])))
    holed[loudest + 1 : loudest + 4_001, 1] = 0.0
    holes = {2: (Span(first_frame=loudest + 1, frames=4_000),)}
    with playing(ArrayTake(holed), holes=holes) as player:
        player.start()
        out = run(player, 40_000)
    assert np.array_equal(out[FADE:, 0], samples[FADE:40_000, 0])
    assert largest_step(holed) > largest_step(samples)
    assert largest_step(out) <= largest_step(samples)


def test_trims_are_applied_exactly() -> None:
    samples = band(9_600, 2)
    channels = (Channel(line=1, channel=0, trim_db=-6.0), Channel(line=2, channel=1))
    with playing(ArrayTake(samples), channels=channels) as player:
        player.start()
        out = run(player, 8_000)
    assert np.allclose(out[FADE:, 0], samples[FADE:8_000, 0] * 10 ** (-6 / 20), atol=1e-7)
    assert np.array_equal(out[FADE:, 1], samples[FADE:8_000, 1])


def test_lines_land_on_their_returns_and_others_stay_silent() -> None:
    samples = band(9_600, 2)
    channels = (Channel(line=1, channel=5), Channel(line=2, channel=2))
    with playing(ArrayTake(samples), channels=channels, sink_channels=8) as player:
        player.start()
        out = run(player, 8_000)
    assert np.array_equal(out[FADE:, [5, 2]], samples[FADE:8_000])
    assert not np.delete(out, [5, 2], axis=1).any()


@pytest.mark.parametrize(
    "channels",
    [
        (Channel(line=1, channel=2),),
        (Channel(line=1, channel=0), Channel(line=2, channel=0)),
    ],
)
def test_a_plan_that_does_not_fit_the_device_is_refused(channels: tuple[Channel, ...]) -> None:
    with pytest.raises(ArgumentInvalid), playing(ArrayTake(band(4_800, 2)), channels=channels):
        pass


def test_places_outside_are_refused_and_nothing_changes() -> None:
    samples = band(48_000, 1)
    with playing(ArrayTake(samples)) as player:
        for wrong in (-1, 48_000):
            with pytest.raises(ArgumentInvalid):
                player.jump(wrong)
        with pytest.raises(ArgumentInvalid):
            player.set_loop(Span(first_frame=0, frames=100))
        with pytest.raises(ArgumentInvalid):
            player.set_level(3.0)
        with pytest.raises(ArgumentInvalid):
            player.set_returned(9, True)
        player.start()
        assert np.array_equal(run(player, 9_600)[FADE:], samples[FADE:9_600])


def test_after_the_end_a_jump_and_a_start_play_again() -> None:
    samples = band(24_000, 1)
    with playing(ArrayTake(samples)) as player:
        player.start()
        run(player, 24_480)
        assert player.status().state is State.ENDED
        player.jump(4_800)
        player.start()
        time.sleep(0.2)
        out = run(player, 9_600)
    assert 10_000 < player.status().position < 20_000
    assert largest_step(out) <= largest_step(samples)
