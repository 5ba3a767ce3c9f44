"""Bytes, files and time: what a show weighs, which limit a file meets and when, how long a copy takes.

Sources: RIFF 1991 (32-bit sizes), EBU Tech 3306 (ds64), Microsoft FAT specification and file-system comparison, exFAT
specification, Linux kernel documentation (ext4). GB are 10^9 bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from nightreel.errors import ArgumentInvalid
from nightreel.units import Encoding

KIB = 1024
UINT32_MAX = 2**32 - 1
PLAIN_HEADER_BYTES = 44  # RIFF 12, fmt 8 + 16, data 8: the smallest PCM header
CHUNK_HEAD_BYTES = 8


class Limit(StrEnum):
    """What stops a file from growing."""

    RIFF = "RIFF's 32-bit sizes"
    FILE_SYSTEM = "the file system"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSystem:
    """Largest file in bytes (None where only the volume bounds it), largest volume, and where that stands."""

    name: str
    largest_file_bytes: int | None
    largest_volume_bytes: int | None
    source: str
    advice: str = ""


FILE_SYSTEMS: tuple[FileSystem, ...] = (
    FileSystem(
        name="FAT16",
        largest_file_bytes=2 * KIB**3 - 1,
        largest_volume_bytes=2 * KIB**3,
        source="Microsoft FAT specification: 65 524 clusters of 32 KiB (from memory)",
        advice="too small for multitrack: format the drive anew",
    ),
    FileSystem(
        name="FAT32",
        largest_file_bytes=UINT32_MAX,
        largest_volume_bytes=2 * KIB**4,
        source="Microsoft FAT specification: the size field has 32 bits",
        advice="stops a file where RIFF does, so RF64 does not help",
    ),
    FileSystem(
        name="exFAT",
        largest_file_bytes=None,
        largest_volume_bytes=None,
        source="exFAT specification: sizes have 64 bits",
        advice="no journal: a pulled plug can cost the folder; unmount before unplugging",
    ),
    FileSystem(
        name="NTFS",
        largest_file_bytes=16 * KIB**4 - 64 * KIB,
        largest_volume_bytes=16 * KIB**4,
        source="Microsoft file-system comparison, 4 KiB clusters",
    ),
    FileSystem(
        name="APFS",
        largest_file_bytes=2**63 - 1,
        largest_volume_bytes=None,
        source="8 EiB (from memory)",
    ),
    FileSystem(
        name="ext4",
        largest_file_bytes=16 * KIB**4,
        largest_volume_bytes=None,
        source="Linux kernel documentation, ext4 with 4 KiB blocks and extents",
    ),
)
_ALIASES = {"vfat": "FAT32", "fat": "FAT32", "msdos": "FAT16", "hfsplus": "", "fuseblk": "", "ntfs3": "NTFS"}


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackFormat:
    """How one track is stored. ``header_bytes`` is everything before the first sample, ``trailer_bytes`` what follows
    the last (marks, a pad byte not included)."""

    rate_hz: int
    encoding: Encoding
    channels: int = 1
    header_bytes: int = PLAIN_HEADER_BYTES
    trailer_bytes: int = 0

    @property
    def frame_bytes(self) -> int:
        return self.channels * self.encoding.sample_bytes

    @property
    def bytes_per_s(self) -> int:
        return self.rate_hz * self.frame_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What a take of some tracks needs."""

    tracks: int
    frames: int
    audio_bytes: int
    file_bytes: int
    bytes_per_s: int

    @property
    def gb_per_hour(self) -> float:
        return self.bytes_per_s * 3600 / 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """When a growing file meets a limit. ``frames`` fit below it; ``segments`` files are needed for the whole take."""

    limit: Limit
    name: str
    frames: int
    seconds: float
    segments: int
    source: str


def find_file_system(name: str) -> FileSystem | None:
    """By name as people or systems write it (``vfat``, ``ExFAT``); None for one we hold no figures of."""
    wanted = _ALIASES.get(name.strip().lower(), name.strip())
    return next((fs for fs in FILE_SYSTEMS if fs.name.lower() == wanted.lower()), None)


