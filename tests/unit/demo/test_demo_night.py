"""The demo night: the same from the same seed, its levels and delays as claimed, its troubles where they stand."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from nightreel.demo.band import PICKUPS, SOURCES
from nightreel.demo.night import GAP_LINES, HUM_DBFS, DemoNight, mains_hum, make_show, paths_of
from nightreel.demo.sounds import LTC_START, Sounds
from nightreel.demo.truth import TRAPS, Trouble, Where
from nightreel.errors import AlreadyThere, ArgumentInvalid
from nightreel.ports.desk import Origin
from nightreel.show.files import load_show
from nightreel.show.model import Role
from nightreel.signal.ltc import read_ltc
from nightreel.signal.timecode import TimecodeRate

RATE_HZ = 48_000


@cache
def night() -> DemoNight:
    return DemoNight(seed=3, scale=0.2)


@cache
def sound() -> NDArray[np.float32]:
    return night().render()


def line(number: int) -> NDArray[np.float32]:
    return sound()[:, number - 1]


def level_dbfs(x: NDArray[np.float32]) -> float:
    return 10.0 * math.log10(float(np.mean(np.square(x, dtype=np.float64))) + 1e-30)


def test_the_same_seed_gives_the_same_samples_and_another_one_does_not() -> None:
    again = DemoNight(seed=3, scale=0.2).render([10, 3])
    assert np.array_equal(again, sound()[:, [9, 2]])
    assert not np.array_equal(DemoNight(seed=4, scale=0.2).render([10])[:1000], again[:1000, :1])


def test_every_line_peaks_where_its_preamp_was_set() -> None:
    for number, pickup in enumerate(PICKUPS, 1):
        if pickup.source and number not in (7, 13):
            peak_dbfs = 20.0 * math.log10(float(np.abs(line(number)).max()))
            assert peak_dbfs == pytest.approx(pickup.peak_dbfs, abs=0.3), pickup.name
            assert -20.0 <= peak_dbfs <= -6.0


def test_the_show_is_sound_and_loads_from_its_folder(tmp_path: Path) -> None:
    made = make_show(tmp_path / "demo", seed=3, scale=0.2)
    show = load_show(tmp_path / "demo")
    assert show == made.show
    assert len(show.lines) == 32
    assert {line.role for line in show.lines} == set(Role)
    assert [song.title for song in show.set_list] == [song.name for song in made.songs]
    with pytest.raises(AlreadyThere):
        make_show(tmp_path / "demo")


def test_songs_follow_each_other_inside_the_night() -> None:
    spans = [song.span for song in night().songs]
    assert all(a.end_frame < b.first_frame for a, b in pairwise(spans))
    assert spans[-1].end_frame < night().frames == sound().shape[0]


def test_bleed_arrives_when_and_as_loud_as_its_distance_says() -> None:
    """The crash in the fiddle's microphone, found by cross-correlation of the lone source with what _lay makes."""
    pickup = PICKUPS[15]
    path = paths_of(pickup, RATE_HZ)["crash"]
    metres = math.hypot(
        math.hypot(SOURCES["crash"].x - SOURCES["fiddle"].x, SOURCES["crash"].y - SOURCES["fiddle"].y),
        pickup.distance_m or 0.0,
    )
    assert path.delay_frames == round(metres / 343.2 * RATE_HZ)  # 343.2 m/s at 20 C, ISO 9613-1
    loudness_db = SOURCES["crash"].level_db - 20.0 * math.log10(metres) - pickup.rejects_db  # 6 dB per doubling
    assert 20.0 * math.log10(path.gain) == pytest.approx(loudness_db)
    crash = Sounds(night()._placed, frames=night().frames, rate_hz=RATE_HZ, seed=3).make("crash")
    first = night().songs[0].span.first_frame
    piece = slice(first - 200, first + 24_000)
    want, heard = crash[piece].astype(float), line(16)[piece].astype(float)
    likeness = np.fft.irfft(np.fft.rfft(heard, 65_536) * np.conj(np.fft.rfft(want, 65_536)))
    assert int(np.argmax(np.abs(likeness[:2000]))) == path.delay_frames


def test_kick_in_and_out_hear_one_drum_with_the_same_polarity_until_the_desk_turns_one() -> None:
    piece = slice(night().songs[0].span.first_frame, night().songs[0].span.first_frame + 12_000)
    assert float(np.dot(line(1)[piece], line(2)[piece])) > 0.0
    channels = night().desk().channels
    assert [n for n, channel in enumerate(channels, 1) if channel.polarity < 0] == [2]


