"""Reading: spans from mapped memory, foreign chunks carried over, headers that lie."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from nightreel.errors import ArgumentInvalid, AudioFileInvalid, DiskTrouble
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveReader, WaveWriter
from nightreel.wave.chunks import chunk_bytes

STEREO16 = WaveFormat(rate_hz=44_100, channels=2, encoding=Encoding.PCM16)
FMT = chunk_bytes("fmt ", STEREO16.serialise())


def riff(*chunks: bytes) -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def with_format(*fields: int) -> bytes:
    """A file whose format chunk holds these fields."""
    return riff(
        chunk_bytes("fmt ", struct.pack("<HHIIHH" + "H" * (len(fields) - 6), *fields)), chunk_bytes("data", b"")
    )


def put(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "a.wav"
    path.write_bytes(data)
    return path


def test_any_span_equals_the_same_part_of_the_whole(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, (1000, 2)).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", samples, 44_100, subtype="PCM_24")
    with WaveReader(tmp_path / "a.wav") as reader:
        whole = reader.read(0, 1000)
        for first, frames in ((0, 0), (0, 1), (500, 123), (999, 1), (1000, 0)):
            assert np.array_equal(reader.read(first, frames), whole[first : first + frames])
        for first, frames in ((-1, 2), (999, 2), (0, 1 << 60), (5, -1)):
            with pytest.raises(ArgumentInvalid, match="holds 1000 frames"):
                reader.read(first, frames)
        assert reader.packed.size == 6000
        assert not reader.packed.flags.writeable


def test_a_header_that_claims_more_than_there_is_gives_what_there_is(tmp_path: Path) -> None:
    path = put(tmp_path, riff(FMT, b"data" + struct.pack("<I", 4000) + bytes(range(203))))
    with WaveReader(path) as reader:
        assert reader.frames == 1000
        assert reader.frames_present == 50
        assert reader.read(0, 50).shape == (50, 2)


def test_unknown_chunks_are_kept_and_can_be_carried_over(tmp_path: Path) -> None:
    extra = [("odd ", b"\x01\x02\x03"), ("LIST", b"INFOISFT\x04\0\0\0Desk"), ("axml", b"<x/>")]
    path = put(
        tmp_path,
        riff(*(chunk_bytes(*e) for e in extra[:2]), FMT, chunk_bytes("data", bytes(8)), chunk_bytes(*extra[2])),
    )
    with WaveReader(path) as reader:
        assert list(reader.unknown_chunks) == extra
        copy = tmp_path / "b.wav"
        WaveWriter.create(copy, reader.format, kept_chunks=reader.unknown_chunks).close()
    with WaveReader(copy) as reader:
        assert list(reader.unknown_chunks) == extra


def test_damaged_metadata_do_not_stand_in_the_way_of_the_samples(tmp_path: Path) -> None:
    path = put(
        tmp_path, riff(chunk_bytes("bext", b"short"), chunk_bytes("iXML", b"<no"), FMT, chunk_bytes("data", bytes(8)))
    )
    with WaveReader(path) as reader:
        assert reader.bext is None
        assert reader.ixml is None
        assert len(reader.troubles) == 2
        assert reader.read(0, 2).shape == (2, 2)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "no WAVE file"),
        (b"RIFF", "no WAVE file"),
        (b"fLaC" + bytes(100), "no WAVE file"),
        (b"RIFX\0\0\0\0WAVE", "big-endian"),
        (riff(FMT), "no data chunk"),
        (riff(chunk_bytes("data", bytes(8))), "no format chunk"),
        (riff(chunk_bytes("fmt ", FMT[8:18]), chunk_bytes("data", b"")), "instead of at least 16"),
        (with_format(6, 1, 8000, 8000, 1, 8), "0x0006"),
        (with_format(1, 1, 8000, 8000, 1, 8), "8 bit"),
        (with_format(3, 1, 8000, 0, 8, 64), "64 bit"),
        (with_format(1, 0, 48000, 0, 0, 16), "0 channels"),
        (with_format(1, 65535, 48000, 0, 65534, 16), "65535"),
        (with_format(1, 2, 48000, 0, 5, 16), "contradicts"),
        (with_format(0xFFFE, 2, 48000, 0, 4, 16, 22), "short"),
        (b"RF64\xff\xff\xff\xffWAVE" + FMT + chunk_bytes("data", b""), "must begin with a ds64"),
        (b"RF64\xff\xff\xff\xffWAVE" + chunk_bytes("ds64", bytes(20)) + FMT, "ds64 chunk is cut short"),
        (
            b"RF64\xff\xff\xff\xffWAVE" + chunk_bytes("ds64", bytes(24) + b"\xff\xff\xff\xff") + FMT,
            "table of 4294967295 entries",
        ),
    ],
)  # fmt: skip
def test_files_that_cannot_be_read_are_refused_in_words(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(AudioFileInvalid, match=words) as caught:
        WaveReader(put(tmp_path, data))
    assert caught.value.where.endswith("a.wav")


def test_a_missing_file_is_a_disk_trouble(tmp_path: Path) -> None:
    with pytest.raises(DiskTrouble, match="no such file"):
        WaveReader(tmp_path / "none.wav")
    with pytest.raises(DiskTrouble, match="folder"):
        WaveReader(tmp_path)


def test_a_pipe_is_refused_instead_of_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(AudioFileInvalid, match="pipe"):
        WaveReader(tmp_path / "pipe.wav")


def test_a_ds64_that_claims_exabytes_costs_nothing(tmp_path: Path) -> None:
    ds64 = chunk_bytes("ds64", struct.pack("<QQQI", 1 << 62, 1 << 62, 1 << 60, 0))
    path = put(tmp_path, b"RF64\xff\xff\xff\xffWAVE" + ds64 + FMT + b"data\xff\xff\xff\xff" + bytes(400))
    with WaveReader(path) as reader:
        assert reader.frames == 1 << 60
        assert reader.frames_present == 100
        assert reader.read(0, 100).shape == (100, 2)


def test_twenty_valid_bits_in_three_bytes_are_read_as_24(tmp_path: Path) -> None:
    fmt = chunk_bytes("fmt ", struct.pack("<HHIIHH", 1, 1, 48_000, 144_000, 3, 20))
    with WaveReader(put(tmp_path, riff(fmt, chunk_bytes("data", b"\x00\x00\x40")))) as reader:
        assert reader.format.encoding is Encoding.PCM24
        assert reader.read(0, 1)[0, 0] == 0.5
