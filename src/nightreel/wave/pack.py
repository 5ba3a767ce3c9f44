"""Samples to little-endian bytes and back, compiled.

Full scale 1.0 is 2^(bits-1). Integers are rounded half to even and clipped at full scale; each clipped sample is
counted. 16- and 24-bit integers pass through float32 exactly, as its mantissa holds 24 bits. What is not a number
becomes silence and counts as clipped.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid
from nightreel.units import Encoding

FloatArray = NDArray[np.float32]
ByteArray = NDArray[np.uint8]
CountArray = NDArray[np.int64]

_TILE_FRAMES = 256  # a tile of 64 channels by 256 frames (64 kB) stays in the second-level cache
_BITS = {Encoding.PCM16: 16, Encoding.PCM24: 24, Encoding.PCM32: 32, Encoding.FLOAT32: 0}


@njit(cache=True, nogil=True)
def _pack_columns(block, bits, out, clipped):  # type: ignore[no-untyped-def]
    """block (frames, channels) float32 -> out (channels, frames * sample bytes); adds to clipped (channels,)."""
    frames, channels = block.shape
    scale = 2.0 ** (bits - 1)
    top = scale - 1.0
    for start in range(0, frames, _TILE_FRAMES):
        end = min(start + _TILE_FRAMES, frames)
        for channel in range(channels):
            row = out[channel]
            over = 0
            for frame in range(start, end):
                value = np.rint(np.float64(block[frame, channel]) * scale)
                if not (value <= top and value >= -scale):
                    over += 1
                    value = top if value > top else (-scale if value < -scale else 0.0)
                number = np.int32(np.int64(value))
                if bits == 24:
                    at = frame * 3
                    row[at] = np.uint8(number & 0xFF)
                    row[at + 1] = np.uint8((number >> 8) & 0xFF)
                    row[at + 2] = np.uint8((number >> 16) & 0xFF)
                elif bits == 16:
                    at = frame * 2
                    row[at] = np.uint8(number & 0xFF)
                    row[at + 1] = np.uint8((number >> 8) & 0xFF)
                else:
                    at = frame * 4
                    row[at] = np.uint8(number & 0xFF)
                    row[at + 1] = np.uint8((number >> 8) & 0xFF)
                    row[at + 2] = np.uint8((number >> 16) & 0xFF)
                    row[at + 3] = np.uint8((number >> 24) & 0xFF)
            clipped[channel] += over


@njit(cache=True, nogil=True)
def _unpack24(data, out):  # type: ignore[no-untyped-def]
    """data (3 * samples,) -> out (samples,) float32."""
    step = np.float32(2.0**-23)
    for index in range(out.size):
        at = index * 3
        number = (
            (np.int32(data[at]) << np.int32(8))
            | (np.int32(data[at + 1]) << np.int32(16))
            | (np.int32(data[at + 2]) << np.int32(24))
        )
        out[index] = np.float32(np.int32(number) >> np.int32(8)) * step


def pack_columns(
    samples: FloatArray, encoding: Encoding, *, out: ByteArray | None = None, clipped: CountArray | None = None
) -> tuple[ByteArray, CountArray]:
    """De-interleave and pack in one pass: one row of bytes per channel, as many mono files need it.

    Parameters
    ----------
    samples : float32, shape (frames, channels)
    out : uint8, shape (channels, frames * encoding.sample_bytes), made when not given
    clipped : int64, shape (channels,), counts are added; made (zero) when not given

    Returns
    -------
    out, clipped
    """
    frames, channels = _require_block(samples).shape
    shape = (channels, frames * encoding.sample_bytes)
    if out is None:
        out = np.empty(shape, np.uint8)
    elif out.shape != shape or out.dtype != np.uint8:
        raise ValueError(f"out must be uint8 of shape {shape}, got {out.dtype} {out.shape}")
    if clipped is None:
        clipped = np.zeros(channels, np.int64)
    if encoding is Encoding.FLOAT32:
        out.view("<f4")[:] = samples.T
    else:
        _pack_columns(samples, _BITS[encoding], out, clipped)
    return out, clipped


def pack_counted(samples: FloatArray, encoding: Encoding) -> tuple[ByteArray, int]:
    """Interleaved bytes of (frames, channels) float32, and how many samples were clipped."""
    flat = np.ascontiguousarray(_require_block(samples), np.float32).reshape(-1, 1)
    out, clipped = pack_columns(flat, encoding)
    return out[0], int(clipped[0])


def pack(samples: FloatArray, encoding: Encoding) -> ByteArray:
    """:func:`pack_counted` without the count: uint8, shape (frames * channels * sample bytes,)."""
    return pack_counted(samples, encoding)[0]


def unpack(data: ByteArray, encoding: Encoding, channels: int = 1) -> FloatArray:
    """float32 (frames, channels) from interleaved little-endian bytes, which must hold whole frames.

    16- and 24-bit values are exact; 32-bit ones are rounded to float32.
    """
    frame_bytes = encoding.sample_bytes * channels
    if data.ndim != 1 or data.size % frame_bytes:
        raise ArgumentInvalid(f"{data.size} bytes are not whole frames of {frame_bytes} bytes")
    data = np.ascontiguousarray(data, np.uint8)
    if encoding is Encoding.PCM24:
        out = np.empty(data.size // 3, np.float32)
        _unpack24(data, out)
    elif encoding is Encoding.PCM16:
        out = data.view("<i2").astype(np.float32)
        out *= np.float32(2.0**-15)
    elif encoding is Encoding.PCM32:
        out = (data.view("<i4") * 2.0**-31).astype(np.float32)
    else:
        out = data.view("<f4").astype(np.float32)
    return out.reshape(-1, channels)


def _require_block(samples: FloatArray) -> FloatArray:
    if samples.ndim != 2 or samples.dtype != np.float32:
        raise ValueError(f"samples must be float32 of shape (frames, channels), got {samples.dtype} {samples.shape}")
    return samples
