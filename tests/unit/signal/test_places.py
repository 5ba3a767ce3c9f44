"""Places that the meters find in passing: planted ones are found where they are, and the traps stay silent."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import butter, lfilter, sosfilt

from nightreel.signal.meters import LineMeters, MeterResult

RATE_HZ = 48_000


def measured(x: np.ndarray, rate_hz: int = RATE_HZ, block: int = 9_999) -> MeterResult:
    x = np.asarray(x, np.float32)
    meters = LineMeters.start(rate_hz=rate_hz, channels=1)
    for at in range(0, len(x), block):
        meters.feed(x[at : at + block, None])
    return meters.result()


def voice_like(seconds: float = 4.0, seed: int = 0, rate_hz: int = RATE_HZ) -> np.ndarray:
    """A gliding harmonic tone with breath and pauses; 24-bit values, peaks near -6 dBFS."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    phase = 2 * np.pi * np.cumsum(170 + 40 * np.sin(2 * np.pi * 0.7 * t)) / rate_hz
    tone = sum(np.sin(k * phase) / k for k in range(1, 12))
    breath = lfilter([0.3], [1, -0.7], rng.normal(size=n))
    x = (tone * 0.5 + 0.05 * breath) * (0.6 + 0.4 * np.sin(2 * np.pi * 1.3 * t)) + 0.0005 * rng.normal(size=n)
    return np.round(x / np.abs(x).max() * 0.5 * 2**23) / 2**23


