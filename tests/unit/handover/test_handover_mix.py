"""The listening mix: who is in it, where they stand, how loud it is. pyloudnorm and an FFT true peak as peers."""

from __future__ import annotations

import math
import re
import subprocess
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import scipy.signal
import wavinfo
from tests.unit.handover.small_take import LINES, make_show, sound_of

from nightreel.handover import Cut, Request, run_handover
from nightreel.handover.mix import compute_line_gains, compute_weights
from nightreel.show.model import Role
from nightreel.wave import WaveReader


@pytest.fixture
def mix(tmp_path: Path) -> tuple[np.ndarray, object]:
    show = make_show(tmp_path / "show")
    (tmp_path / "to").mkdir()
    done = run_handover(show, "last", Request(destinations=(tmp_path / "to",), mix=True))
    assert done.outcome is not None
    path = done.outcome.deliveries[0].folder / "data" / "Listening mix" / "2026-11-28-evening-1.wav"
    with WaveReader(path) as reader:
        return reader.read(0, reader.frames), done.outcome.mix


def tone_level(samples: np.ndarray, line: int) -> float:
    tone = np.exp(-2j * np.pi * 100 * line * np.arange(len(samples)) / 48_000)
    return float(abs(np.dot(samples, tone)) / len(samples) * 2)


def test_the_mix_has_the_loudness_and_headroom_it_claims(mix: tuple[np.ndarray, object]) -> None:
    samples, figures = mix
    measured = pyloudnorm.Meter(48_000, filter_class="DeMan").integrated_loudness(samples.astype(np.float64))
    assert measured == pytest.approx(-18.0, abs=0.1)
    assert figures.integrated_lufs == pytest.approx(measured, abs=0.1)  # type: ignore[attr-defined]
    peak = np.max(np.abs(scipy.signal.resample_poly(samples.astype(np.float64), 8, 1)))
    assert 20 * math.log10(peak) <= -1.0
    assert figures.true_peak_dbtp == pytest.approx(20 * math.log10(peak), abs=0.3)  # type: ignore[attr-defined]


def test_each_mix_file_states_its_own_loudness(tmp_path: Path) -> None:
    show = make_show(tmp_path / "show")
    (tmp_path / "to").mkdir()
    done = run_handover(show, "last", Request(destinations=(tmp_path / "to",), mix=True, cut=Cut.SONGS))
    assert done.outcome is not None
    path = done.outcome.deliveries[0].folder / "data" / "Listening mix" / "02 Salt- and (Light).wav"
    run = subprocess.run(
        ["ffmpeg", "-nostats", "-i", path, "-af", "ebur128=peak=true", "-f", "null", "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    summary = run.stderr[run.stderr.index("Summary:") :]
    bext = wavinfo.WavInfoReader(str(path)).bext
    assert bext.loudness_value == pytest.approx(float(re.search(r"I: +(-[\d.]+)", summary)[1]), abs=0.1)  # type: ignore[index]
    assert bext.max_true_peak == pytest.approx(float(re.search(r"Peak: +(-[\d.]+)", summary)[1]), abs=0.2)  # type: ignore[index]


def test_partners_stand_left_and_right_and_the_click_is_not_heard(mix: tuple[np.ndarray, object]) -> None:
    samples, figures = mix
    left, right = samples[:, 0], samples[:, 1]
    assert tone_level(left, 5) > 30 * tone_level(right, 5)
    assert tone_level(right, 6) > 30 * tone_level(left, 6)
    assert tone_level(left, 2) == pytest.approx(tone_level(right, 2), rel=0.02)
    assert tone_level(left, 9) < 0.02 * tone_level(left, 2)
    assert set(figures.line_gains_db) == {1, 2, 5, 6, 12}  # type: ignore[attr-defined]


def test_lines_move_half_of_the_way_to_the_middle_and_noise_stays_out() -> None:
    levels = {1: -20.0, 2: -30.0, 3: -40.0, 4: -70.0, 5: -math.inf, 6: -90.0 + 40, 7: -24.0}
    roles = dict.fromkeys(levels, Role.MIC) | {7: Role.AMBIENCE}
    gains = compute_line_gains(levels, roles)
    # the middle of -20 -30 -40 -50 is -35
    assert gains == {1: -7.5, 2: -2.5, 3: 2.5, 6: 7.5, 7: pytest.approx(-5.5 - 10.0)}
    assert compute_line_gains({1: -math.inf}, {1: Role.MIC}) == {}
    far = compute_line_gains({1: -10.0, 2: -20.0, 3: -58.0}, dict.fromkeys((1, 2, 3), Role.MIC))
    assert far[3] == 10.0


def test_a_pair_keeps_its_picture() -> None:
    weights = compute_weights({5: 2.0, 6: -2.0, 8: 0.0}, {5: 6, 6: 5, 8: 99})
    assert weights[0].tolist() == [1.0, 0.0]
    assert weights[1].tolist() == [0.0, 1.0]
    assert weights[2] == pytest.approx([2**-0.5, 2**-0.5])


def test_all_songs_get_one_gain_so_that_the_night_keeps_its_dynamics(tmp_path: Path) -> None:
    show = make_show(tmp_path / "show")
    (tmp_path / "to").mkdir()
    done = run_handover(show, "last", Request(destinations=(tmp_path / "to",), mix=True, cut=Cut.SONGS))
    assert done.outcome is not None
    folder = done.outcome.deliveries[0].folder / "data" / "Listening mix"
    with WaveReader(folder / "01 Late Ferry.wav") as one, WaveReader(folder / "02 Salt- and (Light).wav") as two:
        first, second = one.read(0, one.frames), two.read(0, two.frames)
    line = LINES[1][0]
    source = sound_of(line)[:, 0]
    gains = (
        tone_level(first[:20_000, 0], line) / tone_level(source[1_000:21_000], line),
        tone_level(second[:20_000, 0], line) / tone_level(source[40_000:60_000], line),
    )
    assert gains[0] == pytest.approx(gains[1], rel=0.02)


def test_silence_is_mixed_to_silence(tmp_path: Path) -> None:
    show = make_show(tmp_path / "show")
    (tmp_path / "to").mkdir()
    for path in (show / "takes" / "2026-11-28-evening-1" / "tracks").iterdir():
        path.write_bytes(path.read_bytes()[:4096])
    done = run_handover(show, "last", Request(destinations=(tmp_path / "to",), mix=True))
    assert done.outcome is not None
    assert done.outcome.mix is not None
    assert done.outcome.mix.integrated_lufs == -math.inf
    assert done.outcome.mix.line_gains_db == {}
