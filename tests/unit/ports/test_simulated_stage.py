"""The simulated desk does what its values say, sample by sample."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from nightreel.errors import ArgumentInvalid
from nightreel.ports.stage import Desk, Feed, Origin, SimulatedStage

RATE_HZ = 48_000


def noise_24(frames, channels, seed=1, level=0.3):
    """24-bit values: exact in float32."""
    drawn = np.random.default_rng(seed).uniform(-level, level, (frames, channels))
    return (np.rint(drawn * 2**23) / 2**23).astype(np.float32)


def test_a_straight_desk_is_bit_transparent():
    inputs = noise_24(10_000, 4)
    sends = SimulatedStage(Desk.straight(rate_hz=RATE_HZ, lines=4)).process(inputs, None)
    assert np.array_equal(sends, inputs)


def test_at_soundcheck_the_switched_sends_carry_their_returns_and_the_others_the_stage():
    desk = Desk.straight(rate_hz=RATE_HZ, lines=4).at_soundcheck([1, 3])
    inputs, returns = noise_24(500, 4, 1), noise_24(500, 4, 2)
    sends = SimulatedStage(desk).process(inputs, returns)
    assert np.array_equal(sends[:, [0, 2]], inputs[:, [0, 2]])
    assert np.array_equal(sends[:, [1, 3]], returns[:, [1, 3]])
    assert desk.live() == Desk.straight(rate_hz=RATE_HZ, lines=4)


def test_the_preamp_acts_on_the_socket_and_not_on_the_return():
    desk = Desk.straight(rate_hz=RATE_HZ, lines=1).with_channel(0, preamp_gain_db=20 * np.log10(2))
    block = noise_24(200, 1)
    assert np.allclose(SimulatedStage(desk).process(block, None), 2 * block, atol=2**-23)
    assert np.array_equal(SimulatedStage(desk.at_soundcheck()).process(None, block), block)


def test_gain_polarity_and_latency_reach_the_send_as_stated():
    desk = Desk.straight(rate_hz=RATE_HZ, lines=2).off_level(0, -20 * np.log10(2)).inverted(0).delayed(1, 777)
    block = noise_24(3000, 2)
    sends = SimulatedStage(desk).process(block, None)
    assert np.allclose(sends[:, 0], -block[:, 0] / 2, atol=2**-23)
    assert not sends[:777, 1].any()
    assert np.array_equal(sends[777:, 1], block[:-777, 1])


def test_each_planted_fault_moves_the_signal_where_it_says():
    block = noise_24(100, 6)
    straight = Desk.straight(rate_hz=RATE_HZ, lines=6)

    def heard(desk):
        return SimulatedStage(desk).process(block, block)

    assert np.array_equal(heard(straight.crossed(1, 4)), block[:, [0, 4, 2, 3, 1, 5]])
    assert np.array_equal(heard(straight.crossed_sockets(1, 4)), block[:, [0, 4, 2, 3, 1, 5]])
    assert np.array_equal(heard(straight.crossed_returns(1, 4)), block)
    assert np.array_equal(heard(straight.crossed_returns(1, 4).at_soundcheck()), block[:, [0, 4, 2, 3, 1, 5]])
    shifted = heard(straight.shifted(2))
    assert np.array_equal(shifted[:, [0, 1, 3, 4, 5]], block[:, [0, 1, 2, 3, 4]])
    assert not shifted[:, 2].any()
    assert not heard(straight.dead(3))[:, 3].any()
    leaking = heard(straight.with_channel(0, feed=Feed.NOTHING).leaking(5, 0, 0.0))
    assert np.array_equal(leaking[:, 0], block[:, 5])


def test_paths_state_the_truth_a_line_check_has_to_find():
    desk = Desk.straight(rate_hz=RATE_HZ, lines=3).at_soundcheck().dead(1).leaking(0, 2, -38.0).inverted(2)
    assert {(p.origin, p.port, p.send, p.gain_db, p.polarity) for p in desk.paths()} == {
        (Origin.RETURN, 0, 0, 0.0, 1),
        (Origin.RETURN, 2, 2, 0.0, -1),
        (Origin.RETURN, 0, 2, -38.0, 1),
    }


def test_noise_has_the_level_asked_for():
    desk = Desk.straight(rate_hz=RATE_HZ, lines=2).with_channel(1, noise_dbfs=-60.0)
    sends = SimulatedStage(desk).process(np.zeros((RATE_HZ, 2), np.float32), None).astype(np.float64)
    assert not sends[:, 0].any()
    assert 10 * np.log10(np.mean(sends[:, 1] ** 2)) == pytest.approx(-60.0, abs=0.1)


def test_a_band_limit_is_3_db_down_at_its_corners():
    # Butterworth corner: -3.01 dB by definition; steady state of a sine over whole periods.
    desk = Desk.straight(rate_hz=RATE_HZ, lines=1).with_all(band_hz=(100.0, 12_000.0))
    for freq_hz, expected_db in ((100.0, -3.01), (1000.0, 0.0), (12_000.0, -3.01)):
        tone = 0.5 * np.sin(2 * np.pi * freq_hz / RATE_HZ * np.arange(RATE_HZ))
        out = SimulatedStage(desk).process(tone.astype(np.float32)[:, None], None)[RATE_HZ // 2 :, 0]
        level_db = 20 * np.log10(np.sqrt(np.mean(out.astype(np.float64) ** 2)) / (0.5 / np.sqrt(2)))
        assert level_db == pytest.approx(expected_db, abs=0.1)


@pytest.mark.parametrize("ppm", [50.0, -50.0, 13.0])
def test_an_unlocked_clock_drifts_by_its_ppm(ppm):
    # A tone through the desk comes out at f (1 + ppm); its phase tells the drift. scipy's Hilbert transform measures.
    desk = Desk.straight(rate_hz=RATE_HZ, lines=1)
    stage = SimulatedStage(Desk(rate_hz=RATE_HZ, sockets=1, returns=1, channels=desk.channels, clock_offset_ppm=ppm))
    frames = 4 * RATE_HZ
    tone = (0.5 * np.sin(2 * np.pi * 1000.0 / RATE_HZ * np.arange(frames))).astype(np.float32)[:, None]
    out = stage.process(tone, None)[:, 0].astype(np.float64)
    phase = np.unwrap(np.angle(signal.hilbert(out)))[4800:-4800]
    slope = np.polyfit(np.arange(phase.size), phase, 1)[0]
    measured_ppm = (slope / (2 * np.pi * 1000.0 / RATE_HZ) - 1) * 1e6
    assert measured_ppm == pytest.approx(ppm, abs=0.1)


def test_the_converter_clips_and_rounds_to_24_bits():
    desk = Desk.straight(rate_hz=RATE_HZ, lines=1).with_all(gain_db=12.0)
    sends = SimulatedStage(desk).process(noise_24(500, 1, level=0.9), None).astype(np.float64)
    assert sends.max() == 1 - 2**-23
    assert sends.min() == -1.0
    assert np.array_equal(sends * 2**23, np.rint(sends * 2**23))


def demanding_desk(ppm):
    desk = Desk.straight(rate_hz=RATE_HZ, lines=5).at_soundcheck([1, 2]).delayed(0, 13).delayed(2, 5000).inverted(3)
    desk = desk.leaking(4, 0, -20.0).leaking(1, 3, -6.0).with_channel(1, noise_dbfs=-50.0, band_hz=(80.0, 15_000.0))
    return Desk(rate_hz=RATE_HZ, sockets=5, returns=5, channels=desk.channels, clock_offset_ppm=ppm)


@pytest.fixture(scope="module")
def whole():
    inputs, returns = noise_24(12_000, 5, 1), noise_24(12_000, 5, 2)
    outputs = {ppm: SimulatedStage(demanding_desk(ppm)).process(inputs, returns) for ppm in (0.0, 40.0)}
    return inputs, returns, outputs


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(1, 11_999), max_size=12, unique=True), ppm=st.sampled_from([0.0, 40.0]))
def test_any_partition_into_blocks_gives_the_same_bits(whole, cuts, ppm):
    inputs, returns, outputs = whole
    stage = SimulatedStage(demanding_desk(ppm))
    edges = [0, *sorted(cuts), 12_000]
    parts = [stage.process(inputs[a:b], returns[a:b]) for a, b in itertools.pairwise(edges)]
    assert np.array_equal(np.concatenate(parts), outputs[ppm])


def test_a_repatch_takes_effect_at_the_next_frame_and_keeps_what_is_on_its_way():
    straight = Desk.straight(rate_hz=RATE_HZ, lines=2)
    stage = SimulatedStage(straight.delayed(0, 10))
    block = noise_24(6000, 2)
    before = stage.process(block[:3000], None)
    stage.repatch(straight.delayed(0, 10).crossed(0, 1))
    after = stage.process(block[3000:], None)
    assert np.array_equal(before[:, 1], block[:3000, 1])
    assert np.array_equal(after[:, 0], block[3000:, 1])
    assert np.array_equal(after[:, 1], block[2990:-10, 0])


def test_a_longer_latency_after_a_repatch_still_finds_the_past():
    straight = Desk.straight(rate_hz=RATE_HZ, lines=1)
    stage = SimulatedStage(straight)
    block = noise_24(9000, 1)
    stage.process(block[:4096], None)
    stage.repatch(straight.delayed(0, 4000))
    assert np.array_equal(stage.process(block[4096:], None)[:4000], block[96:4096])


def test_nonsense_is_refused_with_the_place():
    with pytest.raises(ArgumentInvalid, match="send 2 of the simulated desk"):
        Desk.straight(rate_hz=RATE_HZ, lines=2).with_channel(1, socket=9)
    stage = SimulatedStage(Desk.straight(rate_hz=RATE_HZ, lines=2))
    with pytest.raises(ArgumentInvalid):
        stage.process(np.zeros((10, 3), np.float32), None)
    with pytest.raises(ArgumentInvalid):
        stage.process(None, None)
    with pytest.raises(ArgumentInvalid):
        stage.process(np.zeros((10, 2), np.float32), np.zeros((11, 2), np.float32))
