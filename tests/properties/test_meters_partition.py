"""Any partition of the same samples, into parts and blocks, gives the same measurements."""

from __future__ import annotations

from dataclasses import fields
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.signal.meters import LineMeters, MeterResult, Places
from nightreel.signal.spectra import LineSpectra

RATE_HZ = 48_000
FRAMES = 210_000

# Counts, spans, grids and extremes must agree to the bit; what stems from sums to 1e-9 (in dB: 4.4e-9).
_SUMS = {"rms_dbfs", "dc", "integrated_lufs", "max_momentary_lufs", "max_short_term_lufs", "loudness_range_lu"}


def _signal() -> np.ndarray:
    """Three channels full of what needs care at a seam: runs at full scale and of zeros, near-Nyquist tones, swells."""
    rng = np.random.default_rng(7)
    t = np.arange(FRAMES)
    a = 0.5 * np.sin(2 * np.pi * t / 4.03 + 0.3) * np.sin(t / 30_000) ** 2
    b = rng.normal(size=FRAMES) * 0.05 + 0.1
    c = np.sin(2 * np.pi * 55 * t / RATE_HZ) * 1.3
    b[40_000:75_000] = 0.0
    b[100_000:100_040] = 0.0
    b[100_100:100_160] = 0.0
    b[-30:] = 0.0
    c = c.clip(-1.0, 1.0)
    c[60_000:61_000] = 1.0
    a[70_000:70_256] = a[69_744:70_000]  # a buffer delivered twice
    a[20_000] += 0.2  # a joint
    a[120_000:] *= 0.9
    a[88_000:92_000] *= 1e-4  # out for 83 ms
    c[90_000:] *= 0.9  # flat tops
    return np.stack([a, b, c], axis=1).astype(np.float32)


SIGNAL = _signal()


def _part(first: int, end: int, block: int, offset: int) -> LineMeters:
    meters = LineMeters.start(
        rate_hz=RATE_HZ, channels=3, first_frame=offset + first, programmes=[[1.0, 1.0, 1.41]], spectra=True
    )
    for at in range(first, end, block):
        meters.feed(SIGNAL[at : min(end, at + block)])
    return meters


def _same(left: MeterResult, right: MeterResult) -> None:
    for field in fields(MeterResult):
        a, b = getattr(left, field.name), getattr(right, field.name)
        if field.name in _SUMS:
            np.testing.assert_allclose(a, b, rtol=1e-9, atol=1e-8, err_msg=field.name)
        elif field.name == "history_rms_dbfs":
            np.testing.assert_allclose(a, b, rtol=1e-6, err_msg=field.name)
        elif field.name == "programmes":
            for x, y in zip(a, b, strict=True):
                assert abs(x.integrated_lufs - y.integrated_lufs) < 1e-8
                assert abs(x.max_momentary_lufs - y.max_momentary_lufs) < 1e-8
        elif field.name == "spectra":
            for x, y in zip(a, b, strict=True):
                for part in fields(LineSpectra):
                    np.testing.assert_array_equal(getattr(x, part.name), getattr(y, part.name), err_msg=part.name)
        elif field.name.endswith("_spans"):
            assert a == b, field.name
        elif field.name.endswith("_places"):
            for x, y in zip(a, b, strict=True):
                for part in fields(Places):
                    np.testing.assert_array_equal(getattr(x, part.name), getattr(y, part.name), err_msg=field.name)
        else:
            np.testing.assert_array_equal(a, b, err_msg=field.name)


_REFERENCE = {offset: _part(0, FRAMES, FRAMES, offset).result() for offset in (0, 1_000_003)}


@settings(max_examples=25, deadline=None)
@given(
    cuts=st.lists(
        st.one_of(st.integers(0, FRAMES), st.integers(40_000, 40_100), st.integers(69_700, 70_300)), max_size=5
    ),
    block=st.sampled_from([137, 480, 4_800, 50_000]),
    offset=st.sampled_from([0, 1_000_003]),
    from_the_left=st.booleans(),
)
def test_any_partition_gives_the_same_result(cuts: list[int], block: int, offset: int, from_the_left: bool) -> None:
    edges = [0, *sorted(cuts), FRAMES]
    parts = [_part(a, b, block, offset) for a, b in pairwise(edges)]
    while len(parts) > 1:
        if from_the_left:
            parts[:2] = [parts[0].merge(parts[1])]
        else:
            parts[-2:] = [parts[-2].merge(parts[-1])]
    _same(parts[0].result(), _REFERENCE[offset])


@settings(max_examples=10, deadline=None)
@given(blocks=st.lists(st.integers(0, 3_000), min_size=1, max_size=30))
def test_block_sizes_do_not_matter(blocks: list[int]) -> None:
    meters = LineMeters.start(rate_hz=RATE_HZ, channels=3, programmes=[[1.0, 1.0, 1.41]], spectra=True)
    at = 0
    for block in blocks:
        meters.feed(SIGNAL[at : at + block])
        at = min(FRAMES, at + block)
    meters.feed(SIGNAL[at:])
    _same(meters.result(), _REFERENCE[0])


def test_many_channels_equal_each_alone() -> None:
    wide = np.concatenate([SIGNAL[:50_000] * np.float32(0.5**i) for i in range(7)], axis=1)
    together = LineMeters.start(rate_hz=RATE_HZ, channels=21)
    together.feed(wide)
    result = together.result()
    for channel in range(21):
        alone = LineMeters.start(rate_hz=RATE_HZ, channels=1)
        alone.feed(wide[:, channel : channel + 1])
        one = alone.result()
        for name in ("peak_dbfs", "true_peak_dbtp", "rms_dbfs", "dc", "integrated_lufs", "overs", "zero_runs"):
            np.testing.assert_array_equal(getattr(one, name)[0], getattr(result, name)[channel], err_msg=name)
        assert one.zero_spans[0] == result.zero_spans[channel]


def test_the_signal_holds_every_kind_of_place() -> None:
    result = _REFERENCE[0]
    for name in ("overs", "zero_runs", "flat_tops", "repeats", "joints", "outs"):
        assert getattr(result, name).sum() > 0, name
