"""Timecode from lines as they are: noisy, quiet, off speed, interrupted, jumping; and lines that are none."""

from __future__ import annotations

import numpy as np
import pytest

from nightreel.errors import ArgumentInvalid
from nightreel.signal.ltc import LtcReader, encode_ltc, find_ltc_rate, find_ltc_runs, read_ltc
from nightreel.signal.timecode import Timecode, TimecodeRate

START = Timecode(hours=1, minutes=0, seconds=0, frames=0)


def code(seconds: float, *, rate_hz: int = 48_000, rate: TimecodeRate = TimecodeRate.FPS_25, **kwargs) -> np.ndarray:
    kwargs.setdefault("start", START)
    return encode_ltc(rate=rate, rate_hz=rate_hz, frames=round(seconds * rate_hz), **kwargs)


@pytest.mark.parametrize("rate", TimecodeRate)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_what_was_written_is_read_back_at_its_place(rate: TimecodeRate, rate_hz: int) -> None:
    start = Timecode(hours=9, minutes=59, seconds=58, frames=3, drop=rate.drop)
    frames = read_ltc(code(5, rate_hz=rate_hz, rate=rate, start=start), rate_hz=rate_hz)
    (run,) = find_ltc_runs(frames, rate_hz=rate_hz)
    assert run.rate is rate
    assert abs(run.speed_ppm) < 5
    assert run.frames >= 5 * float(rate.fps) - 5
    for frame in frames:
        place = (frame.label.number(rate) - start.number(rate)) * rate_hz / float(rate.fps)
        assert frame.start == pytest.approx(place, abs=0.1)


@pytest.mark.parametrize("speed", [0.8, 0.96, 1.04, 1.3])
def test_speed_is_followed(speed: float) -> None:
    frames = read_ltc(code(4, speed=speed), rate_hz=48_000)
    assert len(frames) >= 100 * speed - 4
    assert 48_000 / (80 * frames[10].bit_frames) == pytest.approx(25 * speed, rel=1e-3)


def test_noise_level_polarity_and_offset_do_not_matter() -> None:
    rng = np.random.default_rng(3)
    clean = code(4)
    for level_db, polarity, offset in ((-40, 1, 0.0), (0, -1, 0.3), (-20, -1, -0.1)):
        noisy = clean * polarity + rng.normal(scale=10 ** (-32 / 20), size=len(clean))  # 14 dB under the code
        line = noisy * 10 ** (level_db / 20) + offset * 10 ** (level_db / 20)
        frames = read_ltc(line.astype(np.float32), rate_hz=48_000)
        assert len(find_ltc_runs(frames, rate_hz=48_000)) == 1
        assert len(frames) >= 96


def test_user_bits_come_through() -> None:
    frames = read_ltc(code(1, user_bits=0x1234ABCD), rate_hz=48_000)
    assert {f.user_bits for f in frames} == {0x1234ABCD}


def test_a_jump_and_a_hole_end_a_run() -> None:
    later = code(3, start=Timecode(hours=1, minutes=10, seconds=0, frames=0))
    line = np.concatenate([code(3), later, np.zeros(24_000, np.float32), code(2)])
    runs = find_ltc_runs(read_ltc(line, rate_hz=48_000), rate_hz=48_000)
    assert [run.first.label.minutes for run in runs] == [0, 10, 0]
    assert runs[1].first.start == pytest.approx(3 * 48_000, abs=2 * 1_920)
    assert runs[2].first.start == pytest.approx(6.5 * 48_000, abs=4 * 1_920)


def test_a_lost_block_is_seen_as_a_shift_in_time() -> None:
    """The label goes on, the place does not: samples are missing."""
    whole = code(6)
    line = np.concatenate([whole[:140_000], whole[141_500:]])
    runs = find_ltc_runs(read_ltc(line, rate_hz=48_000), rate_hz=48_000)
    assert len(runs) == 2
    lost = (runs[1].first.label.number(runs[0].rate) - runs[0].first.label.number(runs[0].rate)) * 1_920 - (
        runs[1].first.start - runs[0].first.start
    )
    assert lost == pytest.approx(1_500, abs=0.5)


def test_block_sizes_do_not_matter() -> None:
    line = code(3)
    whole = read_ltc(line, rate_hz=48_000, first_frame=500)
    for block in (64, 1_000, 33_333):
        reader = LtcReader(48_000, 500)
        pieces = [f for at in range(0, len(line), block) for f in reader.feed(line[at : at + block])]
        assert tuple(pieces) == whole


def test_music_noise_and_silence_hold_no_code() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(96_000) / 48_000
    square = np.sign(np.sin(2 * np.pi * 1_000 * t))
    chord = sum(np.sin(2 * np.pi * f * t) for f in (220, 277, 330))
    for line in (np.zeros(96_000), rng.normal(size=96_000), square, chord):
        assert read_ltc(line.astype(np.float32), rate_hz=48_000) == ()


def test_one_frame_alone_has_no_rate() -> None:
    frames = read_ltc(code(1), rate_hz=48_000)
    assert find_ltc_rate(frames[:1], rate_hz=48_000) is None
    assert find_ltc_runs((), rate_hz=48_000) == ()


def test_labels_that_do_not_exist_are_refused() -> None:
    with pytest.raises(ArgumentInvalid, match="00:01:00;00"):
        code(1, rate=TimecodeRate.FPS_29_97_DROP, start=Timecode(hours=0, minutes=1, seconds=0, frames=0, drop=True))
    with pytest.raises(ArgumentInvalid):
        code(1, rate=TimecodeRate.FPS_24, start=Timecode(hours=0, minutes=1, seconds=0, frames=24))
