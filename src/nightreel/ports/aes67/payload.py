"""Linear PCM in RTP payloads: L16 and L24, big-endian, channels interleaved.

Source: RFC 3551 section 4 (L16), RFC 3190 section 4 (L24). Samples are float32 with full scale 1.0, exact for both.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid

SAMPLE_BYTES = {"L16": 2, "L24": 3}
# Largest audio payload of one AES67 packet (AES67-2018, from memory: 1440 bytes).
MAX_PAYLOAD_BYTES = 1440


def encode(samples: NDArray[np.float32], encoding: str) -> bytes:
    """(frames, channels) to payload bytes; rounds half to even and holds at full scale."""
    sample_bytes = _sample_bytes(encoding)
    full = 1 << (8 * sample_bytes - 1)
    scaled = np.clip(np.rint(samples.astype(np.float64) * full), -full, full - 1).astype(">i4")
    return scaled.reshape(-1, 1).view(np.uint8)[:, 4 - sample_bytes :].tobytes()


def decode(payload: bytes, encoding: str, *, channels: int) -> NDArray[np.float32]:
    """Payload bytes to (frames, channels). Raises ArgumentInvalid where the bytes are not whole frames."""
    sample_bytes = _sample_bytes(encoding)
    if channels < 1 or len(payload) % (sample_bytes * channels):
        raise ArgumentInvalid(f"{len(payload)} bytes are no whole frames of {channels} channels in {encoding}")
    wide = np.zeros((len(payload) // sample_bytes, 4), np.uint8)
    wide[:, :sample_bytes] = np.frombuffer(payload, np.uint8).reshape(-1, sample_bytes)
    values = wide.view(">i4")[:, 0].astype(np.float64) / (1 << 31)
    return values.astype(np.float32).reshape(-1, channels)


def max_channels(encoding: str, *, frames_per_packet: int, payload_bytes: int = MAX_PAYLOAD_BYTES) -> int:
    """Most channels whose packet still fits ``payload_bytes``."""
    return payload_bytes // (_sample_bytes(encoding) * frames_per_packet)


def _sample_bytes(encoding: str) -> int:
    try:
        return SAMPLE_BYTES[encoding]
    except KeyError:
        raise ArgumentInvalid(f"'{encoding}' is no encoding of AES67", now="Use L16 or L24") from None
