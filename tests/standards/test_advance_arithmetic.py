"""Worked arithmetic of rates, limits and links, each row with its source."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nightreel.advance import ethernet
from nightreel.advance.capacity import Transport, aes67_channels, madi_channels, usb2_channels
from nightreel.advance.storage import (
    FILE_SYSTEMS,
    UINT32_MAX,
    TrackFormat,
    compute_copy_time,
    compute_growth,
    compute_room,
    file_bytes,
    find_file_system,
    riff_frames,
    seconds_on,
)
from nightreel.units import Encoding
from nightreel.wave.bext import Bext
from nightreel.wave.format import WaveFormat
from nightreel.wave.writer import PAGE_BYTES, WaveWriter

ENCODINGS = {16: Encoding.PCM16, 24: Encoding.PCM24, 32: Encoding.PCM32}

# channels, rate, bits, bytes/s, GB/h, seconds to RIFF's limit with a 44-byte header, hours on 1 TB.
# Computed from RIFF 1991 (u32 sizes): data <= 2^32 - 1 - 36, whole frames.
RATES = [
    (1, 48_000, 24, 144_000, 0.5184, 8 * 3600 + 17 * 60 + 6.162, 1929.01),
    (2, 44_100, 16, 176_400, 0.63504, 6 * 3600 + 45 * 60 + 47.887, 1574.70),
    (2, 48_000, 24, 288_000, 1.0368, 4 * 3600 + 8 * 60 + 33.081, 964.51),
    (1, 48_000, 32, 192_000, 0.6912, 6 * 3600 + 12 * 60 + 49.621, 1446.76),
    (1, 96_000, 24, 288_000, 1.0368, 4 * 3600 + 8 * 60 + 33.081, 964.51),
    (8, 48_000, 24, 1_152_000, 4.1472, 3600 + 2 * 60 + 8.270, 241.13),
    (32, 48_000, 24, 4_608_000, 16.5888, 15 * 60 + 32.068, 60.28),
    (64, 48_000, 24, 9_216_000, 33.1776, 7 * 60 + 46.034, 30.14),
    (64, 48_000, 32, 12_288_000, 44.2368, 5 * 60 + 49.525, 22.61),
    (64, 96_000, 24, 18_432_000, 66.3552, 3 * 60 + 53.017, 15.07),
    (128, 96_000, 24, 36_864_000, 132.7104, 60 + 56.508, 7.54),
    (128, 96_000, 32, 49_152_000, 176.9472, 60 + 27.381, 5.65),
]


@pytest.mark.parametrize(("channels", "rate_hz", "bits", "per_s", "gb_per_hour", "riff_s", "tb_hours"), RATES)
def test_rates_and_riff_limit(
    channels: int, rate_hz: int, bits: int, per_s: int, gb_per_hour: float, riff_s: float, tb_hours: float
) -> None:
    format = TrackFormat(rate_hz=rate_hz, encoding=ENCODINGS[bits], channels=channels)
    assert format.bytes_per_s == per_s
    room = compute_room(format, tracks=1, length_s=3600)
    assert room.gb_per_hour == pytest.approx(gb_per_hour, abs=1e-9)
    assert room.audio_bytes == round(gb_per_hour * 1e9)
    assert riff_frames(format) / rate_hz == pytest.approx(riff_s, abs=0.0006)
    assert seconds_on(format, tracks=1, free_bytes=10**12) / 3600 == pytest.approx(tb_hours, abs=0.006)


# By the data alone (2^32 - 1 - 36 bytes) one channel would end at 1 431 655 753 frames; that is an odd number of
# bytes, and RIFF's size counts the pad byte that must follow: one frame less.
@pytest.mark.parametrize(
    ("channels", "frames"), [(1, 1_431_655_752), (2, 715_827_876), (64, 22_369_621), (128, 11_184_810)]
)
def test_whole_frames_at_the_riff_limit_of_24_bit(channels: int, frames: int) -> None:
    format = TrackFormat(rate_hz=48_000, encoding=Encoding.PCM24, channels=channels)
    assert riff_frames(format) == frames
    assert file_bytes(format, frames) - 8 <= UINT32_MAX < file_bytes(format, frames + 1) - 8


def test_a_mono_track_and_a_stereo_file_at_double_rate_are_exact() -> None:
    stereo = TrackFormat(rate_hz=48_000, encoding=Encoding.PCM24, channels=2)
    double = TrackFormat(rate_hz=96_000, encoding=Encoding.PCM24, channels=2)
    assert compute_room(stereo, tracks=1, length_s=3600).audio_bytes == 1_036_800_000
    assert compute_room(double, tracks=1, length_s=3600).audio_bytes == 2 * 1_036_800_000
    # 1 frame of 24-bit mono is 3 bytes: an odd chunk has a pad byte (RIFF 1991), which the file holds and nobody counts
    mono = TrackFormat(rate_hz=48_000, encoding=Encoding.PCM24)
    assert file_bytes(mono, 1) == 44 + 3 + 1
    assert file_bytes(mono, 2) == 44 + 6


@pytest.mark.parametrize(
    ("name", "largest"),
    [
        ("FAT32", 4_294_967_295),  # Microsoft FAT specification: a 32-bit size field
        ("ext4", 16 * 2**40),  # Linux kernel documentation, ext4 Blocks, 4 KiB blocks
        ("FAT16", 2 * 2**30 - 1),  # from memory: a volume of 2 GiB with 32 KiB clusters
        ("APFS", 2**63 - 1),  # from memory
        ("exFAT", None),  # exFAT specification: 64-bit sizes, so the volume is the bound
    ],
)
def test_largest_file_of_each_file_system(name: str, largest: int | None) -> None:
    (found,) = [fs for fs in FILE_SYSTEMS if fs.name == name]
    assert found.largest_file_bytes == largest


def test_fat32_ends_a_track_where_riff_would_and_a_larger_system_does_not() -> None:
    format = TrackFormat(rate_hz=96_000, encoding=Encoding.FLOAT32, header_bytes=4096)
    riff, fat = compute_growth(format, length_s=8 * 3600, file_system=find_file_system("vfat"))
    assert {riff.name, fat.name} == {"RIFF", "FAT32"}
    assert abs(riff.seconds - fat.seconds) < 1e-3
    worst = max((riff, fat), key=lambda g: g.segments)
    assert worst.name == "FAT32"
    # 96 000 x 4 bytes: (2^32 - 1 - 4096) / 384 000 s = 3 h 06 m 24.8 s a file, so 8 hours need 3
    assert worst.seconds == pytest.approx((2**32 - 1 - 4096) / 384_000, abs=1e-4)
    assert worst.segments == 3
    (only,) = compute_growth(format, length_s=8 * 3600, file_system=find_file_system("exfat"))
    assert only.name == "RIFF"
    assert only.segments == 1


def test_the_slower_side_paces_a_copy_and_the_target_is_read_once_more() -> None:
    time = compute_copy_time(10**10, source_bytes_per_s=5e8, target_bytes_per_s=1e8, target_read_bytes_per_s=2e8)
    assert time.copy_s == pytest.approx(100)
    assert time.verify_s == pytest.approx(50)


# AES10: Handbook for Sound Engineers 39.7.2 (56/64, 28), AES10-2003 abstract (32); 192 kHz computed.
@pytest.mark.parametrize(
    ("rate_hz", "varispeed", "channels"),
    [
        (44_100, False, 64),
        (48_000, False, 64),
        (48_000, True, 56),
        (88_200, True, 28),
        (96_000, False, 32),
        (192_000, False, 16),
        (192_000, True, 14),
    ],
)
def test_madi(rate_hz: int, varispeed: bool, channels: int) -> None:
    assert madi_channels(rate_hz, varispeed=varispeed) == channels


# USB 2.0, 5.6.3 and table 5-5: three transactions of 1024 bytes in each of 8000 microframes; channel counts computed.
@pytest.mark.parametrize(
    ("rate_hz", "slot", "exact", "asynchronous", "one_transaction"),
    [
        (48_000, 3, 170, 146, 48),
        (48_000, 4, 128, 109, 36),
        (44_100, 4, 128, 128, 42),
        (96_000, 3, 85, 78, 26),
        (96_000, 4, 64, 59, 19),
        (192_000, 4, 32, 30, 10),
    ],
)
def test_usb_2_bound(rate_hz: int, slot: int, exact: int, asynchronous: int, one_transaction: int) -> None:
    assert usb2_channels(rate_hz, slot, asynchronous=False) == exact
    assert usb2_channels(rate_hz, slot) == asynchronous
    assert usb2_channels(rate_hz, slot, transactions=1) == one_transaction


# channels, rate, bytes a sample, packet time, samples, payload, IP length, wire bytes, wire Mbit/s, tagged Mbit/s
# IEEE 802.3, RFC 791, RFC 768, RFC 3550; rates computed.
FLOWS = [
    (1, 48_000, 3, 1000, 48, 144, 184, 222, 1.776, 1.808),
    (2, 48_000, 3, 1000, 48, 288, 328, 366, 2.928, 2.960),
    (8, 48_000, 3, 1000, 48, 1152, 1192, 1230, 9.840, 9.872),
    (8, 48_000, 2, 1000, 48, 768, 808, 846, 6.768, 6.800),
    (8, 48_000, 3, 333, 16, 384, 424, 462, 11.088, 11.184),
    (8, 48_000, 3, 250, 12, 288, 328, 366, 11.712, 11.840),
    (8, 48_000, 3, 125, 6, 144, 184, 222, 14.208, 14.464),
    (64, 48_000, 3, 125, 6, 1152, 1192, 1230, 78.720, 78.976),
    (2, 48_000, 3, 125, 6, 36, 76, 114, 7.296, 7.552),
    (2, 48_000, 3, 4000, 192, 1152, 1192, 1230, 2.460, 2.468),
    (4, 96_000, 3, 1000, 96, 1152, 1192, 1230, 9.840, 9.872),
    (8, 96_000, 3, 250, 24, 576, 616, 654, 20.928, 21.056),
    (8, 44_100, 3, 1000, 48, 1152, 1192, 1230, 9.0405, 9.0699),
]


@pytest.mark.parametrize(
    ("channels", "rate_hz", "sample_bytes", "packet_us", "samples", "payload", "ip", "wire", "mbit", "tagged"), FLOWS
)
def test_every_byte_of_a_flow(
    channels: int,
    rate_hz: int,
    sample_bytes: int,
    packet_us: int,
    samples: int,
    payload: int,
    ip: int,
    wire: int,
    mbit: float,
    tagged: float,
) -> None:
    assert ethernet.samples_per_packet(rate_hz, packet_us) == samples
    flow = ethernet.Flow(channels=channels, rate_hz=rate_hz, sample_bytes=sample_bytes, samples=samples)
    assert (flow.payload_bytes, flow.ip_bytes, flow.wire_bytes) == (payload, ip, wire)
    assert float(flow.wire_bits_per_s) / 1e6 == pytest.approx(mbit, abs=1e-9)
    with_tag = ethernet.Flow(
        channels=channels, rate_hz=rate_hz, sample_bytes=sample_bytes, samples=samples, tagged=True
    )
    assert float(with_tag.wire_bits_per_s) / 1e6 == pytest.approx(tagged, abs=6e-5)


def test_the_smallest_frame_is_64_bytes() -> None:
    # 1 channel of 16 bit at 125 microseconds: 12 bytes of payload, 14 + 52 + 4 = 70; without RTP it would be padded
    tiny = ethernet.Flow(channels=1, rate_hz=48_000, sample_bytes=2, samples=1)
    assert tiny.wire_bytes == 8 + 64 + 12


# AES67-2018 (1440 bytes and packet times from memory); counts computed.
@pytest.mark.parametrize(
    ("rate_hz", "sample_bytes", "most"),
    [
        (48_000, 3, {125: 80, 250: 40, 333: 30, 1000: 10, 4000: 2}),
        (48_000, 2, {125: 120, 250: 60, 333: 45, 1000: 15, 4000: 3}),
        (96_000, 3, {125: 40, 250: 20, 333: 15, 1000: 5, 4000: 1}),
    ],
)
def test_channels_a_flow_by_packet_time(rate_hz: int, sample_bytes: int, most: dict[int, int]) -> None:
    for packet_us, channels in most.items():
        if rate_hz == 96_000 and packet_us == 4000:
            continue  # AES67 names no 4 ms at 96 kHz
        assert ethernet.channels_per_flow(rate_hz, sample_bytes, packet_us) == channels


def test_a_gigabit_port_carries_76_flows_of_eight_within_three_quarters() -> None:
    # 750 Mbit/s / 9.84 Mbit/s = 76.2
    assert aes67_channels(48_000, Transport()) == 76 * 8


@pytest.mark.parametrize("encoding", [Encoding.PCM16, Encoding.PCM24, Encoding.FLOAT32])
@pytest.mark.parametrize("frames", [0, 1, 1001, 48_000])
def test_planned_bytes_are_those_of_a_file_as_the_recorder_writes_it(
    tmp_path: Path, encoding: Encoding, frames: int
) -> None:
    """Held against real files: with bext and iXML the header fills its page exactly."""
    bext = Bext(description="Kick In", originator="Nightreel")
    with WaveWriter.create(
        tmp_path / "a.wav", WaveFormat(rate_hz=48_000, channels=1, encoding=encoding), bext=bext
    ) as writer:
        writer.write(np.zeros((frames, 1), np.float32))
    planned = TrackFormat(rate_hz=48_000, encoding=encoding, header_bytes=PAGE_BYTES)
    assert (tmp_path / "a.wav").stat().st_size == file_bytes(planned, frames)
