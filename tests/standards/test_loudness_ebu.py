"""Loudness and its range against ITU-R BS.1770-5, EBU Tech 3341 (2023, s. 2.9 Table 1) and EBU Tech 3342 (2023).

Signals are synthesised from the recipes of the tables; cases 7 and 8 of Tech 3341 and 5 and 6 of Tech 3342 need the
EBU's own recordings and are left out. Our meters report momentary and short-term loudness as maxima; where a table
asks for a constant reading (cases 1, 2, 9, 12) the reading of every window is checked from the meters' own powers.
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.unit.signal import meter_twins as twins

from nightreel.signal.kweight import k_weighting
from nightreel.signal.meters import LineMeters, ProgrammeResult

RATES = (44_100, 48_000, 96_000)
STEREO = (1.0, 1.0)
SURROUND = (1.0, 1.0, 1.0, 1.41, 1.41)  # L R C Ls Rs, BS.1770-5 Annex 1 Table 3


def tone(rate_hz: int, *parts: tuple[float, float | None], channels: int = 2, frequency_hz: float = 1000.0):
    """In-phase sine in every channel: (seconds, peak level in dBFS; None is silence) one after the other."""
    gains = np.concatenate(
        [
            np.full(round(seconds * rate_hz), 0.0 if level is None else 10 ** (level / 20))
            for seconds, level in parts
            if seconds > 0
        ]
    )
    x = gains * np.sin(2 * np.pi * frequency_hz * np.arange(len(gains)) / rate_hz)
    return np.repeat(x[:, None], channels, axis=1).astype(np.float32)


def programme(x: np.ndarray, rate_hz: int, weights: tuple[float, ...] = STEREO) -> ProgrammeResult:
    meters = LineMeters.start(rate_hz=rate_hz, channels=x.shape[1], programmes=[weights])
    for at in range(0, len(x), rate_hz):
        meters.feed(x[at : at + rate_hz])
    return meters.result().programmes[0]


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize(("case", "level"), [(1, -23.0), (2, -33.0)])
def test_tech_3341_cases_1_and_2_steady_tone(case: int, level: float, rate_hz: int) -> None:
    x = tone(rate_hz, (20, level))
    result = programme(x, rate_hz)
    assert result.integrated_lufs == pytest.approx(level, abs=0.1), case
    assert result.max_momentary_lufs == pytest.approx(level, abs=0.1)
    assert result.max_short_term_lufs == pytest.approx(level, abs=0.1)


INTEGRATED = {
    3: [(10, -36.0), (60, -23.0), (10, -36.0)],
    4: [(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)],
    5: [(20, -26.0), (20.1, -20.0), (20, -26.0)],
}


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("case", INTEGRATED)
def test_tech_3341_cases_3_to_5_gating(case: int, rate_hz: int) -> None:
    result = programme(tone(rate_hz, *INTEGRATED[case]), rate_hz)
    assert result.integrated_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize(("case", "reading"), [(1, -22.993), (2, -32.993), (3, -23.014), (4, -23.014), (5, -22.979)])
def test_unrounded_readings_equal_those_of_libebur128(case: int, reading: float) -> None:
    """Readings of libebur128 1.2.6 on the same recipes (it uses the published coefficients too)."""
    parts = {1: [(20, -23.0)], 2: [(20, -33.0)], **INTEGRATED}[case]
    assert programme(tone(48_000, *parts), 48_000).integrated_lufs == pytest.approx(reading, abs=0.002)


@pytest.mark.parametrize("rate_hz", RATES)
def test_tech_3341_case_6_surround(rate_hz: int) -> None:
    x = tone(rate_hz, (20, 0.0), channels=5) * 10 ** (np.array([-28, -28, -24, -30, -30], np.float32) / 20)
    assert programme(x, rate_hz, SURROUND).integrated_lufs == pytest.approx(-23.0, abs=0.1)


def test_tech_3341_case_9_short_term_is_constant() -> None:
    x = tone(48_000, *[(1.34, -20.0), (1.66, -30.0)] * 5)
    powers = twins.window_powers(x, 48_000, 3.0, 0.1).sum(axis=1)
    readings = -0.691 + 10 * np.log10(powers)
    np.testing.assert_allclose(readings, -23.0, atol=0.1)
    assert programme(x, 48_000).max_short_term_lufs == pytest.approx(readings.max(), abs=1e-6)
    assert programme(x, 48_000).max_short_term_lufs == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("i", range(20))
def test_tech_3341_case_10_short_term_maximum_of_a_file(i: int) -> None:
    x = tone(48_000, (i * 0.15, None), (3, -23.0), (1, None))
    assert programme(x, 48_000).max_short_term_lufs == pytest.approx(-23.0, abs=0.1)


def test_tech_3341_case_11_short_term_maximum_live() -> None:
    """One signal of twenty parts; the maximum so far is read at the end of each."""
    meters = LineMeters.start(rate_hz=48_000, channels=2, programmes=[STEREO])
    for i in range(20):
        meters.feed(tone(48_000, (i * 0.15, None), (3, -38.0 + i), (3 - i * 0.15, None)))
        reading = meters.result().programmes[0].max_short_term_lufs
        assert reading == pytest.approx(-38.0 + i, abs=0.1), i


def test_tech_3341_case_12_momentary_is_constant() -> None:
    x = tone(48_000, *[(0.18, -20.0), (0.22, -30.0)] * 25)
    readings = -0.691 + 10 * np.log10(twins.window_powers(x, 48_000, 0.4, 0.01).sum(axis=1))
    np.testing.assert_allclose(readings[60:], -23.0, atol=0.1)
    assert programme(x, 48_000).max_momentary_lufs == pytest.approx(readings.max(), abs=1e-6)


@pytest.mark.parametrize("i", range(20))
def test_tech_3341_case_13_momentary_maximum_of_a_file(i: int) -> None:
    x = tone(48_000, (i * 0.02, None), (0.4, -23.0), (1, None))
    assert programme(x, 48_000).max_momentary_lufs == pytest.approx(-23.0, abs=0.1)


def test_tech_3341_case_14_momentary_maximum_live() -> None:
    meters = LineMeters.start(rate_hz=48_000, channels=2, programmes=[STEREO])
    for i in range(20):
        meters.feed(tone(48_000, (i * 0.02, None), (0.4, -38.0 + i), (0.4 - i * 0.02, None)))
        reading = meters.result().programmes[0].max_momentary_lufs
        assert reading == pytest.approx(-38.0 + i, abs=0.1), i


RANGES = {
    1: ([(20, -20.0), (20, -30.0)], 10.0),
    2: ([(20, -20.0), (20, -15.0)], 5.0),
    3: ([(20, -40.0), (20, -20.0)], 20.0),
    4: ([(20, -50.0), (20, -35.0), (20, -20.0), (20, -35.0), (20, -50.0)], 15.0),
}


@pytest.mark.parametrize("case", RANGES)
def test_tech_3342_cases_1_to_4_loudness_range(case: int) -> None:
    parts, expected = RANGES[case]
    once = programme(tone(48_000, *parts), 48_000).loudness_range_lu
    assert once == pytest.approx(expected, abs=1.0)
    assert once == pytest.approx(expected, abs=0.05)  # libebur128 1.2.6 reads 10.000, 5.000, 20.000, 15.000
    twice = programme(tone(48_000, *parts, *parts), 48_000).loudness_range_lu
    assert twice == pytest.approx(once, abs=0.1)  # Tech 3342 s. 4: repeating the signal changes nothing


def test_bs1770_table_stands_at_48_khz() -> None:
    """ITU-R BS.1770-5 Annex 1, Tables 1 and 2."""
    expected = [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
    assert k_weighting(48_000).tolist() == expected


def test_redesign_reproduces_the_table() -> None:
    """The prototype at 48 kHz, by way of a rate one hertz off, is the table to five digits."""
    np.testing.assert_allclose(k_weighting(48_001), k_weighting(48_000), rtol=1e-4)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_bs1770_997_hz_tone_reads_minus_3_01_at_every_rate(rate_hz: int) -> None:
    x = tone(rate_hz, (5, 0.0), channels=1, frequency_hz=997.0)
    assert programme(x, rate_hz, (1.0,)).integrated_lufs == pytest.approx(-3.010, abs=0.006)


@pytest.mark.parametrize("rate_hz", [44_100, 88_200, 96_000, 192_000])
def test_other_rates_answer_as_the_table_does(rate_hz: int) -> None:
    """Gains computed from the table at 48 kHz: 100 Hz -1.1335, 1 kHz +0.6977 dB; and its whole curve to 10 kHz."""

    def gain_db(rate: int, frequencies_hz: np.ndarray) -> np.ndarray:
        z = np.exp(-2j * np.pi * frequencies_hz / rate)
        gain = np.ones(len(frequencies_hz), complex)
        for b0, b1, b2, a1, a2 in k_weighting(rate):
            gain *= (b0 + b1 * z + b2 * z * z) / (1 + a1 * z + a2 * z * z)
        return 20 * np.log10(np.abs(gain))

    np.testing.assert_allclose(gain_db(rate_hz, np.array([100.0, 1000.0])), [-1.1335, 0.6977], atol=0.006)
    curve_hz = np.geomspace(20, 10_000, 60)
    np.testing.assert_allclose(gain_db(rate_hz, curve_hz), gain_db(48_000, curve_hz), atol=0.02)
