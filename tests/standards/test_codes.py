"""Maximum-length sequences against ISO 18233, published polynomial tables and SciPy's generator."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import max_len_seq

from nightreel.errors import ArgumentInvalid
from nightreel.signal.codes import PRIMITIVE_TAPS, CodeSchedule, bell, m_sequence, reciprocal_taps, shaped_period

# Prime factors of 2^n - 1 (Cunningham tables, base 2).
PRIME_FACTORS = {
    7: (127,),
    8: (3, 5, 17),
    9: (7, 73),
    10: (3, 11, 31),
    11: (23, 89),
    12: (3, 5, 7, 13),
    13: (8191,),
    14: (3, 43, 127),
    15: (7, 31, 151),
    16: (3, 5, 17, 257),
    17: (131071,),
    18: (3, 7, 19, 73),
    19: (524287,),
    20: (3, 5, 11, 31, 41),
}

# A second, commonly printed table of middle terms (from memory; each is proved primitive below).
OTHER_TABLE = {12: (6, 4, 1), 13: (4, 3, 1), 14: (5, 3, 1), 19: (6, 2, 1)}


def power_of_x(exponent: int, order: int, taps: tuple[int, ...]) -> int:
    """x^exponent modulo x^order + taps + 1 over GF(2), polynomials as bit masks."""
    modulus = (1 << order) | 1
    for tap in taps:
        modulus |= 1 << tap

    def times(a: int, b: int) -> int:
        product = 0
        while b:
            if b & 1:
                product ^= a
            b >>= 1
            a <<= 1
            if a >> order & 1:
                a ^= modulus
        return product

    result, base = 1, 2
    while exponent:
        if exponent & 1:
            result = times(result, base)
        base = times(base, base)
        exponent >>= 1
    return result


def is_primitive(order: int, taps: tuple[int, ...]) -> bool:
    """x has order 2^n - 1, and no proper divisor of it."""
    whole = (1 << order) - 1
    return power_of_x(whole, order, taps) == 1 and all(
        power_of_x(whole // prime, order, taps) != 1 for prime in PRIME_FACTORS[order]
    )


@pytest.mark.parametrize("order", sorted(PRIMITIVE_TAPS))
def test_each_listed_polynomial_is_primitive_and_so_is_its_reciprocal(order: int) -> None:
    assert np.prod(np.unique(PRIME_FACTORS[order])) <= (1 << order) - 1
    assert is_primitive(order, PRIMITIVE_TAPS[order])
    assert is_primitive(order, reciprocal_taps(order, PRIMITIVE_TAPS[order]))


@pytest.mark.parametrize(("order", "taps"), sorted(OTHER_TABLE.items()))
def test_the_other_printed_table_is_primitive_too(order: int, taps: tuple[int, ...]) -> None:
    assert is_primitive(order, taps)


def test_a_polynomial_that_is_not_primitive_is_seen_as_such() -> None:
    assert not is_primitive(8, (4,))  # x^8 + x^4 + 1 = (x^4 + x^2 + 1)^2
    assert not is_primitive(10, (5,))  # x^10 + x^5 + 1 divides x^15 + 1


@pytest.mark.parametrize("order", [10, 11, 12, 14, 15, 16, 17])
def test_sequence_equals_scipy_from_the_same_register(order: int) -> None:
    bits, _ = max_len_seq(order)
    own = m_sequence(order, tuple(PRIMITIVE_TAPS[order]))
    scipy_taps_are_ours = np.array_equal(own, 2 * bits.astype(np.int8) - 1)
    reference, _ = max_len_seq(order, taps=np.array(PRIMITIVE_TAPS[order]))
    assert np.array_equal(own, 2 * reference.astype(np.int8) - 1)
    if order != 16:
        assert scipy_taps_are_ours


def test_first_twenty_bits_of_order_ten() -> None:
    expected = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0, 0, 1, 1, 1, 0, 0, 0, 1]
    assert ((m_sequence(10)[:20] + 1) // 2).tolist() == expected


@pytest.mark.parametrize("order", [7, 10, 13, 15, 16, 17])
def test_autocorrelation_is_n_at_zero_and_minus_one_elsewhere(order: int) -> None:
    for taps in (PRIMITIVE_TAPS[order], reciprocal_taps(order, PRIMITIVE_TAPS[order])):
        sequence = m_sequence(order, taps).astype(np.float64)
        spectrum = np.fft.rfft(sequence)
        correlation = np.rint(np.fft.irfft(spectrum * spectrum.conj(), sequence.size)).astype(np.int64)
        assert correlation[0] == sequence.size
        assert np.unique(correlation[1:]).tolist() == [-1]
        assert int((sequence > 0).sum()) == 1 << (order - 1)


@pytest.mark.parametrize("order", [15, 17])
def test_the_pair_of_sequences_stays_near_the_welch_bound(order: int) -> None:
    """Welch 1974 for two sequences; a reversed m-sequence stays within 2^((n+2)/2) (Helleseth 1976, from memory)."""
    one = m_sequence(order).astype(np.float64)
    two = m_sequence(order, reciprocal_taps(order, PRIMITIVE_TAPS[order])).astype(np.float64)
    cross = np.fft.irfft(np.fft.rfft(one) * np.fft.rfft(two).conj(), one.size)
    length = one.size
    welch = length * np.sqrt((2 - 1) / (2 * length - 1))
    assert welch <= np.abs(cross).max() <= 2 ** ((order + 2) / 2) + 1


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_schedule_fits_four_seconds_and_keeps_its_levels(rate_hz: int) -> None:
    schedule = CodeSchedule(rate_hz=rate_hz, returns=128)
    assert schedule.total_frames <= 4 * rate_hz
    assert schedule.settle_frames >= 0.5 * rate_hz
    opening = np.abs(schedule.signal(0, 64)).max()
    assert opening <= 10 ** (-59.9 / 20)
    steady = schedule.signal(schedule.first_window, 4000)
    assert np.abs(steady).max() <= 10 ** (-30 / 20) * 1.000001
    assert not schedule.signal(schedule.total_frames, 100).any()
    assert not schedule.signal(-100, 100).any()


def test_ramp_rises_evenly_in_decibels() -> None:
    schedule = CodeSchedule(rate_hz=48_000, returns=2)
    envelope = schedule.envelope(0, schedule.ramp_frames + 100)
    steps_db = np.diff(20 * np.log10(envelope[: schedule.ramp_frames]))
    assert steps_db.min() > 0
    assert steps_db.max() == pytest.approx(30.0 / schedule.ramp_frames, rel=1e-6)


def test_signal_is_the_same_however_it_is_cut() -> None:
    schedule = CodeSchedule(rate_hz=48_000, returns=5)
    whole = schedule.signal(0, schedule.total_frames)
    cut = [schedule.signal(first, 7_777) for first in range(0, schedule.total_frames, 7_777)]
    assert np.array_equal(whole, np.concatenate(cut)[: schedule.total_frames])


def test_shaped_signal_stays_inside_its_band() -> None:
    period = shaped_period(m_sequence(15), 48_000)
    power = np.abs(np.fft.rfft(period)) ** 2
    frequency_hz = np.fft.rfftfreq(period.size, 1 / 48_000)
    assert power[frequency_hz >= 14_000].sum() < 1e-20 * power.sum()
    assert power[frequency_hz < 100].sum() < 1e-4 * power.sum()
    assert bell(np.array([0.0, 14_000.0, 20_000.0])).max() < 1e-30


def test_shifts_are_far_apart_in_both_sequences_and_in_their_difference() -> None:
    schedule = CodeSchedule(rate_hz=48_000, returns=128)

    def least_distance(values: np.ndarray) -> int:
        ordered = np.sort(values % schedule.period_frames)
        return int(np.diff(np.append(ordered, ordered[0] + schedule.period_frames)).min())

    assert least_distance(schedule.first_shifts) >= 64
    assert least_distance(schedule.second_shifts) >= 60
    assert least_distance(schedule.second_shifts - schedule.first_shifts) >= 40


@pytest.mark.parametrize(
    "wrong",
    [{"rate_hz": 8_000}, {"returns": 0}, {"returns": 129}, {"ceiling_dbfs": -3.0}, {"longest_latency_s": 1.0}],
)
def test_what_cannot_be_done_is_refused_with_the_remedy(wrong: dict[str, float]) -> None:
    with pytest.raises(ArgumentInvalid) as caught:
        CodeSchedule(**{"rate_hz": 48_000, "returns": 8} | wrong)  # type: ignore[arg-type]
    assert caught.value.now


def test_order_without_a_table_entry_is_refused() -> None:
    with pytest.raises(ArgumentInvalid):
        m_sequence(33)
