"""Split sample-exactly, converted cleanly: check values 15, and soxr, libsndfile as peers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
import wavinfo
from tests.unit.handover.small_take import FRAMES, LINES, facts_of, make_show, sound_of

from nightreel.handover import Cut, Request, run_handover
from nightreel.handover.command import parse_lines
from nightreel.handover.samples import Dither
from nightreel.take import TakeFacts, TrackFile, write_facts
from nightreel.units import Encoding
from nightreel.wave import Bext, WaveFormat, WaveReader, WaveWriter, pack

REFERENCE = facts_of().time_reference_frames


def hand_over(tmp_path: Path, *, changes: dict[str, object] | None = None, **asked: object) -> Path:
    """The payload of a handover of the small take."""
    show = make_show(tmp_path / "show", **(changes or {}))
    (tmp_path / "to").mkdir()
    done = run_handover(show, "last", Request(destinations=(tmp_path / "to",), **asked))  # type: ignore[arg-type]
    assert done.outcome is not None
    return done.outcome.deliveries[0].folder / "data"


def in_order(data: Path, name: str) -> list[Path]:
    return sorted(data.glob(f"*/{name}"), key=lambda p: WaveReader(p).bext.time_reference_frames)  # type: ignore[union-attr]


@pytest.mark.parametrize("encoding", list(Encoding))
def test_parts_joined_are_the_original_sample_for_sample(tmp_path: Path, encoding: Encoding) -> None:
    data = hand_over(tmp_path, changes={"encoding": encoding}, cut=Cut.EVERYTHING)
    for line, name, _, _ in LINES:
        joined, frames_before = b"", 0
        readers = [WaveReader(p) for p in data.glob(f"*/{line:02} *.wav")]
        readers.sort(key=lambda r: r.bext.time_reference_frames if r.bext else 0)
        assert len(readers) == 4, name
        for reader in readers:
            assert reader.bext is not None
            assert reader.bext.time_reference_frames == REFERENCE + frames_before
            assert reader.frames * reader.format.frame_bytes == reader.packed.size
            joined += reader.packed.tobytes()
            frames_before += reader.frames
            reader.close()
        assert frames_before == FRAMES
        assert joined == pack(sound_of(line), encoding).tobytes()


def test_flac_decodes_to_what_was_recorded(tmp_path: Path) -> None:
    data = hand_over(tmp_path, flac=True, lines=parse_lines("1,2"))
    heard, rate_hz = soundfile.read(data / "02 Gitarre Süd.flac", dtype="int32")
    stored = pack(sound_of(2), Encoding.PCM24).reshape(-1, 3)
    expected = np.zeros((FRAMES, 4), np.uint8)
    expected[:, 1:] = stored
    assert rate_hz == 48_000
    assert np.array_equal(heard, expected.view("<i4")[:, 0])
    with soundfile.SoundFile(data / "02 Gitarre Süd.flac") as file:
        assert file.album == "Saltmarsh Lanterns, Harbour Arts"
        assert file.title.endswith("2 Gitarre Süd")


def test_parts_converted_and_joined_are_what_the_whole_would_have_become(tmp_path: Path) -> None:
    data = hand_over(tmp_path, cut=Cut.EVERYTHING, rate_hz=44_100, encoding=Encoding.FLOAT32, lines=parse_lines("12"))
    parts = [WaveReader(p) for p in data.glob("*/12 *.wav")]
    parts.sort(key=lambda r: r.bext.time_reference_frames if r.bext else 0)
    joined = np.concatenate([r.read(0, r.frames)[:, 0] for r in parts])
    for reader in parts:
        reader.close()
    stored = (np.rint(sound_of(12).astype(np.float64) * 2**23) / 2**23).astype(np.float32)
    whole = soxr.resample(stored[:, 0], 48_000, 44_100, "VHQ")
    count = min(len(joined), len(whole))
    assert abs(len(joined) - FRAMES * 44_100 / 48_000) <= 1
    assert np.max(np.abs(joined[: count - 50] - whole[: count - 50])) < 1e-6


def test_a_tone_keeps_its_level_and_its_place_at_another_rate(tmp_path: Path) -> None:
    data = hand_over(tmp_path, rate_hz=96_000, lines=parse_lines("1"))
    with WaveReader(data / "01 Kick In.wav") as reader:
        assert reader.format.rate_hz == 96_000
        assert reader.frames == 2 * FRAMES
        heard = reader.read(0, reader.frames)[::2, 0]
    whole = slice(2_400, 93_600)  # whole periods, away from the ends
    tone = np.exp(-2j * np.pi * 100 * np.arange(FRAMES) / 48_000)[whole]
    before, after = np.dot(sound_of(1)[whole, 0], tone), np.dot(heard[whole], tone)
    assert abs(after / before - 1) < 1e-4  # level and phase: 1e-4 rad of 100 Hz are 8 thousandths of a frame


def test_fewer_bits_are_dithered_and_the_same_again_next_time(tmp_path: Path) -> None:
    data = hand_over(tmp_path, encoding=Encoding.PCM16, lines=parse_lines("1"))
    with WaveReader(data / "01 Kick In.wav") as reader:
        error = (reader.read(0, FRAMES) - sound_of(1)).astype(np.float64) * 2**15
    # TPDF of two steps and rounding: variance 1/6 + 1/12 = 1/4 step^2, at most 1.5 steps (Lipshitz et al. 1992)
    assert np.var(error) == pytest.approx(0.25, rel=0.02)
    assert np.max(np.abs(error)) <= 1.5 + 1e-3
    assert abs(np.mean(error)) < 0.01
    block = np.zeros((100, 1), np.float32)
    assert np.array_equal(Dither("a", Encoding.PCM16).add(block), Dither("a", Encoding.PCM16).add(block))


def test_more_bits_hold_every_sample_as_it_was(tmp_path: Path) -> None:
    data = hand_over(tmp_path, encoding=Encoding.PCM32, lines=parse_lines("2"))
    with WaveReader(data / "02 Gitarre Süd.wav") as reader:
        wide = reader.packed.reshape(-1, 4)
        assert not wide[:, 0].any()
        assert np.array_equal(wide[:, 1:].reshape(-1), pack(sound_of(2), Encoding.PCM24))


def test_samples_that_conversion_pushes_over_full_scale_are_counted(tmp_path: Path) -> None:
    show = make_show(tmp_path / "show", encoding=Encoding.FLOAT32)
    (tmp_path / "to").mkdir()
    asked = Request(destinations=(tmp_path / "to",), encoding=Encoding.PCM16, lines=parse_lines("12"))
    track = show / "takes" / "2026-11-28-evening-1" / "tracks" / "12.wav"
    loud = np.full((FRAMES, 1), 1.5, np.float32)
    raw = bytearray(track.read_bytes())
    raw[4096 : 4096 + loud.nbytes] = loud.tobytes()
    track.write_bytes(raw)
    done = run_handover(show, "last", asked)
    assert done.outcome is not None
    assert done.outcome.made[0].clipped == FRAMES


def test_each_part_says_who_it_is_and_what_it_belongs_to(tmp_path: Path) -> None:
    data = hand_over(tmp_path, cut=Cut.SONGS)
    path = data / "02 Salt- and (Light)" / "02 Gitarre Süd.wav"
    seen = wavinfo.WavInfoReader(str(path))
    assert seen.bext.description == "Saltmarsh Lanterns, Harbour Arts: Salt: and <Light>?: 2 Gitarre Sud"
    assert seen.bext.originator == "Nightreel"
    assert seen.bext.originator_date == "2026-11-28"
    assert seen.bext.originator_time == "20:15:00"
    assert seen.bext.time_reference == REFERENCE + 40_000
    assert seen.bext.coding_history.startswith("A=PCM,F=48000,W=24,M=mono,T=Nightreel")
    assert seen.ixml.scene == "Salt: and <Light>?"
    assert [(t.channel_index, t.name) for t in seen.ixml.track_list] == [("2", "Gitarre Süd")]
    families = set()
    with WaveReader(path) as reader:
        assert reader.cues[0].label == "Salt: and <Light>?"
        assert reader.cues[0].frame == 0
    for place, line in enumerate(LINES, 1):
        with WaveReader(next((data / "02 Salt- and (Light)").glob(f"{line[0]:02} *"))) as reader:
            assert reader.ixml is not None
            assert reader.ixml.file_set is not None
            assert (reader.ixml.file_set.total_files, reader.ixml.file_set.index) == (6, str(place))
            families.add(reader.ixml.file_set.family_uid)
    with WaveReader(data / "01 Late Ferry" / "01 Kick In.wav") as reader:
        assert reader.ixml is not None
        assert reader.ixml.file_set is not None
        families.add(reader.ixml.file_set.family_uid)
    assert len(families) == 2


def test_a_missing_or_short_track_file_gives_silence_there(tmp_path: Path) -> None:
    show = make_show(tmp_path / "show")
    (tmp_path / "to").mkdir()
    tracks = show / "takes" / "2026-11-28-evening-1" / "tracks"
    (tracks / "01.wav").unlink()
    with (tracks / "02.wav").open("r+b") as file:
        file.truncate(4096 + 3 * 1000)
    done = run_handover(show, "last", Request(destinations=(tmp_path / "to",), lines=parse_lines("1,2")))
    assert done.outcome is not None
    assert [text.split(":")[0] for text in done.plan.missing] == ["line 1", "line 2"]
    assert (
        "nothing from 0:00:00.021 on for 0:01: the file is shorter than its account (tracks/02.wav)"
        in (done.plan.missing[1])
    )
    page = (tmp_path / "to" / "2026-11-28-evening-1-whole-receipt.html").read_text()
    assert "But 2 files of the take are not whole." in page
    assert "Missing in the take, silent here" in page
    data = done.outcome.deliveries[0].folder / "data"
    with WaveReader(data / "01 Kick In.wav") as one, WaveReader(data / "02 Gitarre Süd.wav") as two:
        assert one.frames == two.frames == FRAMES
        assert not one.packed.any()
        assert two.packed[:3000].tobytes() == pack(sound_of(2)[:1000], Encoding.PCM24).tobytes()
        assert not two.packed[3000:].any()


@pytest.mark.parametrize("polyphonic", [False, True])
def test_segments_and_files_of_many_lines_come_out_as_one_line_each(tmp_path: Path, polyphonic: bool) -> None:
    """The take's files hold 40 000 frames, then the rest; or all lines side by side in those two files."""
    show = make_show(tmp_path / "show")
    (tmp_path / "to").mkdir()
    take = show / "takes" / "2026-11-28-evening-1"
    facts = facts_of()
    lines = [track.line for track in facts.tracks]
    sounds = np.hstack([sound_of(line) for line in lines])
    spans = ((0, 40_000), (40_000, FRAMES - 40_000))
    tracks = []
    for place, track in enumerate(facts.tracks):
        files = []
        for number, (first, frames) in enumerate(spans):
            path = f"tracks/all {number}.wav" if polyphonic else f"tracks/{track.line} {number}.wav"
            channel = place if polyphonic else 0
            files.append(TrackFile(path=path, first_frame=first, frames=frames, channel=channel))
            if not (take / path).exists():
                block = sounds if polyphonic else sounds[:, place : place + 1]
                fmt = WaveFormat(rate_hz=48_000, channels=block.shape[1], encoding=Encoding.PCM24)
                with WaveWriter.create(take / path, fmt) as writer:
                    writer.write(block[first : first + frames])
        tracks.append(replace(track, files=tuple(files)))
    write_facts(take, replace(facts, tracks=tuple(tracks)))
    done = run_handover(show, "last", Request(destinations=(tmp_path / "to",)))
    assert done.outcome is not None
    for line in lines:
        with WaveReader(next((done.outcome.deliveries[0].folder / "data").glob(f"{line:02} *.wav"))) as reader:
            assert reader.packed.tobytes() == pack(sound_of(line), Encoding.PCM24).tobytes()


