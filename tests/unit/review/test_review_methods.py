"""The methods behind the findings, each held against what mathematics or a published figure says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from nightreel.review.compare import compare_blocks, distance_m, speed_of_sound_m_s
from nightreel.review.findings.names import stem_and_side, words
from nightreel.review.flat_tops import flat_runs
from nightreel.review.joints import JointsBuilder
from nightreel.review.levels import active, bridged, floor_db, runs
from nightreel.review.prediction import CONTEXT, standing_out
from nightreel.review.spectra import BANDS, CENTRES_HZ, SpectraBuilder, window_frames_for

RATE = 48_000
F32 = NDArray[np.float32]


def noise(frames: int, seed: int = 1, level: float = 0.1) -> F32:
    return (np.random.default_rng(seed).standard_normal(frames) * level).astype(np.float32)


def low_pass(x: F32, hz: float = 800.0) -> F32:
    import scipy.signal

    return scipy.signal.sosfilt(scipy.signal.butter(4, hz, fs=RATE, output="sos"), x).astype(np.float32)


# --- spectra


def spectra_of(x: F32, block: int = 10_000):  # type: ignore[no-untyped-def]
    builder = SpectraBuilder(RATE)
    for at in range(0, len(x), block):
        builder.feed(x[None, at : at + block])
    return builder.results()[0]


def test_band_centres_are_the_exact_base_ten_ones_of_iec_61260() -> None:
    assert CENTRES_HZ[16] == pytest.approx(1000.0)
    assert CENTRES_HZ[17] / CENTRES_HZ[16] == pytest.approx(10**0.1)
    assert CENTRES_HZ[0] == pytest.approx(25.119, abs=1e-3)


@pytest.mark.parametrize("hz", [100.0, 997.0, 5011.9])
def test_a_full_scale_sine_reads_minus_3_01_db_in_its_own_band(hz: float) -> None:
    x = np.sin(2 * np.pi * hz * np.arange(2 * window_frames_for(RATE)) / RATE).astype(np.float32)
    spectra = spectra_of(x)
    band = int(np.argmin(np.abs(np.log(CENTRES_HZ / hz))))
    assert spectra.bands_db[0, band] == pytest.approx(-3.0103, abs=0.02)
    assert spectra.tone_hz[0] == pytest.approx(max(hz, 150.0), abs=0.2) or hz < 150
    if hz > 150:
        assert spectra.tone_purity[0] > 0.99


def test_the_bands_of_white_noise_add_up_to_its_power() -> None:
    x = noise(4 * window_frames_for(RATE))
    spectra = spectra_of(x)
    share = (CENTRES_HZ[-1] * 10**0.05 - CENTRES_HZ[0] / 10**0.05) / (RATE / 2)
    total_db = 10 * np.log10((10 ** (spectra.bands_db / 10)).sum(axis=1).mean() / share)
    assert total_db == pytest.approx(-20.0, abs=0.1)


@settings(max_examples=8, deadline=None)
@given(block=st.integers(1_000, 200_000), lines=st.integers(1, 5))
def test_spectra_are_the_same_for_any_block_size_and_company(block: int, lines: int) -> None:
    x = np.stack([noise(150_000, seed) for seed in range(lines)])
    builder = SpectraBuilder(RATE, lines=lines)
    for at in range(0, x.shape[1], block):
        builder.feed(x[:, at : at + block])
    alone = spectra_of(x[lines - 1])
    together = builder.results()[lines - 1]
    assert together.bands_db.shape == (2, BANDS)
    np.testing.assert_allclose(together.bands_db, alone.bands_db, atol=1e-3)
    np.testing.assert_array_equal(together.quiet_window, alone.quiet_window)


def test_the_quiet_windows_kept_stay_bounded_and_are_the_quietest() -> None:
    window = window_frames_for(8_000)
    builder = SpectraBuilder(8_000)
    quiet_at = 137
    for k in range(300):
        level = 1e-4 if k == quiet_at else 0.1
        builder.feed(noise(window, k, level)[None])
    spectra = builder.results()[0]
    assert 32 <= len(spectra.quiet_window) <= 64
    assert quiet_at in spectra.quiet_window


# --- joints, outs, repeats


def joints_of(x: F32, block: int = 7_001):  # type: ignore[no-untyped-def]
    builder = JointsBuilder(RATE)
    for at in range(0, len(x), block):
        builder.feed(x[at : at + block])
    return builder.result()


def test_a_lost_stretch_in_low_sound_is_a_joint_at_its_place() -> None:
    x = low_pass(noise(RATE * 4))
    cut = np.concatenate((x[:100_000], x[100_200:]))
    assert joints_of(x).joints == 0
    found = joints_of(cut)
    assert any(abs(int(f) - 100_000) <= 3 for f in found.joint_frame)


@settings(max_examples=8, deadline=None)
@given(block=st.integers(500, 60_000))
def test_joints_outs_and_repeats_do_not_depend_on_the_block_size(block: int) -> None:
    x = low_pass(noise(RATE * 2))
    x[30_000:] = x[30_100 : len(x) + 100][: len(x) - 30_000] if len(x) > 130_000 else np.roll(x, -100)[30_000:]
    x[50_000:50_512] = x[49_488:50_000]
    x[70_000:72_000] *= np.float32(1e-4)
    one, other = joints_of(x, len(x)), joints_of(x, block)
    np.testing.assert_array_equal(one.joint_frame, other.joint_frame)
    np.testing.assert_array_equal(one.out_first, other.out_first)
    assert (one.repeat_frame == 50_000).any()
    assert (other.repeat_frame == 50_000).any()


@pytest.mark.parametrize("frames", [48, 64, 240, 1024, 4096])
def test_a_block_delivered_twice_is_a_repeat_of_its_length(frames: int) -> None:
    x = noise(RATE)
    x[20_000 : 20_000 + frames] = x[20_000 - frames : 20_000]
    found = joints_of(x)
    assert list(zip(found.repeat_frame, found.repeat_frames, found.repeat_distance, strict=True)) == [
        (20_000, frames, frames)
    ]


def test_noise_and_a_sine_hold_no_repeated_block() -> None:
    assert len(joints_of(noise(RATE * 2)).repeat_frame) == 0
    sine = (0.3 * np.sin(2 * np.pi * 441.7 * np.arange(RATE) / RATE) + noise(RATE, 2, 1e-5)).astype(np.float32)
    assert len(joints_of(sine).repeat_frame) == 0


def test_a_steep_out_is_listed_and_a_slow_fade_is_not() -> None:
    x = noise(RATE * 3)
    muted = x.copy()
    muted[60_000:75_000] *= np.float32(1e-4)
    found = joints_of(muted)
    assert len(found.out_first) == 1
    assert abs(int(found.out_first[0]) - 60_000) < 100
    assert abs(int(found.out_end[0]) - 75_000) < 200
    faded = x.copy()
    faded[40_000:60_000] *= np.logspace(0, -4, 20_000).astype(np.float32)
    faded[60_000:80_000] *= np.logspace(-4, 0, 20_000).astype(np.float32)
    assert len(joints_of(faded).out_first) == 0


# --- prediction


def test_prediction_tells_a_cut_from_an_attack() -> None:
    low = low_pass(noise(20_000), 2_000)
    cut = np.concatenate((low[:10_000], low[10_300:]))
    attack = noise(20_000, 3, 1e-4)
    attack[10_000:] += noise(10_000, 4, 0.2)
    assert standing_out(cut[10_000 - CONTEXT :], CONTEXT) > 30
    assert standing_out(attack[10_000 - CONTEXT :], CONTEXT) < 10
    assert standing_out(low[10_000 - CONTEXT :], CONTEXT) < 10


# --- flat tops: the product of slope and length is 4 w c for a parabola, many times that for a corner


@pytest.mark.parametrize("hz", [55.0, 220.0, 997.0])
def test_clipped_sines_are_flat_and_smooth_ones_are_not(hz: float) -> None:
    x = np.sin(2 * np.pi * hz * np.arange(9_600) / RATE).astype(np.float32)
    assert flat_runs(x * np.float32(0.5), least=0.4) == []
    clipped = np.clip(x * np.float32(0.5), -0.35, 0.35)
    assert len(flat_runs(clipped, least=0.3)) >= int(2 * hz * 0.2) - 3


def test_soft_saturation_is_no_flat_top() -> None:
    x = np.tanh(3 * np.sin(2 * np.pi * 110.0 * np.arange(9_600) / RATE)).astype(np.float32) * np.float32(0.4)
    assert flat_runs(x, least=0.35) == []


# --- comparing two lines


def test_speed_of_sound_agrees_with_iso_9613_1_values() -> None:
    # 331.29 m/s at 0 degrees C and 343.2 m/s at 20 degrees C
    assert speed_of_sound_m_s(0.0) == pytest.approx(331.286, abs=0.01)
    assert speed_of_sound_m_s(20.0) == pytest.approx(343.2)
    assert distance_m(139.86, RATE) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("lag", [-300, 0, 17, 480])
@pytest.mark.parametrize("sign", [1, -1])
def test_delay_gain_and_polarity_come_out_exactly(lag: int, sign: int) -> None:
    source = low_pass(noise(400_000), 6_000)
    a = source[1_000:330_000]
    b = sign * 0.5 * source[1_000 - lag : 330_000 - lag] + noise(329_000, 9, 1e-4)
    pairs = [np.stack((a[k : k + 65_536], b[k : k + 65_536]), axis=1) for k in range(0, 260_000, 65_536)]
    like = compare_blocks(pairs, rate_hz=RATE, max_lag_frames=600)
    assert like.lag_frames == lag
    assert np.sign(like.phat) == sign
    assert like.gain_db == pytest.approx(-6.02, abs=0.1)
    assert like.coherence > 0.99
    assert like.agreeing == 1.0
    assert like.flatness_db < 0.5


def test_two_noises_have_nothing_in_common() -> None:
    pairs = [np.stack((noise(65_536, k), noise(65_536, k + 50)), axis=1) for k in range(6)]
    like = compare_blocks(pairs, rate_hz=RATE, max_lag_frames=600)
    assert like.coherence < 0.1
    assert like.agreeing < 0.5


# --- levels


def test_a_line_used_in_one_song_is_active_there_only() -> None:
    history = np.full(3_000, -85.0, np.float32)
    history[1_000:1_500] = -20.0
    mask = active(history, np.zeros(3_000, np.bool_))
    assert runs(mask).tolist() == [[1_000, 1_500]]


def test_preamp_noise_alone_is_no_activity_and_its_floor_is_itself() -> None:
    history = np.full(500, -78.0, np.float32)
    assert not active(history, np.zeros(500, np.bool_)).any()
    assert floor_db(history) == pytest.approx(-78.0)


def test_holes_are_bridged_up_to_their_limit() -> None:
    mask = np.array([1, 1, 0, 0, 1, 0, 0, 0, 1], np.bool_)
    assert bridged(mask, 2).tolist() == [True] * 5 + [False] * 3 + [True]


# --- names


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Snare Top", ("snare", "top")),
        ("Kick In", ("kick", "in")),
        ("Bass DI", ("bass", "direct")),
        ("Snare unten", ("snare", "bottom")),
        ("Großtrommel außen", ("grosstrommel", "out")),
        ("Vocal", ("vocal", "")),
        ("In", ("in", "")),
    ],
)
def test_names_give_a_source_and_a_side(name: str, expected: tuple[str, str]) -> None:
    assert stem_and_side(name) == expected


def test_words_keep_other_scripts() -> None:
    assert words("Гитара 2 ñ") == ("гитара", "2", "n")
