"""Rate conversion while reading: the same wherever reading begins, aligned, and the tone it was."""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from tests.unit.soundcheck.rig import ArrayTake, band

from nightreel.soundcheck.convert import Converted
from nightreel.timeline import Span


def tone(rate_hz: int, seconds: float, freq_hz: float) -> np.ndarray:
    at = np.arange(round(seconds * rate_hz)) / rate_hz
    return (0.5 * np.sin(2 * np.pi * freq_hz * at)).astype(np.float32)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_a_tone_stays_the_tone_it_was_to_the_sample(rate_hz: int) -> None:
    take = ArrayTake(np.stack([tone(48_000, 2.0, 997.0), tone(48_000, 2.0, 5_003.0)], axis=1))
    converted = Converted(take, rate_hz)
    out = converted.read([1, 2], rate_hz // 2, rate_hz)
    for column, freq_hz in enumerate((997.0, 5_003.0)):
        wanted = tone(rate_hz, 2.0, freq_hz)[rate_hz // 2 : rate_hz // 2 + rate_hz]
        assert np.abs(out[:, column] - wanted).max() < 1e-4


def test_it_equals_the_library_s_conversion_of_the_whole() -> None:
    samples = band(48_000, 1)
    whole = soxr.resample(samples, 48_000, 44_100, quality="VHQ")
    read = Converted(ArrayTake(samples), 44_100).read([1], 0, 44_100)
    assert np.abs(read[2_000:-4_000] - whole[2_000 : read.shape[0] - 4_000]).max() < 1e-5


def test_reading_in_pieces_jumping_and_reading_whole_agree() -> None:
    samples = band(96_000, 2)
    whole = Converted(ArrayTake(samples), 44_100).read([1, 2], 0, 80_000)
    pieces = Converted(ArrayTake(samples), 44_100)
    joined = np.concatenate([pieces.read([1, 2], first, 8_000) for first in range(0, 80_000, 8_000)])
    assert np.array_equal(joined, whole)
    jumped = pieces.read([1, 2], 30_000, 4_000)
    assert np.abs(jumped - whole[30_000:34_000]).max() < 2e-6


def test_places_and_ends_follow_the_rate() -> None:
    converted = Converted(ArrayTake(band(48_000, 1)), 96_000)
    assert converted.frames == 96_000
    assert converted.span(Span(first_frame=100, frames=300)) == Span(first_frame=200, frames=600)
    assert not converted.read([1], 97_000, 500).any()
    assert not converted.read([1], -500, 400).any()
