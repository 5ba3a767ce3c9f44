"""WAVE files as source and sink; peers: libsndfile through soundfile."""

import numpy as np
import pytest
import soundfile

from nightreel.errors import AlreadyThere, ArgumentInvalid, AudioFileInvalid
from nightreel.ports.files import FileSink, FileSource
from nightreel.ports.protocols import EndOfFrames
from nightreel.timeline import Gap, GapCause

RATE_HZ = 48_000


def noise_24(frames, channels, seed=1):
    steps = np.random.default_rng(seed).integers(-(2**23), 2**23, (frames, channels))
    return (steps / 2**23).astype(np.float32)


def read_all(source):
    blocks = []
    while True:
        try:
            blocks.append(source.read(timeout_s=0.0))
        except EndOfFrames:
            return blocks


def test_files_of_libsndfile_are_read_as_one_in_the_order_given(tmp_path):
    whole = noise_24(5000, 5)
    soundfile.write(tmp_path / "a.wav", whole[:, :2], RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "b.wav", whole[:, 2:3], RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "c.WAV", whole[:, 3:], RATE_HZ, subtype="FLOAT")
    source = FileSource.of_folder(tmp_path, block_frames=777)
    assert (source.rate_hz, source.channels, source.frames) == (RATE_HZ, 5, 5000)
    assert np.array_equal(np.concatenate([b.samples for b in read_all(source)]), whole)
    source.stop()


def test_a_shorter_file_leaves_its_channels_in_a_gap(tmp_path):
    whole = noise_24(1000, 3)
    soundfile.write(tmp_path / "1.wav", whole[:, :1], RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "2.wav", whole[:600, 1:], RATE_HZ, subtype="PCM_24")
    source = FileSource([tmp_path / "1.wav", tmp_path / "2.wav"], block_frames=500)
    blocks = read_all(source)
    source.stop()
    assert blocks[0].gaps == ()
    assert blocks[1].gaps == (Gap(first_frame=600, frames=400, cause=GapCause.UNKNOWN, channels=(1, 2)),)
    got = np.concatenate([b.samples for b in blocks])
    assert np.array_equal(got[:600], whole[:600])
    assert not got[600:, 1:].any()
    assert np.array_equal(got[:, 0], whole[:, 0])


def test_files_of_two_rates_are_refused_with_both_named(tmp_path):
    soundfile.write(tmp_path / "1.wav", noise_24(10, 1), 48_000, subtype="PCM_24")
    soundfile.write(tmp_path / "2.wav", noise_24(10, 1), 44_100, subtype="PCM_24")
    with pytest.raises(AudioFileInvalid, match=r"2.wav: it runs at 44.1 kHz, '1.wav' at 48 kHz"):
        FileSource.of_folder(tmp_path)


def test_no_file_or_a_broken_one_is_refused(tmp_path):
    with pytest.raises(ArgumentInvalid):
        FileSource([])
    (tmp_path / "x.wav").write_bytes(b"RIFFxxxxWAVE")
    with pytest.raises(AudioFileInvalid):
        FileSource.of_folder(tmp_path)


@pytest.mark.parametrize("names", [["all.wav"], ["1.wav", "2.wav", "3.wav"]])
def test_what_a_sink_wrote_libsndfile_reads(tmp_path, names):
    whole = noise_24(3000, 3)
    sink = FileSink([tmp_path / name for name in names], rate_hz=RATE_HZ, channels=3)
    sink.start()
    sink.write(whole[:1000])
    sink.write(whole[1000:])
    sink.flush()
    sink.stop()
    back = np.concatenate([soundfile.read(tmp_path / n, dtype="float32", always_2d=True)[0] for n in names], axis=1)
    assert np.array_equal(back, whole)


def test_a_sink_overwrites_nothing(tmp_path):
    (tmp_path / "2.wav").write_bytes(b"precious")
    sink = FileSink([tmp_path / "1.wav", tmp_path / "2.wav"], rate_hz=RATE_HZ, channels=2)
    with pytest.raises(AlreadyThere):
        sink.start()
    sink.stop()
    assert (tmp_path / "2.wav").read_bytes() == b"precious"
    assert not (tmp_path / "1.wav").exists()
    with pytest.raises(ArgumentInvalid):
        FileSink([tmp_path / "a.wav", tmp_path / "b.wav"], rate_hz=RATE_HZ, channels=3)
