"""The line meters on signals whose figures are known or computed by slow twins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tests.unit.signal import meter_twins as twins

from nightreel.errors import ArgumentInvalid, TakeDamaged
from nightreel.signal import kernels
from nightreel.signal.loudness import integrated_lufs, loudness_range_lu, lufs_from_power
from nightreel.signal.meters import FULL_SCALE, LineMeters
from nightreel.timeline import Span


def stage_noise(rate_hz: int, seconds: float, channels: int, seed: int = 1) -> np.ndarray:
    """Coloured noise that swells and falls differently on each channel; peaks at -0.9 dBFS."""
    rng = np.random.default_rng(seed)
    frames = round(rate_hz * seconds)
    white = rng.normal(size=(frames, channels))
    x = white.copy()
    for i in range(1, 6):
        x[i:] += white[:-i] * (1 - i / 7)
    swell = np.exp(2 * np.sin(np.arange(frames)[:, None] / rate_hz * 2.1 + np.arange(channels)))
    x *= swell
    return (0.9 * x / np.abs(x).max()).astype(np.float32)


def measured(x: np.ndarray, rate_hz: int, block: int = 4801, **kwargs):
    meters = LineMeters.start(rate_hz=rate_hz, channels=x.shape[1], **kwargs)
    for at in range(0, len(x), block):
        meters.feed(x[at : at + block])
    return meters.result()


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000, 192_000])
def test_every_figure_equals_its_slow_twin(rate_hz: int) -> None:
    x = stage_noise(rate_hz, 3.95, 3)
    result = measured(x, rate_hz)
    wide = x.astype(np.float64)
    np.testing.assert_allclose(10 ** (result.peak_dbfs / 20), np.abs(wide).max(axis=0), rtol=1e-7)
    np.testing.assert_allclose(10 ** (result.true_peak_dbtp / 20), twins.true_peak(x, rate_hz), rtol=2e-6)
    np.testing.assert_allclose(10 ** (result.rms_dbfs / 10), (wide**2).mean(axis=0), rtol=1e-9)
    np.testing.assert_allclose(result.dc, wide.mean(axis=0), rtol=1e-9, atol=1e-15)
    blocks = twins.window_powers(x, rate_hz, 0.4, 0.1)
    short = twins.window_powers(x, rate_hz, 3.0, 0.1)
    fine = twins.window_powers(x, rate_hz, 0.4, 0.01)
    for c in range(3):
        assert result.integrated_lufs[c] == pytest.approx(integrated_lufs(blocks[:, c]), abs=1e-7)
        assert result.max_momentary_lufs[c] == pytest.approx(float(lufs_from_power(fine[:, c].max())), abs=1e-7)
        assert result.max_short_term_lufs[c] == pytest.approx(float(lufs_from_power(short[:, c].max())), abs=1e-7)
        assert result.loudness_range_lu[c] == pytest.approx(loudness_range_lu(short[:, c]), abs=1e-7)
    hop = rate_hz // 10
    peaks = np.array([np.abs(wide[i : i + hop]).max(axis=0) for i in range(0, len(x), hop)])
    powers = np.array([(wide[i : i + hop] ** 2).mean(axis=0) for i in range(0, len(x), hop)])
    np.testing.assert_allclose(result.history_peak_dbfs, 20 * np.log10(peaks), atol=1e-4)
    np.testing.assert_allclose(result.history_rms_dbfs, 10 * np.log10(powers), atol=1e-4)


def test_runs_at_full_scale_and_of_zeros_are_found_where_they_are() -> None:
    rng = np.random.default_rng(4)
    x = (0.3 * rng.normal(size=(96_000, 2))).clip(-0.9, 0.9).astype(np.float32)
    x[:100, 0] = 0.0  # at the very start
    x[5_000, 0] = 1.0
    x[9_599:9_605, 0] = -1.0
    x[30_000:30_005, 0] = [FULL_SCALE, 1.0, -1.0, 1.5, -2.0]
    x[40_000:40_047, 0] = 0.0  # a sample short of 1 ms
    x[41_000:41_048, 0] = 0.0
    x[50_000:70_000, 0] = 0.0
    x[95_000:, 0] = 0.0
    result = measured(x, 48_000)
    expected_overs = twins.runs(np.abs(x[:, 0]) >= FULL_SCALE, 1)
    expected_zeros = twins.runs(x[:, 0] == 0, 48)
    assert [(s.first_frame, s.frames) for s in result.over_spans[0]] == expected_overs
    assert [s.first_frame for s in result.over_spans[0]] == [5_000, 9_599, 30_000]
    assert [(s.first_frame, s.frames) for s in result.zero_spans[0]] == expected_zeros
    assert [s.first_frame for s in result.zero_spans[0]] == [0, 41_000, 50_000, 95_000]
    assert result.overs.tolist() == [3, 0]
    assert result.samples_at_full_scale.tolist() == [12, 0]
    assert result.zero_frames.tolist() == [100 + 48 + 20_000 + 1_000, 0]
    assert result.over_spans[1] == result.zero_spans[1] == ()


def test_of_very_many_overs_all_are_counted_and_the_longest_listed() -> None:
    x = np.zeros((96_000, 1), np.float32)
    x[10::20] = 1.0
    x[50_000:50_300] = 1.0
    result = measured(x, 48_000)
    assert int(result.overs[0]) == len(twins.runs(x[:, 0] >= 1, 1)) > 4_000
    assert len(result.over_spans[0]) == 1024
    assert max(result.over_spans[0], key=lambda s: s.frames) == Span(first_frame=50_000, frames=300)


def test_digital_silence_reads_minus_infinity_everywhere() -> None:
    result = measured(np.zeros((48_000, 1), np.float32), 48_000)
    for figure in (result.peak_dbfs, result.true_peak_dbtp, result.rms_dbfs, result.integrated_lufs):
        assert figure[0] == -math.inf
    assert result.loudness_range_lu[0] == 0.0
    assert result.zero_spans[0] == (Span(first_frame=0, frames=48_000),)


@pytest.mark.parametrize("frames", [0, 1, 5, 33, 4_800, 40_000])
def test_short_takes_are_measured_as_far_as_it_goes(frames: int) -> None:
    x = stage_noise(48_000, 1.0, 1)[:frames]
    result = measured(x, 48_000)
    assert result.frames == frames
    assert result.history_peak_dbfs.shape == (-(-frames // 4_800), 1)
    if frames:
        assert result.peak_dbfs[0] == pytest.approx(20 * math.log10(np.abs(x).max()))
        assert result.true_peak_dbtp[0] == pytest.approx(20 * math.log10(twins.true_peak(x, 48_000)[0]), abs=1e-5)


def test_nan_and_infinity_are_counted_and_taken_as_zero() -> None:
    x = stage_noise(48_000, 1.5, 2)
    clean = x.copy()
    for at, value in ((100, np.nan), (20_000, np.inf), (60_001, -np.inf), (60_002, 1e30)):
        x[at, 0] = value
        clean[at, 0] = 0.0
    result, expected = measured(x, 48_000), measured(clean, 48_000)
    assert result.not_numbers.tolist() == [4, 0]
    np.testing.assert_array_equal(result.true_peak_dbtp, expected.true_peak_dbtp)
    np.testing.assert_array_equal(result.integrated_lufs, expected.integrated_lufs)


def test_recent_levels_are_the_last_whole_windows() -> None:
    x = stage_noise(48_000, 2.03, 2)
    meters = LineMeters.start(rate_hz=48_000, channels=2)
    assert meters.recent(3).peak_dbfs.shape == (0, 2)
    for at in range(0, len(x), 1_000):
        meters.feed(x[at : at + 1_000])
    recent = meters.recent(3)
    whole = meters.result()
    assert recent.first_frame == 17 * 4_800
    np.testing.assert_array_equal(recent.peak_dbfs, whole.history_peak_dbfs[17:20])
    np.testing.assert_allclose(recent.rms_dbfs, whole.history_rms_dbfs[17:20], atol=1e-5)


def test_saved_meters_go_on_as_if_never_saved() -> None:
    x = stage_noise(48_000, 3.5, 2)
    for cut in (0, 1_000, 33_600, 60_001):
        meters = LineMeters.start(rate_hz=48_000, channels=2, programmes=[[1.0, 1.0]], spectra=cut % 2 == 0)
        meters.feed(x[:cut])
        again = LineMeters.from_bytes(meters.to_bytes())
        meters.feed(x[cut:])
        again.feed(x[cut:])
        assert again.to_bytes() == meters.to_bytes()


def test_damaged_bytes_are_refused_with_one_sentence() -> None:
    meters = LineMeters.start(rate_hz=48_000, channels=2)
    meters.feed(stage_noise(48_000, 1.0, 2))
    good = meters.to_bytes()
    for bad in (b"", b"PK", good[: len(good) // 2], b"{}" * 100, good[:-30]):
        with pytest.raises(TakeDamaged, match="cannot be read"):
            LineMeters.from_bytes(bad)


def test_a_block_of_another_width_is_refused() -> None:
    meters = LineMeters.start(rate_hz=48_000, channels=2)
    with pytest.raises(ArgumentInvalid, match="does not fit"):
        meters.feed(np.zeros((10, 3), np.float32))


@pytest.mark.parametrize(
    "wrong",
    [{"rate_hz": 0}, {"channels": 0}, {"first_frame": -1}, {"full_scale": 0.0}, {"programmes": [[1.0]]}],
)
def test_settings_that_make_no_sense_are_refused(wrong: dict) -> None:
    with pytest.raises(ArgumentInvalid):
        LineMeters.start(**{"rate_hz": 48_000, "channels": 2, **wrong})


def test_only_neighbours_merge() -> None:
    left = LineMeters.start(rate_hz=48_000, channels=1)
    left.feed(np.zeros((100, 1), np.float32))
    with pytest.raises(ArgumentInvalid, match="cannot follow"):
        left.merge(LineMeters.start(rate_hz=48_000, channels=1, first_frame=99))
    with pytest.raises(ArgumentInvalid, match="cannot follow"):
        left.merge(LineMeters.start(rate_hz=44_100, channels=1, first_frame=100))


def test_one_compiled_kernel_serves_every_kind_of_block() -> None:
    """A second one would be compiled in the middle of a take."""
    meters = LineMeters.start(rate_hz=48_000, channels=2)
    signatures = len(kernels.accumulate.signatures)
    x = stage_noise(48_000, 2.0, 4)
    read_only = np.frombuffer(x.tobytes(), np.float32).reshape(-1, 4)
    for block in (x[:, :2], x[:, ::2], x[::-1, 2:], read_only[:, :2].T.copy().T, x[:, :2].astype(np.float64)):
        meters.feed(block)
    LineMeters.start(rate_hz=48_000, channels=4).feed(read_only)
    assert len(kernels.accumulate.signatures) == signatures == 1


def test_files_of_16_and_of_24_bits_are_at_full_scale_at_their_largest_values() -> None:
    for largest in (32_767 / 32_768, 8_388_607 / 8_388_608):
        x = np.zeros((4_800, 1), np.float32)
        x[100:103] = largest
        assert measured(x, 48_000).overs.tolist() == [1]
    x[100:103] = 32_766 / 32_768
    assert measured(x, 48_000).overs.tolist() == [0]
