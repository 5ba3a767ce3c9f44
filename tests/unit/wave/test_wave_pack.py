"""Packing and unpacking, against a slow and obvious twin."""

from __future__ import annotations

import numpy as np
import pytest

from nightreel.errors import ArgumentInvalid
from nightreel.units import Encoding
from nightreel.wave.pack import FloatArray, pack, pack_columns, pack_counted, unpack

BITS = {Encoding.PCM16: 16, Encoding.PCM24: 24, Encoding.PCM32: 32}
PCM = sorted(BITS)


def slow_pack(samples: FloatArray, bits: int) -> tuple[bytes, int]:
    """One Python integer a sample; Python's round is half to even."""
    out, clipped = b"", 0
    for sample in samples.reshape(-1).tolist():
        number = round(sample * 2 ** (bits - 1))
        limited = min(max(number, -(2 ** (bits - 1))), 2 ** (bits - 1) - 1)
        clipped += number != limited
        out += limited.to_bytes(bits // 8, "little", signed=True)
    return out, clipped


@pytest.mark.parametrize("encoding", PCM)
@pytest.mark.parametrize("channels", [1, 2, 7])
def test_packing_equals_the_slow_twin_clips_included(encoding: Encoding, channels: int) -> None:
    samples = np.random.default_rng(3).uniform(-1.2, 1.2, (301, channels)).astype(np.float32)
    expected, clipped = slow_pack(samples, BITS[encoding])
    got, count = pack_counted(samples, encoding)
    assert got.tobytes() == expected
    assert count == clipped > 0


@pytest.mark.parametrize("encoding", PCM)
def test_halves_round_to_even_and_the_ends_of_the_scale_are_exact(encoding: Encoding) -> None:
    step = 2.0 ** -(BITS[encoding] - 1)
    samples = np.array([[0.5 * step, 1.5 * step, 2.5 * step, -0.5 * step, -1.5 * step, -1.0]], np.float32)
    size = encoding.sample_bytes
    data = pack(samples, encoding).tobytes()
    numbers = [int.from_bytes(data[i : i + size], "little", signed=True) for i in range(0, len(data), size)]
    assert numbers == [0, 2, 2, 0, -2, -(2 ** (BITS[encoding] - 1))]


def test_full_scale_is_clipped_and_counted_and_minus_full_scale_is_not() -> None:
    data, clipped = pack_counted(np.array([[1.0], [-1.0], [np.inf], [-np.inf], [np.nan]], np.float32), Encoding.PCM24)
    assert data.tobytes() == b"\xff\xff\x7f\x00\x00\x80\xff\xff\x7f\x00\x00\x80\x00\x00\x00"
    assert clipped == 4


def test_every_16_bit_value_and_many_24_bit_values_pass_through_float32_exactly() -> None:
    all16 = np.arange(-(2**15), 2**15, dtype="<i2").view(np.uint8)
    assert np.array_equal(pack(unpack(all16, Encoding.PCM16), Encoding.PCM16), all16)
    numbers = np.unique(np.concatenate([np.arange(-(2**23), 2**23, 97), [-1, 0, 1, 2**23 - 1, -(2**23)]]))
    bytes24 = np.ascontiguousarray(numbers.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3]).reshape(-1)
    floats = unpack(bytes24, Encoding.PCM24)
    assert np.array_equal(floats[:, 0].astype(np.float64) * 2**23, numbers)
    assert np.array_equal(pack(floats, Encoding.PCM24), bytes24)


def test_float32_goes_through_untouched_even_above_full_scale() -> None:
    samples = np.array([[1.5, -np.inf], [1e-30, 0.1]], np.float32)
    data, clipped = pack_counted(samples, Encoding.FLOAT32)
    assert clipped == 0
    assert np.array_equal(unpack(data, Encoding.FLOAT32, 2), samples)


@pytest.mark.parametrize("encoding", list(Encoding))
def test_columns_are_what_packing_each_channel_alone_gives(encoding: Encoding) -> None:
    samples = np.random.default_rng(5).uniform(-1.1, 1.1, (1000, 5)).astype(np.float32)
    for block in (samples, samples[::2], samples[:, ::-1], np.asfortranarray(samples), samples[:0]):
        rows, clipped = pack_columns(block, encoding)
        for channel in range(block.shape[1]):
            alone, count = pack_counted(block[:, channel : channel + 1], encoding)
            assert np.array_equal(rows[channel], alone)
            assert clipped[channel] == count


def test_given_buffers_are_filled_and_counts_added() -> None:
    samples = np.full((4, 2), 2.0, np.float32)
    out, clipped = np.zeros((2, 12), np.uint8), np.array([10, 20])
    pack_columns(samples, Encoding.PCM24, out=out, clipped=clipped)
    assert out[0].tobytes() == b"\xff\xff\x7f" * 4
    assert clipped.tolist() == [14, 24]
    with pytest.raises(ValueError, match="shape"):
        pack_columns(samples, Encoding.PCM16, out=out)


def test_torn_frames_are_refused() -> None:
    with pytest.raises(ArgumentInvalid, match="whole frames"):
        unpack(np.zeros(7, np.uint8), Encoding.PCM24, 2)
    with pytest.raises(ValueError, match="float32"):
        pack(np.zeros((3, 1)), Encoding.PCM24)  # type: ignore[arg-type]
