"""The interpolator is flat, and the bounds that spare it work are true."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.unit.signal import meter_twins as twins

from nightreel.signal.interpolator import TAPS, interpolator, oversampling
from nightreel.signal.meters import LineMeters


@pytest.mark.parametrize(("rate_hz", "times"), [(44_100, 4), (48_000, 4), (88_200, 2), (96_000, 2), (192_000, 1)])
def test_it_reaches_176_khz_at_least(rate_hz: int, times: int) -> None:
    assert oversampling(rate_hz) == times
    assert interpolator(rate_hz).taps.shape == (times - 1, TAPS)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_it_is_flat_to_20_khz_at_48_khz(rate_hz: int) -> None:
    """Within 0.03 dB up to 0.41 of the rate; the example filter of BS.1770 is up to 0.24 dB low."""
    w = np.linspace(0, 2 * np.pi * 0.41, 200)
    for taps in interpolator(rate_hz).taps.astype(np.float64):
        gain = np.abs(np.exp(-1j * np.outer(w, np.arange(TAPS))) @ taps)
        np.testing.assert_allclose(20 * np.log10(gain), 0.0, atol=0.04)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 3, 10]), st.sampled_from([44_100, 96_000]))
def test_no_output_exceeds_the_bounds(seed: int, smooth: int, rate_hz: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.convolve(rng.choice([-1.0, 0.0, 1.0], size=400) * rng.random(400), np.ones(smooth) / smooth)
    f = interpolator(rate_hz)
    under = np.lib.stride_tricks.sliding_window_view(x, TAPS)
    most = np.abs(under).max(axis=1)
    bend = np.abs(np.diff(under, n=2, axis=1)).max(axis=1)
    for taps in f.taps.astype(np.float64):
        out = np.abs(under @ taps)
        assert (out <= f.abs_gain * most * 1.00001 + 1e-12).all()
        assert (out <= (most + f.bend_gain * bend) * 1.00001 + 1e-12).all()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([5, 31, 33, 700, 9_000]))
def test_what_is_skipped_never_holds_the_peak(seed: int, frames: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(frames, 2)) * np.exp(2 * rng.normal(size=(frames // 50 + 1, 2)).repeat(50, axis=0)[:frames])
    x = (x / np.abs(x).max()).astype(np.float32)
    meters = LineMeters.start(rate_hz=48_000, channels=2)
    meters.feed(x)
    reading = 10 ** (meters.result().true_peak_dbtp / 20)
    np.testing.assert_allclose(reading, twins.true_peak(x, 48_000), rtol=2e-6)