def drums_like(seconds: float = 4.0, seed: int = 0) -> np.ndarray:
    """Hits of noise and of falling tones, straight out of near silence."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE_HZ)
    x = 1e-4 * rng.normal(size=n)
    for at in range(3_000, n - 20_000, 11_000):
        t = np.arange(20_000) / RATE_HZ
        hit = rng.normal(size=20_000) * np.exp(-t * 40) * 0.2
        hit += np.sin(2 * np.pi * 60 * t * (1 + np.exp(-t * 30))) * np.exp(-t * 12) * 0.6
        x[at : at + 20_000] += hit * rng.uniform(0.3, 1.0)
    return np.clip(np.round(x * 2**23) / 2**23, -0.98, 0.98)


# Repeats -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [128, 256, 441, 512, 1_024, 2_048, 4_000])
@pytest.mark.parametrize("at", [50_000, 77_777])
def test_a_block_delivered_twice_is_found(length: int, at: int) -> None:
    x = voice_like()
    x = np.concatenate([x[:at], x[at - length : at], x[at:]])
    result = measured(x)
    assert result.repeats.tolist() == [1]
    (places,) = result.repeat_places
    assert places.first[0] == length
    assert places.first_frame[0] == pytest.approx(at, abs=2)
    assert places.frames[0] == pytest.approx(length, abs=4)


def test_short_blocks_delivered_twice_are_mostly_found() -> None:
    """A short block may hold no sample that is recognised again; of blocks of 64, four of five are found."""
    x = voice_like(8)
    places = np.arange(20_000, 340_000, 9_973)
    for at in places:
        x[at : at + 64] = x[at - 64 : at]
    assert int(measured(x).repeats[0]) / len(places) > 0.8


def test_what_is_not_repeated_by_a_fault_is_not_listed_as_short() -> None:
    t = np.arange(RATE_HZ * 3)
    tone = np.round(0.5 * np.sin(2 * np.pi * (t % 48) / 48) * 2**23) / 2**23  # 1 kHz: every period is the same
    assert measured(tone).repeats.tolist() == [0]
    assert measured(voice_like()).repeats.tolist() == [0]
    assert measured(drums_like()).repeats.tolist() == [0]
    assert measured(np.zeros(100_000)).repeats.tolist() == [0]
    quiet = np.round(voice_like() * 3e-6 * 2**23) / 2**23  # a few steps of 24 bits
    assert measured(quiet).repeats.tolist() == [0]


# Joints ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lost", [64, 300])
def test_lost_blocks_make_a_joint(lost: int) -> None:
    """Where they were cut out, the wave rarely goes on smoothly: half of the places at least show, and no others."""
    x = voice_like(8)
    places = np.arange(30_000, 350_000, 17_003)
    keep = np.ones(len(x), bool)
    for at in places:
        keep[at : at + lost] = False
    joints = measured(x[keep]).joint_places[0]
    expected = places - lost * np.arange(len(places))
    hits = sum(np.abs(joints.first_frame - place).min() <= 4 for place in expected)
    assert hits / len(places) >= 0.5
    assert len(joints) == hits


def test_one_lost_sample_of_a_smooth_line_makes_a_joint() -> None:
    t = np.arange(RATE_HZ * 3) / RATE_HZ
    bass = 0.4 * np.sin(2 * np.pi * 82.4 * t) + 0.1 * np.sin(2 * np.pi * 164.8 * t)
    rng = np.random.default_rng(1)
    bass = np.delete(bass + 3e-6 * rng.normal(size=len(t)), [40_123, 99_000])
    np.testing.assert_allclose(measured(bass).joint_places[0].first_frame, [40_123, 98_999], atol=3)


def test_a_single_wrong_sample_is_a_joint_at_its_place() -> None:
    x = voice_like()
    x[123_456] += 0.1
    result = measured(x)
    assert result.joints.tolist() == [1]
    assert abs(result.joint_places[0].first_frame[0] - 123_456) <= 3


@pytest.mark.parametrize("make", [voice_like, drums_like])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_voice_and_drums_have_no_joints(make: Callable[..., np.ndarray], seed: int) -> None:
    assert measured(make(4, seed)).joints.tolist() == [0]


def test_noise_and_tones_have_no_joints() -> None:
    rng = np.random.default_rng(0)
    t = np.arange(RATE_HZ * 4) / RATE_HZ
    for x in (rng.normal(size=len(t)) * 0.1, np.sin(2 * np.pi * 97 * t) * 0.5, np.sin(2 * np.pi * 9_000 * t) * 0.5):
        assert measured(x).joints.tolist() == [0]


# Outs --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [300, 960, 9_600, 40_000])
def test_short_outs_are_found(length: int) -> None:
    x = voice_like(6)
    for at in (60_000, 150_000, 220_000):
        x[at : at + length] *= 1e-4
    result = measured(x)
    places = result.out_places[0]
    np.testing.assert_allclose(places.first_frame, [60_000, 150_000, 220_000], atol=100)
    np.testing.assert_allclose(places.frames, length, atol=150)
    assert (places.second < 1e-3 * places.first).all()


def test_hits_out_of_silence_and_slow_fades_are_no_outs() -> None:
    assert measured(drums_like()).outs.tolist() == [0]
    x = voice_like(6)
    x[100_000:140_000] *= np.abs(np.linspace(-1, 1, 40_000)) ** 4
    assert measured(x).outs.tolist() == [0]


# Flat tops ---------------------------------------------------------------------------------------------------


def analogue_clip(x: np.ndarray, ceiling: float) -> np.ndarray:
    """Cut off at four times the rate, band-limited by the converter, and its coupling capacitor tilts the tops."""
    from scipy.signal import resample_poly

    fast = np.clip(resample_poly(x, 4, 1), -ceiling, ceiling)
    low = resample_poly(fast, 1, 4, window=("kaiser", 8.0))
    return sosfilt(butter(1, 0.5, "high", fs=RATE_HZ, output="sos"), low)


@pytest.mark.parametrize("ceiling", [0.05, 0.2, 0.35])
def test_clipping_before_the_converter_shows_as_flat_tops(ceiling: float) -> None:
    t = np.arange(RATE_HZ * 4) / RATE_HZ
    note = 0.5 * np.sin(2 * np.pi * 220 * t) * (0.7 + 0.3 * np.sin(2 * np.pi * 2 * t)) + 0.002 * voice_like()
    result = measured(analogue_clip(note, ceiling))
    assert int(result.flat_tops[0]) > 100
    levels = np.abs(result.flat_places[0].first)
    assert np.median(levels) == pytest.approx(ceiling, rel=0.1)
    assert result.flat_levels[0].sum() == result.flat_tops[0]
    assert np.argmax(result.flat_levels[0]) == pytest.approx(-80 * np.log10(ceiling), abs=4)


def test_smooth_and_saturated_tops_are_not_flat() -> None:
    t = np.arange(RATE_HZ * 3) / RATE_HZ
    for hz in (31, 55, 110, 440, 1_000, 5_000):
        assert measured(0.5 * np.sin(2 * np.pi * hz * t + 0.1)).flat_tops.tolist() == [0]
    soft = 0.4 * np.tanh(2.5 * np.sin(2 * np.pi * 110 * t))
    assert measured(soft).flat_tops.tolist() == [0]
    for make in (voice_like, drums_like):
        assert int(measured(make()).flat_tops[0]) <= 2


# Figures that follow ----------------------------------------------------------------------------------------


def test_crest_and_percentiles_of_the_level() -> None:
    t = np.arange(RATE_HZ * 10) / RATE_HZ
    x = np.sin(2 * np.pi * 1_000 * t) * np.where(t < 8, 0.001, 0.5)
    result = measured(x)
    assert result.crest_db[0] == pytest.approx(20 * np.log10(np.sqrt(2) / np.sqrt(0.2)), abs=0.05)
    low, middle, high = result.level_percentiles_dbfs((5, 50, 95))[:, 0]
    assert (low, middle, high) == pytest.approx((-63.01, -63.01, -9.03), abs=0.05)
    assert measured(np.zeros(48_000)).level_percentiles_dbfs((5,))[0, 0] == -np.inf
