"""Writing in place: the file is good at every checkpoint, segments end where asked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from nightreel.errors import AlreadyThere, ArgumentInvalid, DiskTrouble
from nightreel.units import Encoding
from nightreel.wave import Bext, Cue, Ixml, WaveFormat, WaveReader, WaveWriter, pack

MONO24 = WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24)


def noise(frames: int, channels: int = 1) -> np.ndarray:
    return np.random.default_rng(frames).uniform(-0.9, 0.9, (frames, channels)).astype(np.float32)


def test_the_file_opens_at_every_checkpoint_with_what_the_checkpoint_said(tmp_path: Path) -> None:
    path, samples = tmp_path / "a.wav", noise(1000)
    writer = WaveWriter.create(path, MONO24)
    assert soundfile.info(path).frames == 0
    for first in range(0, 1000, 333):
        writer.write(samples[first : first + 333])
        claimed = writer.checkpoint()
        assert writer.frames - 1 <= claimed <= writer.frames
        heard, _ = soundfile.read(path, dtype="float32", always_2d=True)
        with WaveReader(path) as reader:
            assert np.array_equal(heard, reader.read(0, claimed))
        assert len(heard) == claimed
    writer.close()
    assert soundfile.info(path).frames == 1000


def test_samples_after_the_last_checkpoint_are_not_claimed(tmp_path: Path) -> None:
    writer = WaveWriter.create(tmp_path / "a.wav", MONO24)
    writer.write(noise(100))
    writer.checkpoint()
    writer.write(noise(100))
    writer.abandon()
    with WaveReader(tmp_path / "a.wav") as reader:
        assert reader.frames == 100


def test_packed_bytes_give_the_same_file_as_samples(tmp_path: Path) -> None:
    fmt = WaveFormat(rate_hz=96_000, channels=3, encoding=Encoding.PCM16)
    samples = noise(500, 3)
    with WaveWriter.create(tmp_path / "a.wav", fmt) as a, WaveWriter.create(tmp_path / "b.wav", fmt) as b:
        a.write(samples)
        for part in np.array_split(pack(samples, Encoding.PCM16).reshape(500, -1), 7):
            b.write_packed(part)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()
    with pytest.raises(ValueError, match="whole frames"):
        b.write_packed(b"1234567")
    with pytest.raises(ValueError, match="3 channels"):
        b.write(noise(5, 2))


def test_an_existing_file_is_never_touched(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"mine")
    with pytest.raises(AlreadyThere):
        WaveWriter.create(tmp_path / "a.wav", MONO24)
    assert (tmp_path / "a.wav").read_bytes() == b"mine"


def test_a_segment_that_fills_its_limit_stays_within_it_when_closed(tmp_path: Path) -> None:
    limit = 100_001
    with WaveWriter.create(tmp_path / "a.wav", MONO24, bext=Bext(), ixml=Ixml(project="x")) as writer:
        frames = writer.frames_until(limit, tail_bytes=200)
        writer.write(noise(frames))
        assert writer.frames_until(limit, tail_bytes=200) == 0
        writer.set_cues([Cue(frame=1, label="one")])
    assert limit - 200 - 4 < (tmp_path / "a.wav").stat().st_size <= limit
    assert writer.frames_until(100) == 0


def test_bext_can_be_renewed_in_place_when_the_loudness_is_known(tmp_path: Path) -> None:
    with WaveWriter.create(tmp_path / "a.wav", MONO24, bext=Bext(description="x", coding_history="A=PCM")) as writer:
        writer.write(noise(10))
        writer.update_bext(Bext(description="x", coding_history="A=PCM", integrated_lufs=-23.0))
        with pytest.raises(ValueError, match="bytes"):
            writer.update_bext(Bext(coding_history="A=PCM,longer"))
    with WaveReader(tmp_path / "a.wav") as reader:
        assert reader.bext == Bext(description="x", coding_history="A=PCM", integrated_lufs=-23.0)
        assert reader.frames == 10


@pytest.mark.parametrize("name", ["abc", "abcde", "ab\nc", "äbcd", "鼓abc"])
def test_a_chunk_without_a_proper_name_is_not_written(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="no name of a chunk"):
        WaveWriter.create(tmp_path / "a.wav", MONO24, kept_chunks=[(name, b"")])
    assert not (tmp_path / "a.wav").exists()


def test_closing_twice_is_harmless_and_clips_are_counted(tmp_path: Path) -> None:
    writer = WaveWriter.create(tmp_path / "a.wav", MONO24)
    writer.write(np.array([[1.5], [0.0], [-1.5]], np.float32))
    writer.close()
    writer.close()
    assert writer.clipped == 2


def test_a_missing_folder_is_a_disk_trouble(tmp_path: Path) -> None:
    with pytest.raises(DiskTrouble):
        WaveWriter.create(tmp_path / "no" / "a.wav", MONO24)


@pytest.mark.parametrize(("rate_hz", "channels"), [(0, 1), (48_000, 0), (48_000, 5000), (10**7, 1)])
def test_formats_out_of_bounds_are_refused(rate_hz: int, channels: int) -> None:
    with pytest.raises(ArgumentInvalid):
        WaveFormat(rate_hz=rate_hz, channels=channels, encoding=Encoding.PCM24)
