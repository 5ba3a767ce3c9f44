"""After a crash the header tells the truth again; no sample changes; a second repair finds nothing to do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from nightreel.disk import FaultyDisk
from nightreel.errors import AudioFileInvalid, DiskTrouble
from nightreel.units import Encoding
from nightreel.wave import Bext, Cue, WaveFormat, WaveReader, WaveWriter, repair

MONO24 = WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24)
SAMPLES = np.random.default_rng(2).uniform(-0.9, 0.9, (1001, 1)).astype(np.float32)
STORED = (np.rint(SAMPLES.astype(np.float64) * 2**23) / 2**23).astype(np.float32)


def crashed(path: Path, *, torn: bytes = b"") -> Path:
    """1001 frames written, 400 claimed, perhaps a torn frame at the end."""
    writer = WaveWriter.create(path, MONO24, bext=Bext(description="kept"))
    writer.write(SAMPLES[:400])
    writer.checkpoint()
    writer.write(SAMPLES[400:])
    writer.abandon()
    with path.open("ab") as file:
        file.write(torn)
    return path


def check(path: Path, frames: int, filled: int = 0) -> None:
    with WaveReader(path) as reader:
        assert reader.frames == reader.frames_present == frames
        assert reader.bext is not None
        expected = np.vstack([STORED[: frames - filled], np.zeros((filled, 1), np.float32)])
        assert np.array_equal(reader.read(0, frames), expected)
    heard, _ = soundfile.read(path, dtype="float32", always_2d=True)
    assert np.array_equal(heard, expected)
    assert (path.stat().st_size) % 2 == 0
    again = repair(path)
    assert not again.changed
    assert again.frames == frames


@pytest.mark.parametrize("torn", [b"", b"\x01", b"\x01\x02"])
def test_what_was_written_after_the_checkpoint_is_claimed_again(tmp_path: Path, torn: bytes) -> None:
    path = crashed(tmp_path / "a.wav", torn=torn)
    report = repair(path)
    assert (report.frames_claimed, report.frames, report.bytes_cut, report.changed) == (400, 1001, len(torn), True)
    check(path, 1001)


def test_a_header_that_claims_too_much_is_lowered(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    with WaveWriter.create(path, MONO24, bext=Bext()) as writer:
        writer.write(SAMPLES)
        at = 4096
    with path.open("r+b") as file:
        file.truncate(at + 3 * 500 + 1)
    report = repair(path)
    assert (report.frames_claimed, report.frames, report.bytes_cut) == (1001, 500, 1)
    check(path, 500)


@pytest.mark.parametrize("frames", [0, 1, 399, 400, 700, 1001, 1500])
def test_all_lines_of_a_take_can_be_made_to_end_alike(tmp_path: Path, frames: int) -> None:
    path = crashed(tmp_path / "a.wav", torn=b"\x07")
    report = repair(path, frames=frames)
    assert report.frames == frames
    assert report.frames_filled == max(0, frames - 1001)
    check(path, frames, filled=report.frames_filled)


def test_a_file_closed_in_good_order_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    with WaveWriter.create(path, MONO24) as writer:
        writer.write(SAMPLES)
        writer.set_cues([Cue(frame=3, label="x")])
    before = path.read_bytes()
    assert not repair(path).changed
    assert path.read_bytes() == before


def test_a_foreign_file_with_chunks_after_the_samples_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, SAMPLES, 48_000, subtype="PCM_16")
    with soundfile.SoundFile(path, "r+") as file:
        file.title = "after the samples"
    before = path.read_bytes()
    assert not repair(path).changed
    assert path.read_bytes() == before


def test_cues_written_just_before_a_crash_are_not_taken_for_samples(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    with WaveWriter.create(path, MONO24, bext=Bext()) as writer:
        writer.write(SAMPLES)
        writer.set_cues([Cue(frame=3, label="x")])
    data = bytearray(path.read_bytes())
    data[4:8] = (4096 + 3004 - 8).to_bytes(4, "little")  # the outer size as it is before the tail is claimed
    path.write_bytes(data)
    report = repair(path)
    assert report.changed
    assert report.frames == 1001
    with WaveReader(path) as reader:
        assert [c.label for c in reader.cues] == ["x"]
    check(path, 1001)


def test_a_file_without_a_usable_header_is_refused_unchanged(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    for data in (b"", b"RIFF", bytes(5000)):
        path.write_bytes(data)
        with pytest.raises(AudioFileInvalid):
            repair(path)
        assert path.read_bytes() == data


@pytest.mark.parametrize("frames", [None, 300, 1200])
@pytest.mark.parametrize("letter", ["E", "F"])
def test_a_repair_that_fails_or_loses_power_makes_it_no_worse(tmp_path: Path, frames: int | None, letter: str) -> None:
    probe = FaultyDisk()
    repair(crashed(tmp_path / "probe.wav", torn=b"\x07"), frames=frames, disk=probe)
    for call in range(1, probe.calls_made):
        path = crashed(tmp_path / f"{call}.wav", torn=b"\x07")
        disk = FaultyDisk.failing_at(call, letter)
        with pytest.raises(DiskTrouble):
            repair(path, frames=frames, disk=disk)
        disk.cut_power(keep=0.5, seed=call)
        heard, _ = soundfile.read(path, dtype="float32", always_2d=True)
        assert len(heard) >= min(400, frames or 400)
        known = min(len(heard), 1001)
        assert np.array_equal(heard[:known], STORED[:known])
        repair(path, frames=frames)
        wanted = 1001 if frames is None else frames
        check(path, wanted, filled=max(0, wanted - 1001))