def test_a_folder_of_mixed_files_loses_no_bit_and_keeps_what_they_say(tmp_path: Path) -> None:
    folder = tmp_path / "theirs"
    folder.mkdir()
    (tmp_path / "to").mkdir()
    sounds = {n: np.random.default_rng(n).uniform(-0.5, 0.5, (3000 + n, 1)).astype(np.float32) for n in (1, 2, 3, 4)}
    soundfile.write(folder / "01 Low.wav", sounds[1], 48_000, subtype="PCM_16")
    soundfile.write(folder / "02 Deep.flac", sounds[2], 48_000, subtype="PCM_24")
    bext = Bext(description="Theirs", originator="Somebody", time_reference_frames=7, coding_history="A=PCM,T=theirs")
    fmt = WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24)
    with WaveWriter.create(folder / "03 Wide.wav", fmt, bext=bext, kept_chunks=[("axml", b"<x/>")]) as writer:
        writer.write(sounds[3])
    soundfile.write(folder / "04 Late.wav", sounds[4], 48_000, subtype="PCM_24")
    done = run_handover(folder, "last", Request(destinations=(tmp_path / "to",), name="x"))
    assert done.outcome is not None
    assert done.plan.encoding is Encoding.PCM24
    data = tmp_path / "to" / "x" / "data"
    for path in sorted(folder.iterdir()):
        theirs, _ = soundfile.read(path, dtype="float32", always_2d=True)
        with WaveReader(data / f"{path.stem}.wav") as reader:
            ours = reader.read(0, reader.frames)
            assert len(ours) == 3004
            assert np.array_equal(ours[: len(theirs)], theirs)
            assert not ours[len(theirs) :].any()
    with WaveReader(data / "03 Wide.wav") as reader:
        assert reader.bext is not None
        assert (reader.bext.description, reader.bext.originator) == ("Theirs", "Somebody")
        assert reader.bext.coding_history == "A=PCM,T=theirs"
        assert reader.unknown_chunks == (("axml", b"<x/>"),)
    with WaveReader(data / "01 Low.wav") as reader:
        assert reader.bext is not None
        assert "recorded" not in reader.bext.coding_history


def test_the_take_is_left_as_it_was(tmp_path: Path) -> None:
    show = make_show(tmp_path / "show")
    (tmp_path / "to").mkdir()
    before = {p: p.read_bytes() for p in sorted((show / "takes").rglob("*")) if p.is_file()}
    run_handover(show, "last", Request(destinations=(tmp_path / "to",), cut=Cut.SONGS, mix=True))
    assert {p: p.read_bytes() for p in sorted((show / "takes").rglob("*")) if p.is_file()} == before
    assert isinstance(facts_of(), TakeFacts)
