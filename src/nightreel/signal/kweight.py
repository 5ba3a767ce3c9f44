"""K-weighting at any sample rate: two biquads that answer alike at 44.1 and at 192 kHz.

At 48 kHz the coefficients are those of ITU-R BS.1770-5, Annex 1, Tables 1 and 2, digit for digit. At other rates
they are designed anew from the analogue prototype behind them (published fit of the tables: stage 1 a shelf of
+4 dB at 1682 Hz, stage 2 a high-pass at 38.1 Hz). The Recommendation's stage 2 has b0 = 1 exactly, which is a gain of
+0.043 dB over a textbook high-pass *at 48 kHz*; that gain is part of the response and is kept at every rate.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

LOUDNESS_OFFSET_LU = -0.691  # BS.1770-5 Annex 1: a 997 Hz tone of 0 dBFS in one channel reads -3.01 LKFS

_TABLE_RATE_HZ = 48_000
_TABLE_SHELF = (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585)
_TABLE_HIGH_PASS = (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)

_SHELF_HZ, _SHELF_Q = 1681.974450955533, 0.7071752369554196
_SHELF_HIGH_GAIN, _SHELF_BAND_GAIN = 1.584864701130855, 1.258720930232562
_HIGH_PASS_HZ, _HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773


def k_weighting(rate_hz: int) -> NDArray[np.float64]:
    """Both stages as rows (b0, b1, b2, a1, a2) with a0 = 1; float64, shape (2, 5).

    Source: ITU-R BS.1770-5, Annex 1, Tables 1 and 2; other rates by the bilinear transform of the fitted prototype.
    """
    if rate_hz == _TABLE_RATE_HZ:
        return np.array([_TABLE_SHELF, _TABLE_HIGH_PASS])
    return np.array([_shelf(rate_hz), _high_pass(rate_hz)])


def _shelf(rate_hz: int) -> tuple[float, float, float, float, float]:
    k = math.tan(math.pi * _SHELF_HZ / rate_hz)
    high, band, q = _SHELF_HIGH_GAIN, _SHELF_BAND_GAIN, _SHELF_Q
    a0 = 1.0 + k / q + k * k
    return (
        (high + band * k / q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - band * k / q + k * k) / a0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / q + k * k) / a0,
    )


def _high_pass(rate_hz: int) -> tuple[float, float, float, float, float]:
    def a0_at(rate: int) -> tuple[float, float]:
        k = math.tan(math.pi * _HIGH_PASS_HZ / rate)
        return k, 1.0 + k / _HIGH_PASS_Q + k * k

    k, a0 = a0_at(rate_hz)
    gain = a0_at(_TABLE_RATE_HZ)[1] / a0  # 1 at 48 kHz, as the table has it
    return (gain, -2.0 * gain, gain, 2.0 * (k * k - 1.0) / a0, (1.0 - k / _HIGH_PASS_Q + k * k) / a0)
