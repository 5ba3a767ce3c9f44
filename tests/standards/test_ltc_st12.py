"""Timecode against SMPTE ST 12-1: labels, words byte for byte, and libltc (Debian's libltc11, LGPL) at both ends."""

from __future__ import annotations

import ctypes
import ctypes.util
from fractions import Fraction

import numpy as np
import pytest

from nightreel.signal.ltc import encode_ltc, find_ltc_runs, frame_bits, read_ltc
from nightreel.signal.timecode import Timecode, TimecodeRate, timecode_at

RATE_HZ = 48_000


def label(text: str) -> Timecode:
    hours, minutes, seconds, frames = (int(part) for part in text.replace(";", ":").split(":"))
    return Timecode(hours=hours, minutes=minutes, seconds=seconds, frames=frames, drop=";" in text)


# ST 12-1 bit assignment with user bits 0; the bytes were computed and are those that libltc 1.3.2 sends.
WORDS = [
    ("01:02:03:04", TimecodeRate.FPS_30, "04 00 03 00 02 00 01 00 FC BF"),
    ("01:02:03:05", TimecodeRate.FPS_30, "05 00 03 08 02 00 01 00 FC BF"),
    ("01:02:03:05", TimecodeRate.FPS_25, "05 00 03 00 02 00 01 08 FC BF"),
    ("23:59:59:29", TimecodeRate.FPS_30, "09 02 09 0D 09 05 03 02 FC BF"),
    ("23:59:59:24", TimecodeRate.FPS_25, "04 02 09 05 09 05 03 02 FC BF"),
    ("10:00:00:00", TimecodeRate.FPS_25, "00 00 00 00 00 00 00 01 FC BF"),
    ("10:00:00:01", TimecodeRate.FPS_25, "01 00 00 00 00 00 00 09 FC BF"),
    ("01:00:00;02", TimecodeRate.FPS_29_97_DROP, "02 04 00 00 00 00 01 00 FC BF"),
    ("01:00:00:01", TimecodeRate.FPS_24, "01 00 00 08 00 00 01 00 FC BF"),
]


@pytest.mark.parametrize(("text", "rate", "expected"), WORDS)
def test_words_equal_the_standards_byte_for_byte(text: str, rate: TimecodeRate, expected: str) -> None:
    bits = frame_bits(label(text), rate)
    assert np.packbits(bits, bitorder="little").tobytes() == bytes.fromhex(expected)


# ST 12-1: labels ;00 and ;01 are left out at each minute but every tenth.
DROP = [
    (1_799, "00:00:59;29"), (1_800, "00:01:00;02"), (3_597, "00:01:59;29"), (3_598, "00:02:00;02"),
    (17_981, "00:09:59;29"), (17_982, "00:10:00;00"), (107_891, "00:59:59;29"), (107_892, "01:00:00;00"),
    (2_589_407, "23:59:59;29"),
]  # fmt: skip


@pytest.mark.parametrize(("number", "text"), DROP)
def test_drop_frame_labels(number: int, text: str) -> None:
    rate = TimecodeRate.FPS_29_97_DROP
    assert str(timecode_at(number, rate)) == text
    assert label(text).number(rate) == number
    assert timecode_at(number + rate.frames_a_day, rate) == label(text)


def test_a_drop_frame_hour_lasts_3599_9964_s() -> None:
    assert float(107_892 / TimecodeRate.FPS_29_97_DROP.fps) == pytest.approx(3599.9964)
    assert TimecodeRate.FPS_29_97.fps == Fraction(30_000, 1_001)


# libltc as the other side ------------------------------------------------------------------------------------


class Label(ctypes.Structure):
    _fields_ = (
        ("timezone", ctypes.c_char * 6), ("years", ctypes.c_ubyte), ("months", ctypes.c_ubyte),
        ("days", ctypes.c_ubyte), ("hours", ctypes.c_ubyte), ("mins", ctypes.c_ubyte), ("secs", ctypes.c_ubyte),
        ("frame", ctypes.c_ubyte),
    )  # fmt: skip


@pytest.fixture(scope="module")
def libltc() -> ctypes.CDLL:
    name = ctypes.util.find_library("ltc")
    assert name, "libltc is not installed: apt-get install libltc11 (make test installs it)"
    lib = ctypes.CDLL(name)
    lib.ltc_encoder_create.restype = ctypes.c_void_p
    lib.ltc_encoder_create.argtypes = (ctypes.c_double, ctypes.c_double, ctypes.c_int, ctypes.c_int)
    lib.ltc_encoder_get_buffersize.restype = ctypes.c_size_t
    lib.ltc_decoder_create.restype = ctypes.c_void_p
    lib.ltc_decoder_write.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int64)
    return lib


