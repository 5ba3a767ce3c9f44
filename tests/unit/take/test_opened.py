"""A take read by line: over parts, from shared files, with what is missing named and silent."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid, AudioFileInvalid, TakeMissing
from nightreel.show.model import Role
from nightreel.take import open_folder, open_take, write_facts
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveWriter

RATE_HZ = 48_000


def steps(frames: int, channels: int, seed: int = 1) -> NDArray[np.float32]:
    """Values that 24-bit files hold exactly."""
    random = np.random.default_rng(seed)
    return (random.integers(-(2**23), 2**23, (frames, channels)) / 2**23).astype(np.float32)


def write_wave(path: Path, samples: NDArray[np.float32], rate_hz: int = RATE_HZ) -> None:
    path.parent.mkdir(exist_ok=True)
    form = WaveFormat(rate_hz=rate_hz, channels=samples.shape[1], encoding=Encoding.PCM24)
    with WaveWriter.create(path, form) as writer:
        writer.write(samples)


def facts(frames: int, files: dict[int, tuple[TrackFile, ...]]) -> TakeFacts:
    tracks = tuple(
        Track(line=line, name=f"Line {line}", role=Role.MIC, channel=place, files=parts)
        for place, (line, parts) in enumerate(files.items())
    )
    return TakeFacts(
        name="evening-1",
        show="A show",
        rate_hz=RATE_HZ,
        encoding=Encoding.PCM24,
        started_at=datetime(2026, 11, 28, tzinfo=UTC),
        frames=frames,
        tracks=tracks,
        state=TakeState.CLOSED,
    )


def part(path: str, first: int, frames: int, channel: int = 0) -> TrackFile:
    return TrackFile(path=path, first_frame=first, frames=frames, channel=channel)


def test_parts_are_read_across_their_border_and_a_hole_between_them_is_silent(tmp_path: Path) -> None:
    samples = steps(1000, 1)
    write_wave(tmp_path / "tracks/a.wav", samples[:400])
    write_wave(tmp_path / "tracks/b.wav", samples[500:])
    write_facts(tmp_path, facts(1000, {7: (part("tracks/a.wav", 0, 400), part("tracks/b.wav", 500, 500))}))
    with open_take(tmp_path) as take:
        got = take.read([7], 390, 200)[:, 0]
        assert [(m.span.first_frame, m.span.frames, m.why) for m in take.missing] == [(400, 100, "no file for it")]
    assert np.array_equal(got[:10], samples[390:400, 0])
    assert not got[10:110].any()
    assert np.array_equal(got[110:], samples[500:590, 0])


def test_two_lines_of_one_file_are_told_apart(tmp_path: Path) -> None:
    samples = steps(300, 4)
    write_wave(tmp_path / "tracks/all.wav", samples)
    files = {line: (part("tracks/all.wav", 0, 300, channel=line - 1),) for line in (1, 2, 3, 4)}
    write_facts(tmp_path, facts(300, files))
    with open_take(tmp_path) as take:
        assert np.array_equal(take.read([4, 1], 20, 100), samples[20:120][:, [3, 0]])


def test_a_short_file_and_a_missing_one_are_named_and_read_as_zeros(tmp_path: Path) -> None:
    samples = steps(300, 1)
    write_wave(tmp_path / "tracks/a.wav", samples[:200])
    write_facts(tmp_path, facts(300, {1: (part("tracks/a.wav", 0, 300),), 2: (part("tracks/b.wav", 0, 300),)}))
    with open_take(tmp_path) as take:
        got = take.read([1, 2], 0, 300)
        short, missing = take.missing
    assert np.array_equal(got[:200, 0], samples[:200, 0])
    assert not got[200:, 0].any()
    assert not got[:, 1].any()
    assert (short.line, short.span.first_frame, short.span.frames) == (1, 200, 100)
    assert (missing.line, missing.span.frames) == (2, 300)


def test_outside_the_take_there_is_silence_and_an_unknown_line_is_refused(tmp_path: Path) -> None:
    write_wave(tmp_path / "tracks/a.wav", steps(10, 1))
    write_facts(tmp_path, facts(10, {1: (part("tracks/a.wav", 0, 10),)}))
    with open_take(tmp_path) as take:
        assert not take.read([1], 100, 50).any()
        with pytest.raises(ArgumentInvalid, match="no line 9"):
            take.read([9], 0, 1)


def test_a_file_of_another_rate_is_not_read_as_if_it_fitted(tmp_path: Path) -> None:
    write_wave(tmp_path / "tracks/a.wav", steps(10, 1), rate_hz=44_100)
    write_facts(tmp_path, facts(10, {1: (part("tracks/a.wav", 0, 10),)}))
    with open_take(tmp_path) as take:
        assert "44100" in take.missing[0].why
        assert not take.read([1], 0, 10).any()


def test_a_foreign_folder_is_read_in_natural_order_whatever_the_format(tmp_path: Path) -> None:
    samples = steps(5000, 4)
    soundfile.write(tmp_path / "10 Tom.flac", samples[:, 0], RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "2 Snare.aiff", samples[:, 1], RATE_HZ, subtype="PCM_24")
    write_wave(tmp_path / "3 Keys.wav", samples[:3000, 2:3])
    with open_folder(tmp_path) as take:
        assert [(t.line, t.name) for t in take.facts.tracks] == [(2, "Snare"), (3, "Keys"), (10, "Tom")]
        assert take.facts.state is TakeState.FOREIGN
        got = take.read([10, 2, 3], 100, 4000)
        assert [(m.line, m.span.first_frame, m.span.frames) for m in take.missing] == [(3, 3000, 2000)]
    assert np.array_equal(got[:, 0], samples[100:4100, 0])
    assert np.array_equal(got[:, 1], samples[100:4100, 1])
    assert np.array_equal(got[:2900, 2], samples[100:3000, 2])
    assert not got[2900:, 2].any()


def test_a_stereo_file_of_a_foreign_folder_gives_two_lines(tmp_path: Path) -> None:
    samples = steps(500, 2)
    write_wave(tmp_path / "Keys.wav", samples)
    with open_folder(tmp_path) as take:
        assert [t.name for t in take.facts.tracks] == ["Keys 1", "Keys 2"]
        assert np.array_equal(take.read([1, 2], 0, 500), samples)


def test_a_foreign_folder_without_sound_or_with_mixed_rates_is_refused(tmp_path: Path) -> None:
    with pytest.raises(TakeMissing):
        open_folder(tmp_path)
    write_wave(tmp_path / "a.wav", steps(10, 1))
    write_wave(tmp_path / "b.wav", steps(10, 1), rate_hz=44_100)
    with pytest.raises(AudioFileInvalid, match="44100 Hz"):
        open_folder(tmp_path)


def test_a_broken_foreign_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"RIFF\x00\x00\x00\x00WAVEjunk")
    with pytest.raises(AudioFileInvalid, match=r"a\.wav"):
        open_folder(tmp_path)


def test_a_running_take_is_read_as_far_as_its_last_checkpoint(tmp_path: Path) -> None:
    from nightreel.take.facts import facts_json
    from nightreel.take.journal import RecordKind
    from nightreel.take.journal_file import JournalFile

    samples = steps(300, 1)
    write_wave(tmp_path / "tracks/a.wav", samples)
    at_start = replace(facts(0, {1: (part("tracks/a.wav", 0, 0),)}), state=TakeState.RECORDING)
    write_facts(tmp_path, at_start)
    journal = JournalFile.create(tmp_path)
    journal.append(RecordKind.START, 0, {"facts": facts_json(at_start)})
    journal.append(RecordKind.MARK, 50, {"name": "Tin Boats", "song": 1})
    journal.append(RecordKind.CHECKPOINT, 200)
    journal.close()
    with open_take(tmp_path) as take:
        assert take.facts.state is TakeState.RECORDING
        assert take.frames == 200
        assert [m.name for m in take.facts.marks] == ["Tin Boats"]
        assert np.array_equal(take.read([1], 0, 200), samples[:200])
