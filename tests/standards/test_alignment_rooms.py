"""Delay and polarity between two microphones in rooms of known geometry (pyroomacoustics, image sources), GCC-PHAT by
Knapp and Carter (IEEE Trans. ASSP 24(4), 1976); speed of sound by ISO 9613-1 (formula from memory, 343.2 m/s at 20 C).
"""

from __future__ import annotations

import numpy as np
import pyroomacoustics
import pytest
import soundfile
import soxr

from nightreel.review.compare import compare_blocks, distance_m, speed_of_sound_m_s

RATE_HZ = 48_000
WINDOW = 65_536

# Computed from 343.2 sqrt(T / 293.15), T in kelvin.
SPEEDS = [(-10, 325.165), (0, 331.286), (10, 337.296), (20, 343.200), (30, 349.005), (40, 354.714)]


@pytest.mark.parametrize(("celsius", "metres_per_second"), SPEEDS)
def test_speed_of_sound(celsius: float, metres_per_second: float) -> None:
    assert speed_of_sound_m_s(celsius) == pytest.approx(metres_per_second, abs=0.001)
    assert distance_m(RATE_HZ, RATE_HZ, celsius) == pytest.approx(metres_per_second, abs=0.001)


def recording(name: str) -> np.ndarray:
    """Five seconds of an open recording (Debian's sonic-pi-samples, CC0)."""
    x, rate = soundfile.read(f"/usr/share/sonic-pi/samples/{name}.flac", always_2d=True)
    x = soxr.resample(x.mean(axis=1), rate, RATE_HZ)
    return np.tile(x, int(np.ceil(5 * RATE_HZ / len(x))))[: 5 * RATE_HZ]


PLACES = [  # source, near microphone, far microphone (m), reverberation time (s), recording
    ((3.0, 4.0, 1.2), (3.2, 4.1, 1.2), (6.0, 5.0, 1.6), 0.3, "loop_amen_full"),
    ((5.0, 5.0, 1.0), (5.1, 5.0, 1.0), (5.5, 8.9, 2.0), 0.5, "loop_amen_full"),
    ((2.0, 2.0, 1.0), (2.1, 2.0, 1.0), (2.1, 3.5, 1.0), 0.4, "loop_mehackit1"),
]


@pytest.mark.parametrize(("source", "near", "far", "reverberation_s", "name"), PLACES)
@pytest.mark.parametrize("polarity", [1.0, -1.0])
def test_delay_and_polarity_of_two_microphones(source, near, far, reverberation_s, name, polarity) -> None:
    size_m = (10.0, 12.0, 5.0)
    absorption, _ = pyroomacoustics.inverse_sabine(reverberation_s, size_m)
    room = pyroomacoustics.ShoeBox(
        size_m, fs=RATE_HZ, materials=pyroomacoustics.Material(absorption), max_order=8, temperature=20, humidity=50
    )
    room.add_source(source, signal=recording(name))
    room.add_microphone_array(np.array([near, far]).T)
    room.simulate()
    heard = room.mic_array.signals.T[: 5 * RATE_HZ]
    heard = heard / np.abs(heard).max() + 1e-4 * np.random.default_rng(0).normal(size=heard.shape)
    heard[:, 1] *= polarity
    pairs = [heard[at : at + WINDOW].astype(np.float32) for at in range(0, len(heard) - WINDOW, WINDOW)]
    like = compare_blocks(pairs, rate_hz=RATE_HZ, max_lag_frames=RATE_HZ // 20)
    path_m = np.linalg.norm(np.subtract(far, source)) - np.linalg.norm(np.subtract(near, source))
    assert like.lag_frames == pytest.approx(path_m / room.c * RATE_HZ, abs=1.0)
    assert np.sign(like.phat) == polarity
    assert like.sharpness > 2.0
    # The room's speed counts in 50 % humidity (344.0 m/s), which ISO 9613-1's formula leaves out.
    assert distance_m(like.lag_frames, RATE_HZ, 20.0) == pytest.approx(path_m, rel=0.01)
