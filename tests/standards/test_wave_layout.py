"""Headers of ours byte by byte.

Sources: RIFF 1991 (chunks, 16-byte format, cue, adtl); Microsoft WAVEFORMATEXTENSIBLE (40 bytes, GUID); EBU Tech 3285
v2 section 2.3 (bext); EBU Tech 3306 and ITU-R BS.2088 (RF64, BW64, ds64, the JUNK reserve). Offsets and worked bytes
as collected in docs/formats/wave.md, which tags what comes from memory.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from nightreel.disk import RealDisk
from nightreel.disk.storage import OpenFile
from nightreel.units import Encoding
from nightreel.wave import Bext, Cue, WaveFormat, WaveReader, WaveWriter, repair, serialise_cues

PCM_GUID = bytes.fromhex("0100000000001000800000AA00389B71")


def written(path: Path, fmt: WaveFormat, frames: int, *, bext: Bext | None = None, cues: tuple[Cue, ...] = ()) -> bytes:
    with WaveWriter.create(path, fmt, bext=bext) as writer:
        writer.write(np.zeros((frames, fmt.channels), np.float32))
        writer.set_cues(cues)
    return path.read_bytes()


def test_a_riff_file_begins_with_the_reserve_for_ds64(tmp_path: Path) -> None:
    data = written(tmp_path / "a.wav", WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24), 480)
    assert data[:4] == b"RIFF"
    assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8
    assert data[8:12] == b"WAVE"
    assert data[12:20] == b"JUNK\x1c\0\0\0"
    assert data[48:56] == b"fmt \x10\0\0\0"
    assert struct.unpack_from("<HHIIHH", data, 56) == (1, 1, 48_000, 144_000, 3, 24)
    at = data.index(b"data")
    assert (at + 8) % 4096 == 0
    assert struct.unpack_from("<I", data, at + 4)[0] == 480 * 3


def test_an_odd_data_chunk_is_followed_by_a_pad_byte_that_is_not_counted(tmp_path: Path) -> None:
    data = written(tmp_path / "a.wav", WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24), 3)
    at = data.index(b"data")
    assert struct.unpack_from("<I", data, at + 4)[0] == 9
    assert len(data) == at + 8 + 10
    assert struct.unpack_from("<I", data, 4)[0] == len(data) - 8


def test_more_than_two_channels_use_the_extensible_format(tmp_path: Path) -> None:
    data = written(tmp_path / "a.wav", WaveFormat(rate_hz=96_000, channels=5, encoding=Encoding.PCM24), 1)
    assert data[48:56] == b"fmt \x28\0\0\0"
    assert struct.unpack_from("<HHIIHH", data, 56) == (0xFFFE, 5, 96_000, 1_440_000, 15, 24)
    assert struct.unpack_from("<HHI", data, 72) == (22, 24, 0)
    assert data[80:96] == PCM_GUID


def test_float_files_carry_cbsize_and_the_frame_count_in_fact(tmp_path: Path) -> None:
    data = written(tmp_path / "a.wav", WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.FLOAT32), 7)
    assert struct.unpack_from("<HHIIHHH", data, 56) == (3, 1, 48_000, 192_000, 4, 32, 0)
    at = data.index(b"fact")
    assert struct.unpack_from("<II", data, at + 4) == (4, 7)
    poly = written(tmp_path / "b.wav", WaveFormat(rate_hz=48_000, channels=3, encoding=Encoding.FLOAT32), 7)
    assert poly[80:96] == b"\x03" + PCM_GUID[1:]


FULL = Bext(
    description="D",
    originator="O",
    originator_reference="R",
    origination_date="2026-11-28",
    origination_time="20:15:00",
    time_reference_frames=6_912_000_000,  # 10:00:00 at 192 kHz
    umid=b"\x06\x0a\x2b\x34" + b"\x13" * 28,
    integrated_lufs=-23.0,
    loudness_range_lu=8.5,
    max_true_peak_dbtp=-1.0,
    coding_history="A=PCM,F=48000,W=24,M=stereo,T=text",
)


@pytest.mark.parametrize(
    ("offset", "expected"),
    [
        (0, b"D\0"),
        (256, b"O\0"),
        (288, b"R\0"),
        (320, b"2026-11-28"),
        (330, b"20:15:00"),
        (338, bytes.fromhex("00C0FC9B01000000")),
        (346, b"\x02\0"),
        (348, b"\x06\x0a\x2b\x34"),
        (380, bytes(32)),
        (412, bytes.fromhex("04F7")),
        (414, bytes.fromhex("5203")),
        (416, bytes.fromhex("9CFF")),
        (418, bytes.fromhex("FF7F")),
        (420, bytes.fromhex("FF7F")),
        (422, bytes(180)),
        (602, b"A=PCM,F=48000,W=24,M=stereo,T=text\r\n"),
    ],
)
def test_bext_fields_stand_at_their_offsets(offset: int, expected: bytes) -> None:
    assert FULL.serialise()[offset : offset + len(expected)] == expected


def test_bext_without_history_has_602_bytes() -> None:
    assert len(Bext().serialise()) == 602


@pytest.mark.parametrize(
    ("frames", "expected"),
    [
        (1_728_000_000, "0030FF6600000000"),  # 10:00:00 at 48 kHz
        (1_587_600_000, "80DAA05E00000000"),  # at 44.1 kHz
        (3_456_000_000, "0060FECD00000000"),  # at 96 kHz
    ],
)
def test_ten_o_clock_as_time_reference(frames: int, expected: str) -> None:
    assert Bext(time_reference_frames=frames).serialise()[338:346] == bytes.fromhex(expected)


def test_cue_and_adtl_sizes_of_two_labelled_cues() -> None:
    data = serialise_cues([Cue(frame=480, label="Song 1"), Cue(frame=2400, label="Song Two")])
    assert data[:8] == b"cue " + struct.pack("<I", 52)
    assert struct.unpack_from("<III4sIII", data, 8) == (2, 1, 480, b"data", 0, 0, 480)
    assert data[60:72] == b"LIST" + struct.pack("<I", 46) + b"adtl"
    assert data[72:92] == b"labl" + struct.pack("<II", 11, 1) + b"Song 1\0\0"
    assert len(data) == 60 + 8 + 46


class SparseDisk(RealDisk):
    """Leaves long runs of zeros out, so that files of many GiB take no room and no time."""

    def create(self, path: Path) -> OpenFile:
        file = super().create(path)
        honest = file.write_at

        def write_at(offset: int, data: bytes) -> None:
            view = memoryview(data)
            if view.nbytes >= 1 << 24:
                file.truncate(offset + view.nbytes)
            else:
                honest(offset, data)

        file.write_at = write_at  # type: ignore[method-assign,assignment]
        return file


HUGE = np.zeros(3 << 26, np.uint8)  # 201 MB of 24-bit zeros, never touched


@pytest.mark.parametrize("form", ["RF64", "BW64"])
def test_a_file_passes_4_gib_without_a_rewrite(tmp_path: Path, form: str) -> None:
    path = tmp_path / "long.wav"
    fmt = WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24)
    writer = WaveWriter.create(path, fmt, bext=FULL, large_form=form, disk=SparseDisk())
    seen = set()
    with writer:
        writer.write_packed(b"\x01\x02\x03")
        for _ in range(22):
            writer.write_packed(HUGE)
            claimed = writer.checkpoint()
            with WaveReader(path) as reader:
                seen.add(reader.form)
                assert reader.frames == reader.frames_present == claimed
        writer.write_packed(b"\x04\x05\x06")
        writer.set_cues([Cue(frame=1_400_000_000, label="late")])
    assert seen == {"RIFF", form}
    total = path.stat().st_size
    data_bytes = 22 * HUGE.size + 6
    with path.open("rb") as file:
        head = file.read(4096)
    assert head[:16] == form.encode() + b"\xff\xff\xff\xffWAVEds64"
    assert struct.unpack_from("<IQQQI", head, 16) == (28, total - 8, data_bytes, data_bytes // 3, 0)
    assert head[-8:] == b"data\xff\xff\xff\xff"
    with WaveReader(path) as reader:
        assert reader.frames == data_bytes // 3
        assert reader.packed[:3].tobytes() == b"\x01\x02\x03"
        assert reader.packed[-3:].tobytes() == b"\x04\x05\x06"
        assert reader.cues == (Cue(frame=1_400_000_000, label="late"),)
        assert reader.bext == FULL
    assert not repair(path).changed


def test_the_last_riff_size_and_the_first_rf64_size_are_where_32_bits_end(tmp_path: Path) -> None:
    fmt = WaveFormat(rate_hz=48_000, channels=2, encoding=Encoding.PCM16)
    for more, form in ((0, "RIFF"), (1, "RF64")):
        path = tmp_path / f"{more}.wav"
        writer = WaveWriter.create(path, fmt, disk=SparseDisk())
        frames = ((0xFFFFFFFE + 8) - 4096) // 4 + more
        for part in np.array_split(np.zeros(frames * 4, np.uint8).reshape(-1, 4), 16):
            writer.write_packed(part)
        writer.close()
        with WaveReader(path) as reader:
            assert reader.form == form
            assert reader.frames == reader.frames_present == frames


def test_a_long_take_crashed_above_4_gib_is_repaired(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    fmt = WaveFormat(rate_hz=96_000, channels=1, encoding=Encoding.PCM24)
    writer = WaveWriter.create(path, fmt, disk=SparseDisk())
    for _ in range(20):
        writer.write_packed(HUGE)
    writer.checkpoint()  # still RIFF
    for _ in range(5):
        writer.write_packed(HUGE)
    writer.abandon()
    with WaveReader(path) as reader:
        assert reader.form == "RIFF"
    report = repair(path)
    assert report.frames == 25 * HUGE.size // 3
    with WaveReader(path) as reader:
        assert reader.form == "RF64"
        assert reader.frames == reader.frames_present == report.frames
    assert not repair(path).changed
