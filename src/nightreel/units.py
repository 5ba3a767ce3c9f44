"""Units of time, level and size: the one place where numbers become words and back.

Positions are integer frames everywhere; seconds, decibels and strings are for people. Nothing here does I/O.
"""

from __future__ import annotations

import math
import re
from enum import StrEnum

from nightreel.errors import ArgumentInvalid

SILENCE_DBFS = -math.inf
RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


class Encoding(StrEnum):
    """How one sample is stored in a file."""

    PCM16 = "pcm16"
    PCM24 = "pcm24"
    PCM32 = "pcm32"
    FLOAT32 = "float32"

    @property
    def sample_bytes(self) -> int:
        return {"pcm16": 2, "pcm24": 3, "pcm32": 4, "float32": 4}[self.value]


_SIZE_UNITS = ("bytes", "kB", "MB", "GB", "TB")
_LENGTH = re.compile(r"^(?:(?P<h>\d+)\s*h)?\s*(?:(?P<m>\d+)\s*m(?:in)?)?\s*(?:(?P<s>\d+(?:\.\d+)?)\s*s)?$")


def amplitude_from_db(level_db: float) -> float:
    """Linear amplitude of a level; -inf gives 0."""
    return 0.0 if level_db == -math.inf else 10.0 ** (level_db / 20.0)


def db_from_amplitude(amplitude: float) -> float:
    """Level of a linear amplitude in dB (dBFS where full scale is 1.0); 0 gives -inf."""
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else -math.inf


def db_from_power(power: float) -> float:
    """Level of a mean square in dB; 0 gives -inf."""
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def frames_from_seconds(seconds: float, rate_hz: int) -> int:
    """Nearest whole frame."""
    return round(seconds * rate_hz)


def seconds_from_frames(frames: int, rate_hz: int) -> float:
    return frames / rate_hz


def format_time(seconds: float) -> str:
    """A position or length for people: ``0:07``, ``3:05``, ``1:02:09``."""
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def format_position(frame: int, rate_hz: int) -> str:
    """A position to the millisecond, for findings: ``0:03:05.250``."""
    ms = round(frame * 1000 / rate_hz)
    hours, rest = divmod(ms, 3_600_000)
    minutes, rest = divmod(rest, 60_000)
    secs, ms = divmod(rest, 1000)
    return f"{hours}:{minutes:02d}:{secs:02d}.{ms:03d}"


def format_db(level_db: float, unit: str = "dBFS") -> str:
    """One decimal, a real minus sign is not used (terminals); silence says so."""
    return f"-inf {unit}" if level_db == -math.inf else f"{level_db:.1f} {unit}"


def format_size(size_bytes: float) -> str:
    """Decimal prefixes, as drives are sold: GB = 10^9 bytes."""
    value = float(size_bytes)
    for unit in _SIZE_UNITS:
        if value < 1000 or unit == _SIZE_UNITS[-1]:
            return f"{value:.0f} {unit}" if unit == "bytes" else f"{value:.3g} {unit}"
        value /= 1000
    raise AssertionError("unreachable")


def format_rate(rate_hz: int) -> str:
    return f"{rate_hz / 1000:g} kHz"


def parse_length_s(text: str) -> float:
    """Seconds from ``2h30m``, ``90m``, ``45 s``, ``1:30:00`` or a bare number of seconds.

    Raises ArgumentInvalid for anything else, for negative and for zero lengths.
    """
    cleaned = text.strip().lower()
    seconds: float | None = None
    if re.fullmatch(r"\d+(:\d{2}){1,2}", cleaned):
        seconds = 0.0
        for part in cleaned.split(":"):
            seconds = seconds * 60 + int(part)
    elif re.fullmatch(r"\d+(\.\d+)?", cleaned):
        seconds = float(cleaned)
    elif cleaned and (match := _LENGTH.match(cleaned)):
        seconds = int(match["h"] or 0) * 3600.0 + int(match["m"] or 0) * 60.0 + float(match["s"] or 0)
    if not seconds:
        raise ArgumentInvalid(f"'{text}' is not a length of time", now="Write it as 2h30m, 90m, 45s or 1:30:00")
    return seconds
