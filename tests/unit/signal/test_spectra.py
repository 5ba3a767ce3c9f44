"""Windows of the long-term spectrum: tones placed, quiet moments kept, memory bounded, damage survived."""

from __future__ import annotations

import numpy as np
import pytest

from nightreel.signal.meters import LineMeters
from nightreel.signal.spectra import KEPT_QUIET, SILENT_DB, LineSpectra, SpectrumHistory, window_frames_for

RATE_HZ = 48_000


def spectra_of(x: np.ndarray, rate_hz: int = RATE_HZ, block: int = 50_000) -> tuple[LineSpectra, ...]:
    x = x[:, None] if x.ndim == 1 else x
    meters = LineMeters.start(rate_hz=rate_hz, channels=x.shape[1], spectra=True)
    for at in range(0, len(x), block):
        meters.feed(x[at : at + block].astype(np.float32))
    return meters.result().spectra


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_windows_last_about_one_second_and_a_half_at_every_rate(rate_hz: int) -> None:
    assert 0.96 < window_frames_for(rate_hz) / rate_hz < 1.95


@pytest.mark.parametrize("hz", [163.7, 440.0, 2_511.3, 7_777.7])
def test_the_narrowest_tone_is_placed_between_bins(hz: float) -> None:
    rng = np.random.default_rng(1)
    t = np.arange(RATE_HZ * 6) / RATE_HZ
    (line,) = spectra_of(0.05 * np.sin(2 * np.pi * hz * t) + 1e-4 * rng.normal(size=len(t)))
    np.testing.assert_allclose(line.tone_hz, hz, atol=0.1 * line.bin_hz)
    np.testing.assert_allclose(line.tone_db, 10 * np.log10(0.05**2 / 2), atol=0.05)
    assert (line.tone_purity > 0.99).all()
    assert (line.tone_prominence_db > 30).all()


def test_noise_has_no_prominent_tone() -> None:
    rng = np.random.default_rng(2)
    (line,) = spectra_of(0.1 * rng.normal(size=RATE_HZ * 12))
    assert (line.tone_prominence_db < 12).all()
    assert (line.tone_purity < 0.01).all()


def test_the_mean_of_each_window_is_its_dc() -> None:
    x = np.where(np.arange(65_536 * 3) < 65_536, 0.01, -0.02)
    (line,) = spectra_of(x)
    np.testing.assert_allclose(line.mean, [0.01, -0.02, -0.02], atol=1e-7)


def test_digital_silence_is_told_from_quiet() -> None:
    rng = np.random.default_rng(3)
    x = np.zeros((65_536 * 3, 2))
    x[:, 1] = 1e-6 * rng.normal(size=len(x))
    silent, quiet = spectra_of(x)
    assert (silent.bands_db == np.float32(SILENT_DB)).all()
    assert silent.quiet.shape[0] == 0
    assert (silent.tone_db == np.float32(SILENT_DB)).all()
    assert (silent.long_term_db() == SILENT_DB).all()
    assert (quiet.bands_db > -170).all()


def test_the_quietest_window_of_each_segment_is_kept_in_fine_detail() -> None:
    rng = np.random.default_rng(4)
    hum = 0.001 * np.sin(2 * np.pi * 50 * np.arange(65_536) / RATE_HZ)
    windows = [hum + 0.1 * rng.normal(size=65_536) for _ in range(8)]
    windows[2], windows[5] = hum, hum
    (line,) = spectra_of(np.concatenate(windows))
    assert line.quiet_window.tolist() == [2, 5]
    peak = np.argmax(line.quiet[0]) * line.bin_hz
    assert peak == pytest.approx(50, abs=line.bin_hz)


def test_memory_of_quiet_windows_is_bounded_however_long_it_gets() -> None:
    rng = np.random.default_rng(5)
    history = SpectrumHistory(8_000, 1, 0)
    levels = rng.uniform(0.01, 0.1, size=1_500)
    for level in levels:
        history.feed((level * rng.normal(size=(8_192, 1))).astype(np.float32))
    (line,) = history.result()
    assert line.windows == 1_500
    assert KEPT_QUIET // 2 <= len(line.quiet_window) <= KEPT_QUIET
    assert int(np.argmin(levels)) in line.quiet_window.tolist()


def test_what_is_no_number_spoils_no_window() -> None:
    x = 0.1 * np.sin(2 * np.pi * 1_000 * np.arange(65_536 * 2) / RATE_HZ)
    x[1_000], x[2_000] = np.nan, np.inf
    (line,) = spectra_of(x)
    assert np.isfinite(line.bands_db).all()
    np.testing.assert_allclose(line.tone_db, 10 * np.log10(0.1**2 / 2), atol=0.05)
