"""The meters against FFmpeg and pyloudnorm on real recordings: Debian's sonic-pi-samples (CC0), at their own rate and
at 48 kHz. Tolerances: FFmpeg prints one decimal; pyloudnorm with its 'DeMan' filters has the published coefficients
at 48 kHz, and at other rates leaves out the gain of stage 2 that keeps the response (0.003 dB at 44.1 kHz).
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
import soxr

from nightreel.signal.meters import LineMeters, MeterResult

SAMPLES = Path("/usr/share/sonic-pi/samples")
NAMES = ("loop_amen_full", "loop_garzul", "loop_mehackit2", "ambi_haunted_hum", "ambi_choir", "guit_e_slide",
         "loop_tabla", "bass_voxy_c", "drum_roll")  # fmt: skip


def recording(name: str, rate_hz: int) -> np.ndarray:
    """Twelve seconds or more, stereo, 24 bits."""
    path = SAMPLES / f"{name}.flac"
    assert path.is_file(), "apt-get install sonic-pi-samples (make test installs it)"
    x, rate = soundfile.read(path, always_2d=True)
    x = np.repeat(x, 2, axis=1)[:, :2] if x.shape[1] == 1 else x
    x = np.tile(x, (int(np.ceil(12 * rate / len(x))), 1))
    x[: len(x) // 2] *= 0.3
    if rate != rate_hz:
        x = soxr.resample(x, rate, rate_hz)
    x = x[: len(x) // (rate_hz // 10) * (rate_hz // 10)]  # pyloudnorm counts a last block that is not complete
    return (np.round(x / max(1.0, np.abs(x).max()) * (2**23 - 1)) / 2**23).astype(np.float32)


def measured(x: np.ndarray, rate_hz: int) -> MeterResult:
    meters = LineMeters.start(rate_hz=rate_hz, channels=2, programmes=[[1.0, 1.0]])
    for at in range(0, len(x), 12_345):
        meters.feed(x[at : at + 12_345])
    return meters.result()


@pytest.mark.parametrize(("rate_hz", "tolerance_lu"), [(48_000, 0.001), (44_100, 0.005)])
@pytest.mark.parametrize("name", NAMES[2:])
def test_integrated_loudness_equals_pyloudnorm(name: str, rate_hz: int, tolerance_lu: float) -> None:
    x = recording(name, rate_hz)
    result = measured(x, rate_hz)
    peer = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    assert result.programmes[0].integrated_lufs == pytest.approx(peer.integrated_loudness(x), abs=tolerance_lu)
    for channel in range(2):
        alone = peer.integrated_loudness(x[:, channel])
        assert result.integrated_lufs[channel] == pytest.approx(alone, abs=tolerance_lu)


@pytest.mark.parametrize(("name", "rate_hz"), [*((name, 48_000) for name in NAMES[:6]), ("loop_amen_full", 44_100)])
def test_figures_equal_ffmpeg(name: str, rate_hz: int, tmp_path: Path) -> None:
    assert shutil.which("ffmpeg"), "apt-get install ffmpeg (make test installs it)"
    x = recording(name, rate_hz)
    path = tmp_path / "x.wav"
    soundfile.write(path, x, rate_hz, subtype="PCM_24")
    command = ["ffmpeg", "-nostdin", "-hide_banner", "-nostats", "-i", str(path), "-af", "ebur128=peak=true,astats"]
    said = subprocess.run([*command, "-f", "null", "-"], capture_output=True, text=True, check=True).stderr
    summary = said[said.index("Summary:") :]

    def figure(pattern: str, text: str) -> float:
        match = re.search(pattern, text)
        assert match, f"no '{pattern}' in {text}"
        return float(match[1])

    result = measured(x, rate_hz)
    programme = result.programmes[0]
    assert programme.integrated_lufs == pytest.approx(figure(r"I:\s+(-?[\d.]+) LUFS", summary), abs=0.06)
    assert programme.loudness_range_lu == pytest.approx(
        figure(r"LRA:\s+(-?[\d.]+) LU", summary), abs=0.4
    )  # Tech 3342 allows 1 LU
    assert programme.true_peak_dbtp == pytest.approx(figure(r"Peak:\s+(-?[\d.]+) dBFS", summary), abs=0.15)
    channels = re.split(r"Channel: \d|Overall", said)[1:3]
    for channel, text in enumerate(channels):
        assert result.peak_dbfs[channel] == pytest.approx(figure(r"Peak level dB: (-?[\d.]+)", text), abs=1e-4)
        assert result.rms_dbfs[channel] == pytest.approx(figure(r"RMS level dB: (-?[\d.]+)", text), abs=1e-4)
        assert result.dc[channel] == pytest.approx(figure(r"DC offset: (-?[\d.]+)", text), abs=1e-6)