def test_the_desk_holds_the_desk_faults_and_nothing_else() -> None:
    paths = {path.send + 1: path for path in night().desk().paths() if path.origin is Origin.SOCKET}
    assert {n: p.port + 1 for n, p in paths.items() if p.port + 1 != n} == {18: 19, 19: 18}
    assert set(range(1, 33)) - set(paths) == {17}
    straight = night().desk(troubled=False).paths()
    assert all(path.port == path.send and path.polarity == 1 for path in straight)


def test_overs_lie_on_their_line_and_in_their_span_only() -> None:
    (planted,) = (p for p in night().truth if p.trouble is Trouble.OVERS)
    full = np.abs(sound()) >= 1.0
    where = np.flatnonzero(full[:, planted.lines[0] - 1])
    assert len(where) >= 20
    assert planted.span.first_frame <= where[0]
    assert where[-1] < planted.span.end_frame
    assert full.sum() == len(where)


def test_the_hum_stands_at_50_hz_and_its_harmonics_before_the_band_plays() -> None:
    quiet = line(13)[:RATE_HZ].astype(float)
    spectrum = np.abs(np.fft.rfft(quiet)) / len(quiet) * math.sqrt(2.0)
    assert 20.0 * math.log10(spectrum[50]) == pytest.approx(HUM_DBFS, abs=0.2)
    strongest = sorted(int(n) for n in np.argsort(spectrum)[-5:])
    assert strongest == [50, 100, 150, 200, 250]
    assert np.allclose(mains_hum(960, RATE_HZ, -40.0), np.tile(mains_hum(960, RATE_HZ, -40.0), 2)[:960])


def test_the_gap_takes_one_flow_for_180_ms_in_the_third_song() -> None:
    (gap,) = night().gaps
    assert gap.channels == tuple(n - 1 for n in GAP_LINES)
    assert gap.frames == 8640
    song = night().songs[2].span
    assert song.first_frame < gap.first_frame < gap.end_frame < song.end_frame


def test_truth_names_six_troubles_with_place_and_span() -> None:
    assert {p.trouble for p in night().truth} == set(Trouble)
    assert {p.where for p in night().truth} == set(Where)
    for planted in night().truth:
        assert planted.lines
        assert planted.span.end_frame <= night().frames


def test_timecode_reads_as_one_unbroken_run_at_25_fps() -> None:
    """Decoded by the product's own reader, which is itself held against libltc in tests/standards."""
    frames = read_ltc(np.ascontiguousarray(line(26)), rate_hz=RATE_HZ)
    assert len(frames) >= night().frames // 1920 - 2
    numbers = [frame.label.number(TimecodeRate.FPS_25) for frame in frames]
    assert all(b - a == 1 for a, b in pairwise(numbers))
    assert 0 <= numbers[0] - LTC_START.number(TimecodeRate.FPS_25) <= 2  # a reader locks within two labels


def test_traps_are_as_they_are_described() -> None:
    songs = [song.span for song in night().songs]
    outside = np.ones(night().frames, dtype=bool)
    for span in songs:
        outside[span.first_frame : span.end_frame + RATE_HZ // 2] = False
    assert not line(25)[outside].any()  # click: digital silence
    assert not line(23)[outside].any()
    assert level_dbfs(line(27)) == pytest.approx(-88.0, abs=0.5)  # talkback: its preamp's noise only
    third = songs[2]
    assert level_dbfs(line(32)[third.first_frame : third.end_frame]) > -40.0
    for span in (songs[0], songs[1], songs[3]):
        assert level_dbfs(line(32)[span.first_frame : span.end_frame]) < -80.0
    bass = line(10)[third.first_frame + 2400 : third.first_frame + 2400 + RATE_HZ].astype(float)
    assert abs(int(np.argmax(np.abs(np.fft.rfft(bass * np.hanning(len(bass))))[:400])) - 100) <= 1
    assert not (np.abs(line(12)) >= 1.0).any()
    assert {n for trap in TRAPS for n in trap.lines} <= set(range(1, 33))


def test_what_cannot_be_rendered_is_refused() -> None:
    with pytest.raises(ArgumentInvalid):
        night().render([33])
    with pytest.raises(ArgumentInvalid):
        DemoNight(scale=0.0)
