"""Whatever is written is read back, however it was cut into blocks."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.units import Encoding
from nightreel.wave import Bext, Cue, Ixml, IxmlTrack, WaveFormat, WaveReader, WaveWriter, pack, repair, unpack

texts = st.text(max_size=20)
xml_texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Co", "Cn", "Zs"]), max_size=20)
hundredths = st.none() | st.integers(-9000, 3000).map(lambda n: n / 100)
ascii_texts = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=30)
bexts = st.builds(
    Bext,
    description=ascii_texts,
    originator=ascii_texts,
    time_reference_frames=st.integers(0, 2**64 - 1),
    integrated_lufs=hundredths,
    max_true_peak_dbtp=hundredths,
    umid=st.sampled_from([b"", bytes(range(1, 33))]),
    coding_history=st.sampled_from(["", "A=PCM", "A=PCM\nA=PCM,T=x"]),
)
ixmls = st.builds(
    Ixml,
    project=xml_texts,
    note=xml_texts,
    rate_hz=st.none() | st.sampled_from([48_000]),
    timestamp_frames=st.none() | st.integers(0, 2**64 - 1),
    tracks=st.lists(
        st.builds(IxmlTrack, channel_index=st.integers(1, 99), interleave_index=st.integers(1, 9), name=xml_texts),
        max_size=3,
    ).map(tuple),
)
cue_lists = st.lists(
    st.builds(
        Cue,
        frame=st.integers(0, 2**32 - 1),
        label=xml_texts,
        note=xml_texts,
        frames=st.integers(0, 2**32 - 1),
    ),
    max_size=5,
    unique_by=lambda cue: cue.frame,
)


@settings(max_examples=60, deadline=None)
@given(
    data=st.data(),
    encoding=st.sampled_from(list(Encoding)),
    channels=st.integers(1, 5),
    frames=st.integers(0, 300),
    bext=st.none() | bexts,
    ixml=st.none() | ixmls,
    cues=cue_lists,
)
def test_a_file_gives_back_what_was_put_in(
    data: st.DataObject,
    encoding: Encoding,
    channels: int,
    frames: int,
    bext: Bext | None,
    ixml: Ixml | None,
    cues: list[Cue],
) -> None:
    cuts = sorted(data.draw(st.lists(st.integers(0, frames), max_size=4)))
    samples = np.random.default_rng(frames).uniform(-1.1, 1.1, (frames, channels)).astype(np.float32)
    fmt = WaveFormat(rate_hz=48_000, channels=channels, encoding=encoding)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        with WaveWriter.create(path, fmt, bext=bext, ixml=ixml, kept_chunks=[("odd ", b"123")]) as writer:
            for part in np.split(samples, cuts):
                writer.write(part)
                if data.draw(st.booleans()):
                    writer.checkpoint()
            writer.set_cues(cues)
        with WaveReader(path) as reader:
            assert reader.format == fmt
            assert reader.frames == reader.frames_present == frames
            assert np.array_equal(reader.read(0, frames), unpack(pack(samples, encoding), encoding, channels))
            assert reader.bext == bext
            assert reader.ixml == ixml
            assert reader.cues == tuple(sorted(cues))
            assert reader.unknown_chunks == (("odd ", b"123"),)
            assert reader.troubles == ()


@settings(max_examples=80, deadline=None)
@given(
    encoding=st.sampled_from(list(Encoding)),
    channels=st.integers(1, 3),
    claimed=st.integers(0, 200),
    written=st.integers(0, 200),
    cut=st.integers(0, 2500),
    large=st.booleans(),
)
def test_a_file_cut_anywhere_is_repaired_to_its_last_whole_frame(
    encoding: Encoding, channels: int, claimed: int, written: int, cut: int, large: bool
) -> None:
    samples = np.random.default_rng(claimed).uniform(-1, 1, (claimed + written, channels)).astype(np.float32)
    fmt = WaveFormat(rate_hz=48_000, channels=channels, encoding=encoding)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        writer = WaveWriter.create(path, fmt)
        writer._large = large  # as if it had passed 4 GiB
        writer.write(samples[:claimed])
        writer.checkpoint()
        writer.write(samples[claimed:])
        writer.abandon()
        with path.open("r+b") as file:
            file.truncate(min(4096 + cut, path.stat().st_size))
        whole = (path.stat().st_size - 4096) // fmt.frame_bytes
        report = repair(path)
        assert report.frames == whole
        with WaveReader(path) as reader:
            assert reader.form == ("RF64" if large else "RIFF")
            assert reader.frames == reader.frames_present == whole
            assert np.array_equal(reader.read(0, whole), unpack(pack(samples[:whole], encoding), encoding, channels))
        assert not repair(path).changed
