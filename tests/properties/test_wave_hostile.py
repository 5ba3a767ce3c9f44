"""No byte string crashes the parsers, hangs them or makes them allocate on the strength of a claim."""

from __future__ import annotations

import contextlib
import io
import struct
import tempfile
import tracemalloc
from pathlib import Path

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from nightreel.errors import AudioFileInvalid
from nightreel.units import Encoding
from nightreel.wave import (
    Bext,
    Cue,
    Ixml,
    WaveFormat,
    WaveReader,
    WaveWriter,
    parse_bext,
    parse_cues,
    parse_format,
    parse_ixml,
    repair,
)
from nightreel.wave.chunks import read_skeleton

MOST_ALLOCATED_BYTES = 4 << 20


def good_file(large: bool) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        fmt = WaveFormat(rate_hz=48_000, channels=2, encoding=Encoding.PCM24)
        writer = WaveWriter.create(path, fmt, bext=Bext(coding_history="A=PCM"), ixml=Ixml(project="x"))
        writer._large = large
        writer.write(np.zeros((50, 2), np.float32))
        writer.set_cues([Cue(frame=3, label="x", note="y", frames=4)])
        writer.close()
        return path.read_bytes()


GOOD = (good_file(False), good_file(True))
FIELDS = [0, 4, 8, 12, 16, 20, 28, 36, 44, 48, 52, 56, 58, 60, 64, 68, 70, 72, 76, 4088, 4092]
FIELDS += [GOOD[0].index(b"cue ") + n for n in (0, 4, 8, 12, 32)] + [
    GOOD[0].index(b"LIST") + n for n in (0, 4, 8, 12, 16)
]
values = st.sampled_from([0, 1, 2, 3, 7, 8, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF]) | st.integers(0, 2**32 - 1)
names = st.sampled_from(
    [b"RIFF", b"RF64", b"BW64", b"WAVE", b"data", b"fmt ", b"ds64", b"JUNK", b"LIST", b"cue ", b"bext"]
)
changes = st.lists(st.tuples(st.sampled_from(FIELDS), values.map(lambda v: struct.pack("<I", v)) | names), max_size=6)


def try_everything(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        path.write_bytes(data)
        tracemalloc.start()
        try:
            with WaveReader(path) as reader:
                assert 0 <= reader.frames_present * reader.format.frame_bytes <= len(data)
                assert reader.read(0, reader.frames_present).shape == (reader.frames_present, reader.format.channels)
                _ = (reader.bext, reader.ixml, reader.cues, reader.unknown_chunks, reader.troubles)
        except AudioFileInvalid:
            pass
        assert tracemalloc.get_traced_memory()[1] < MOST_ALLOCATED_BYTES + 8 * len(data)
        tracemalloc.stop()
        try:
            report = repair(path)
        except AudioFileInvalid:
            assert path.read_bytes() == data
        else:
            with WaveReader(path) as reader:
                assert reader.frames == reader.frames_present == report.frames
            assert not repair(path).changed
            assert path.stat().st_size <= len(data) + 1


@settings(max_examples=250, deadline=None)
@given(base=st.sampled_from(GOOD), changes=changes, cut=st.none() | st.integers(0, 4600), more=st.binary(max_size=9))
def test_changed_cut_and_lengthened_files(
    base: bytes, changes: list[tuple[int, bytes]], cut: int | None, more: bytes
) -> None:
    data = bytearray(base)
    for offset, value in changes:
        data[offset : offset + 4] = value
    try_everything(bytes(data[:cut]) + more)


chunk_lists = st.lists(
    st.tuples(names | st.binary(min_size=4, max_size=4), values, st.binary(max_size=70)), max_size=8
).map(lambda parts: b"".join(name + struct.pack("<I", size) + body for name, size, body in parts))


@settings(max_examples=200, deadline=None)
@given(form=st.sampled_from([b"RIFF", b"RF64", b"BW64"]), outer=values, body=chunk_lists)
@example(form=b"RIFF", outer=0, body=b"fmt \0\0\0\0" * 3000)
def test_any_chain_of_chunks(form: bytes, outer: int, body: bytes) -> None:
    try_everything(form + struct.pack("<I", outer) + b"WAVE" + body)


@settings(max_examples=200)
@given(st.binary(max_size=900))
def test_any_bytes_as_any_chunk(data: bytes) -> None:
    for parse in (parse_bext, parse_ixml, parse_format):
        with contextlib.suppress(AudioFileInvalid):
            parse(data)
    parse_cues(data, data)
    parse_cues(data, b"adtl" + data)
    file = io.BytesIO(data)

    def read_at(offset: int, size_bytes: int) -> bytes:
        file.seek(offset)
        return file.read(size_bytes)

    with contextlib.suppress(AudioFileInvalid):
        read_skeleton(read_at, len(data))
