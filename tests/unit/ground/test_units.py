"""Units: figures from the standards named beside them, and what people type and read."""

from __future__ import annotations

import math

import pytest

from nightreel import units
from nightreel.errors import ArgumentInvalid


def test_full_scale_sine_power_is_three_db_below_one() -> None:
    # Mean square of a full-scale sine re full-scale value 1.0: -3.0103 dB (arithmetic).
    assert units.db_from_power(0.5) == pytest.approx(-3.0103, abs=1e-4)


def test_ebu_alignment_level_as_amplitude() -> None:
    # EBU R 68: -18 dBFS; its peak value 0.125893 (computed).
    assert units.amplitude_from_db(-18.0) == pytest.approx(0.125893, abs=1e-6)


@pytest.mark.parametrize("level_db", [-120.0, -23.0, 0.0, 6.0])
def test_level_and_amplitude_are_inverse(level_db: float) -> None:
    assert units.db_from_amplitude(units.amplitude_from_db(level_db)) == pytest.approx(level_db)


def test_silence_has_no_level() -> None:
    assert units.db_from_amplitude(0.0) == -math.inf
    assert units.db_from_power(0.0) == -math.inf
    assert units.amplitude_from_db(-math.inf) == 0.0
    assert units.format_db(-math.inf) == "-inf dBFS"


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("2h30m", 9000), ("90m", 5400), ("90 min", 5400), ("45s", 45), ("1:30:00", 5400), ("3:05", 185), ("12.5", 12.5)],
)
def test_lengths_are_read_as_people_write_them(text: str, seconds: float) -> None:
    assert units.parse_length_s(text) == seconds


@pytest.mark.parametrize("text", ["", "  ", "0", "0m", "-5", "soon", "1:2:3:4", "h", "nan", "inf", "1:3"])
def test_a_length_that_is_none_is_refused_with_the_remedy(text: str) -> None:
    with pytest.raises(ArgumentInvalid) as caught:
        units.parse_length_s(text)
    assert "2h30m" in str(caught.value)


@pytest.mark.parametrize(
    ("size_bytes", "text"),
    [(0, "0 bytes"), (999, "999 bytes"), (1_036_800_000, "1.04 GB"), (2_000_000_000_000, "2 TB")],
)
def test_sizes_use_decimal_prefixes(size_bytes: int, text: str) -> None:
    assert units.format_size(size_bytes) == text


def test_positions_carry_milliseconds() -> None:
    assert units.format_position(48_000 * 3725 + 12_000, 48_000) == "1:02:05.250"
    assert units.format_time(3725.9) == "1:02:05"
    assert units.format_time(65) == "1:05"