def file_bytes(format: TrackFormat, frames: int) -> int:
    """Size of one finished file: header, samples, the pad byte of an odd chunk, trailer."""
    audio = frames * format.frame_bytes
    return format.header_bytes + audio + audio % 2 + format.trailer_bytes


def compute_room(format: TrackFormat, *, tracks: int, length_s: float) -> Room:
    """Exact bytes of ``tracks`` files of ``length_s`` seconds (whole frames)."""
    if tracks < 0 or length_s <= 0:
        raise ArgumentInvalid(
            f"{tracks} tracks of {length_s:g} s cannot be planned", now="Give at least one line and a length above zero"
        )
    frames = round(length_s * format.rate_hz)
    return Room(
        tracks=tracks,
        frames=frames,
        audio_bytes=tracks * frames * format.frame_bytes,
        file_bytes=tracks * file_bytes(format, frames),
        bytes_per_s=tracks * format.bytes_per_s,
    )


def frames_within(format: TrackFormat, most_file_bytes: int) -> int:
    """Whole frames that fit into a file of at most so many bytes."""
    room = most_file_bytes - format.header_bytes - format.trailer_bytes
    frames = max(0, room // format.frame_bytes)
    # the pad byte of an odd chunk counts as well
    return frames - 1 if frames and file_bytes(format, frames) > most_file_bytes else frames


def riff_frames(format: TrackFormat) -> int:
    """Whole frames below RIFF's limit: its size field (file size less 8) holds at most 2^32 - 1."""
    return frames_within(format, UINT32_MAX + CHUNK_HEAD_BYTES)


def compute_growth(format: TrackFormat, *, length_s: float, file_system: FileSystem | None) -> tuple[Growth, ...]:
    """Every limit that a track of this length meets or could meet, the earliest first.

    RIFF's is passed in place by RF64 and needs no new segment; a file system's does.
    """
    wanted = round(length_s * format.rate_hz)
    riff = riff_frames(format)
    found = [
        Growth(
            limit=Limit.RIFF,
            name="RIFF",
            frames=riff,
            seconds=riff / format.rate_hz,
            segments=1,
            source="RIFF 1991; Nightreel's files go on as RF64 (EBU Tech 3306)",
        )
    ]
    if file_system is not None and file_system.largest_file_bytes is not None:
        frames = frames_within(format, file_system.largest_file_bytes)
        found.append(
            Growth(
                limit=Limit.FILE_SYSTEM,
                name=file_system.name,
                frames=frames,
                seconds=frames / format.rate_hz,
                segments=max(1, -(-wanted // frames)),
                source=file_system.source,
            )
        )
    return tuple(sorted(found, key=lambda g: g.frames))


def seconds_on(format: TrackFormat, *, tracks: int, free_bytes: int) -> float:
    """Recording time that fits: headers of all tracks and a pad byte each are taken off first."""
    if tracks < 1:
        raise ArgumentInvalid("no track, no recording time", now="Plan at least one line")
    overhead = tracks * (format.header_bytes + format.trailer_bytes + 1)
    frames = max(0, free_bytes - overhead) // (tracks * format.frame_bytes)
    return frames / format.rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyTime:
    """Copying and reading back, in seconds."""

    copy_s: float
    verify_s: float

    @property
    def total_s(self) -> float:
        return self.copy_s + self.verify_s


def compute_copy_time(
    size_bytes: int,
    *,
    source_bytes_per_s: float,
    target_bytes_per_s: float,
    target_read_bytes_per_s: float | None = None,
) -> CopyTime:
    """The slower of both sides paces the copy; the proof reads the target once more."""
    if min(source_bytes_per_s, target_bytes_per_s) <= 0:
        raise ArgumentInvalid("a drive that moves no bytes never finishes", now="Give a rate above zero")
    return CopyTime(
        copy_s=size_bytes / min(source_bytes_per_s, target_bytes_per_s),
        verify_s=size_bytes / (target_read_bytes_per_s or target_bytes_per_s),
    )
