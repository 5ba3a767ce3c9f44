"""Third-octave levels of the long-term spectrum against IEC 61260-1:2014 (base-ten system).

Nominal and exact mid-band frequencies and the class 1 limits at the listed frequencies are from memory of the
standard's Annex E and Table 1 (attenuation of at least 16.6, 40.5 and 60 dB outside; 0.4 dB at mid-band). Bands made
of FFT bins stay inside those limits for tones that last, which the tests hold them to at all mid-bands.
"""

from __future__ import annotations

import numpy as np
import pytest

from nightreel.signal.meters import LineMeters
from nightreel.signal.spectra import BANDS, CENTRES_HZ

NOMINAL_HZ = [25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1_000, 1_250, 1_600, 2_000,
              2_500, 3_150, 4_000, 5_000, 6_300, 8_000, 10_000, 12_500, 16_000, 20_000]  # fmt: skip


def bands_of(x: np.ndarray, rate_hz: int) -> np.ndarray:
    """Long-term band levels of one line, dB (mean square re 1.0)."""
    meters = LineMeters.start(rate_hz=rate_hz, channels=1, spectra=True)
    meters.feed(x.astype(np.float32)[:, None])
    return meters.result().spectra[0].long_term_db()


def test_centres_are_the_exact_base_ten_ones_of_the_nominal_series() -> None:
    assert len(NOMINAL_HZ) == BANDS
    np.testing.assert_allclose(CENTRES_HZ, NOMINAL_HZ, rtol=0.013)
    np.testing.assert_allclose(CENTRES_HZ[16], 1_000.0)
    np.testing.assert_allclose(CENTRES_HZ[1:] / CENTRES_HZ[:-1], 10**0.1)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("band", range(0, BANDS, 3))
def test_a_tone_at_mid_band_reads_its_level_there_and_little_elsewhere(band: int, rate_hz: int) -> None:
    t = np.arange(rate_hz * 4) / rate_hz
    levels = bands_of(0.1 * np.sin(2 * np.pi * CENTRES_HZ[band] * t + 0.4), rate_hz)
    expected = 10 * np.log10(0.1**2 / 2)
    assert levels[band] == pytest.approx(expected, abs=0.4)
    assert levels[band] == pytest.approx(expected, abs=0.05)  # what we reach
    for away, attenuation in ((1, 16.6), (2, 40.5), (3, 60.0)):
        for other in (band - away, band + away):
            if 0 <= other < BANDS:
                assert levels[other] <= expected - attenuation


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_neighbouring_bands_add_up(rate_hz: int) -> None:
    """White noise: each band holds its share of the power, as far as 40 s of noise can tell, and all of it together."""
    rng = np.random.default_rng(6)
    x = rng.normal(scale=0.1, size=rate_hz * 40)
    levels = bands_of(x, rate_hz)
    width = np.minimum(CENTRES_HZ * 10**0.05, rate_hz / 2) - CENTRES_HZ * 10**-0.05
    expected = 10 * np.log10(0.1**2 * width / (rate_hz / 2))
    np.testing.assert_allclose(levels[6:], expected[6:], atol=0.5)
    np.testing.assert_allclose(levels[:6], expected[:6], atol=1.2)
    inside = 10 * np.log10((10 ** (levels / 10)).sum())
    whole = 10 * np.log10(0.1**2 * width.sum() / (rate_hz / 2))
    assert inside == pytest.approx(whole, abs=0.05)
