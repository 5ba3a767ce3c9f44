"""Gates and percentiles of loudness on powers whose outcome can be worked out by hand (BS.1770-5, Tech 3342)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from nightreel.signal.loudness import integrated_lufs, loudness_range_lu, lufs_from_power, sliding_mean


def powers(*levels_lufs: float) -> np.ndarray:
    return 10 ** ((np.array(levels_lufs) + 0.691) / 10)


def test_the_absolute_gate_is_strict() -> None:
    assert integrated_lufs(powers(-70.0001)) == -math.inf
    assert integrated_lufs(powers(-69.9)) == pytest.approx(-69.9)


def test_blocks_ten_under_the_mean_do_not_count() -> None:
    loud = powers(*[-20.0] * 10)
    # Mean of ten blocks at -20 and ten at -31: -22.68; its gate at -32.68 lets both pass, one at -40 not.
    assert integrated_lufs(np.concatenate([loud, powers(*[-40.0] * 10)])) == pytest.approx(-20.0)
    both = np.concatenate([loud, powers(*[-31.0] * 10)])
    assert integrated_lufs(both) == pytest.approx(float(lufs_from_power(both.mean())))


def test_powers_are_averaged_and_not_decibels() -> None:
    assert integrated_lufs(powers(-10.0, -20.0)) == pytest.approx(-0.691 + 10 * math.log10(powers(-10, -20).mean()))


def test_nothing_measured_is_minus_infinity_and_no_range() -> None:
    assert integrated_lufs(np.zeros(0)) == -math.inf
    assert integrated_lufs(np.zeros(5)) == -math.inf
    assert loudness_range_lu(np.zeros(0)) == 0.0
    assert loudness_range_lu(np.zeros(5)) == 0.0


def test_range_takes_the_nearest_ranks() -> None:
    """Tech 3342 s. 5: of n sorted values number round((n - 1) p / 100 + 1); of 21, the 3rd and the 20th."""
    levels = np.arange(-30.0, -9.0)  # -30 .. -10, all within 20 LU of their mean
    assert loudness_range_lu(powers(*levels)) == pytest.approx(levels[19] - levels[2])


def test_range_leaves_out_what_is_20_under_the_mean() -> None:
    assert loudness_range_lu(powers(*[-20.0] * 50, *[-45.0] * 50)) == pytest.approx(0.0)


def test_sliding_means() -> None:
    np.testing.assert_allclose(sliding_mean(np.array([1.0, 2, 3, 4]), 2), [1.5, 2.5, 3.5])
    assert sliding_mean(np.array([1.0]), 2).size == 0