STANDARD_625, STANDARD_525, STANDARD_FILM = 1, 0, 3  # of ltc.h: which bit corrects polarity


def libltc_sound(lib: ctypes.CDLL, first: Timecode, rate: TimecodeRate, pictures: int) -> np.ndarray:
    """Frames that libltc sends, as float32 around zero."""
    standard = {25: STANDARD_625, 30: STANDARD_525, 24: STANDARD_FILM}[rate.count]
    encoder = ctypes.c_void_p(lib.ltc_encoder_create(float(RATE_HZ), float(rate.fps), standard, 0))
    first_label = Label(
        timezone=b"+0000", days=1, months=1, hours=first.hours, mins=first.minutes, secs=first.seconds,
        frame=first.frames,
    )  # fmt: skip
    frame = (ctypes.c_ubyte * 12)()
    lib.ltc_encoder_set_timecode(encoder, ctypes.byref(first_label))
    if rate.drop:  # libltc counts in drop-frame while the flag is set in its frame
        lib.ltc_encoder_get_frame(encoder, frame)
        frame[1] |= 0x04
        lib.ltc_encoder_set_frame(encoder, frame)
    buffer = (ctypes.c_ubyte * (int(lib.ltc_encoder_get_buffersize(encoder)) + 1000))()
    pieces = []
    for _ in range(pictures):
        lib.ltc_encoder_encode_frame(encoder)
        size = lib.ltc_encoder_get_buffer(encoder, buffer)
        pieces.append(np.frombuffer(buffer, np.uint8, size).copy())
        lib.ltc_encoder_inc_timecode(encoder)
    lib.ltc_encoder_free(encoder)
    return (np.concatenate(pieces).astype(np.float32) - 128) / 127


FOUR_RATES = [TimecodeRate.FPS_24, TimecodeRate.FPS_25, TimecodeRate.FPS_29_97_DROP, TimecodeRate.FPS_30]


@pytest.mark.parametrize("polarity", [1.0, -1.0])
@pytest.mark.parametrize("rate", FOUR_RATES)
def test_code_of_libltc_is_read(libltc: ctypes.CDLL, rate: TimecodeRate, polarity: float) -> None:
    first = Timecode(hours=10, minutes=1, seconds=57, frames=5, drop=rate.drop)
    sound = libltc_sound(libltc, first, rate, 150)
    frames = read_ltc(sound * np.float32(0.05 * polarity), rate_hz=RATE_HZ)
    (run,) = find_ltc_runs(frames, rate_hz=RATE_HZ)
    assert run.rate is rate
    assert run.frames >= 146  # what the reader needs to find its step
    assert 147 <= run.last.label.number(rate) - first.number(rate) <= 149
    each = RATE_HZ / float(rate.fps)
    starts = (run.first.label.number(rate) - first.number(rate)) * each
    assert run.first.start == pytest.approx(starts, abs=2.0)
    assert abs(run.speed_ppm) < 30


@pytest.mark.parametrize("rate", FOUR_RATES)
def test_libltc_reads_our_code(libltc: ctypes.CDLL, rate: TimecodeRate) -> None:
    first = Timecode(hours=23, minutes=58, seconds=58, frames=20, drop=rate.drop)
    ours = encode_ltc(start=first, rate=rate, rate_hz=RATE_HZ, frames=RATE_HZ * 5, level_dbfs=-6.0)
    bytes_8 = np.round(ours * 127 + 128).astype(np.uint8)
    decoder = ctypes.c_void_p(libltc.ltc_decoder_create(int(RATE_HZ / float(rate.fps)), 300))
    libltc.ltc_decoder_write(decoder, bytes_8.ctypes.data, len(bytes_8), 0)
    got = []
    frame = (ctypes.c_ubyte * 512)()  # an LTCFrameExt, larger than it is
    while libltc.ltc_decoder_read(decoder, frame):
        read = Label()
        libltc.ltc_frame_to_time(ctypes.byref(read), frame, 0)
        got.append(Timecode(hours=read.hours, minutes=read.mins, seconds=read.secs, frames=read.frame, drop=rate.drop))
    libltc.ltc_decoder_free(decoder)
    start = got[0].number(rate)
    assert start - first.number(rate) <= 3
    assert got == [timecode_at(start + i, rate) for i in range(len(got))]
    assert len(got) >= 5 * float(rate.fps) - 5
