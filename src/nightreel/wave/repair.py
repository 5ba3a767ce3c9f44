"""Make the header of a file tell the truth again after a crash; no sample is ever changed.

Interrupted at any point, a repair leaves the file no worse: sizes are lowered before anything is cut, and raised only
over samples that are there already.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from nightreel.disk import Disk, OpenFile, RealDisk
from nightreel.errors import AudioFileInvalid
from nightreel.wave.chunks import DS64_BYTES, MOST_CHUNKS, RF64, RIFF, read_skeleton
from nightreel.wave.format import parse_format
from nightreel.wave.sizes import SizeFields


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairReport:
    """What was found and done; frames are whole frames.

    frames_claimed : what the header said before
    frames : what it says now
    frames_filled : of these, zeros put at the end because the caller asked for more than there was
    bytes_cut : bytes after the last whole frame that were cut off
    changed : False when nothing had to be done
    """

    path: Path
    frames_claimed: int
    frames: int
    frames_filled: int
    bytes_cut: int
    changed: bool


def repair(path: Path, *, frames: int | None = None, disk: Disk | None = None) -> RepairReport:
    """Let the header of a file claim every whole frame that is there, or exactly ``frames`` of them.

    With ``frames`` the file is cut or filled with zeros (silence) to that length, so that all lines of a take end
    alike. A file closed in good order is left alone unless ``frames`` asks otherwise. Raises AudioFileInvalid when
    there is no header to go by, DiskTrouble; the file is unchanged then.
    """
    disk = disk or RealDisk()
    file = disk.open(path)
    try:
        return _repair(file, frames)
    finally:
        file.close()


def _repair(file: OpenFile, wanted_frames: int | None) -> RepairReport:
    found = _Found.look(file)
    fields, step = found.fields, found.fields.frame_bytes
    frames = found.frames_present if wanted_frames is None else wanted_frames
    data_bytes = frames * step
    tail_bytes = found.tail_bytes if frames == found.frames_claimed else 0  # else it would stand in the wrong place
    end = fields.data_at + data_bytes + data_bytes % 2 + tail_bytes
    large = found.large or fields.needs_large(data_bytes, tail_bytes)
    if large and fields.reserve_bytes < DS64_BYTES:
        raise AudioFileInvalid(
            "it has passed 4 GiB, but its header has no room for 64-bit sizes",
            where=str(file.path),
            now="Copy its samples into a new file",
        )
    kept_bytes = min(frames, found.frames_present) * step
    report = RepairReport(
        path=file.path,
        frames_claimed=found.frames_claimed,
        frames=frames,
        frames_filled=max(0, frames - found.frames_present),
        bytes_cut=max(0, found.sample_bytes - kept_bytes),
        changed=not (
            found.exact
            and frames == found.frames_claimed
            and found.riff_bytes == fields.riff_bytes(data_bytes, tail_bytes)
        ),
    )
    if not report.changed:
        return report
    if report.frames_filled:
        file.truncate(fields.data_at + kept_bytes)  # a torn frame goes before zeros take its place
        file.truncate(end)
        file.sync()
    fields.write(file, data_bytes=data_bytes, tail_bytes=tail_bytes, large=large)
    file.sync()
    if file.size_bytes() != end and (tail_bytes == 0 or found.tail_is_last):
        file.truncate(end)
        file.sync()
    return report


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What a file holds before anything is done to it.

    sample_bytes : bytes after the first sample's offset that are samples, torn frame included
    tail_bytes : whole chunks after the samples, 0 when there are none
    exact : the data chunk claims whole frames, all there, nothing but whole chunks stands after them
    """

    fields: SizeFields
    large: bool
    riff_bytes: int
    frames_claimed: int
    frames_present: int
    sample_bytes: int
    tail_bytes: int
    tail_is_last: bool
    exact: bool

    @classmethod
    def look(cls, file: OpenFile) -> _Found:
        where = str(file.path)
        file_bytes = file.size_bytes()
        skeleton = read_skeleton(file.read_at, file_bytes, where=where)
        fmt, data, fact = (skeleton.find(name) for name in ("fmt ", "data", "fact"))
        assert fmt is not None
        assert data is not None
        format = parse_format(file.read_at(fmt.offset, min(fmt.held_bytes, 64)), where=where)
        first = skeleton.chunks[0]
        fields = SizeFields(
            data_at=data.offset,
            frame_bytes=format.frame_bytes,
            fact_at=fact.offset if fact is not None and fact.held_bytes >= 4 and fact.offset < data.offset else None,
            reserve_bytes=first.size_bytes if first.name in ("ds64", "JUNK") and first.size_bytes % 2 == 0 else 0,
            large_form=skeleton.form if skeleton.form != RIFF else RF64,
        )
        data_end = data.offset + data.size_bytes + data.size_bytes % 2
        tail_end = _tail_end(file, data_end, (skeleton.riff_bytes + 8, file_bytes))
        if tail_end is not None or file_bytes == data_end or _torn_cues(file, data_end):
            sample_bytes = data.size_bytes
        else:
            sample_bytes = file_bytes - data.offset
        return cls(
            fields=fields,
            large=skeleton.form != RIFF,
            riff_bytes=skeleton.riff_bytes,
            frames_claimed=data.size_bytes // format.frame_bytes,
            frames_present=sample_bytes // format.frame_bytes,
            sample_bytes=sample_bytes,
            tail_bytes=(tail_end or data_end) - data_end,
            tail_is_last=tail_end == file_bytes,
            exact=(tail_end is not None or file_bytes == data_end) and data.size_bytes % format.frame_bytes == 0,
        )


def _tail_end(file: OpenFile, begin: int, ends: tuple[int, ...]) -> int | None:
    """Where a chain of whole chunks that begins right after the samples ends, if it ends at one of ``ends``.

    Samples that happen to look like that would need a printable name and a size that fits to the byte.
    """
    file_bytes = file.size_bytes()
    at = begin
    for _ in range(MOST_CHUNKS):
        head = file.read_at(at, 8) if at + 8 <= file_bytes else b""
        if len(head) < 8 or not all(0x20 <= byte < 0x7F for byte in head[:4]):
            return None
        size_bytes = int.from_bytes(head[4:], "little")
        at += 8 + size_bytes + size_bytes % 2
        if at > file_bytes:
            return None
        if at in ends:
            return at
    return None


def _torn_cues(file: OpenFile, at: int) -> bool:
    """Whether a cue chunk of ours that was never finished follows the samples."""
    head = file.read_at(at, 12)
    if len(head) < 12:
        return len(head) >= 4 and head[:4] == b"cue "
    size_bytes, points = int.from_bytes(head[4:8], "little"), int.from_bytes(head[8:12], "little")
    return head[:4] == b"cue " and size_bytes == 4 + 24 * points
