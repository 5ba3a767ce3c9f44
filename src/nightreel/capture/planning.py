"""From a request to a plan, and the checks before anything is written: each refusal is one sentence with its remedy.

Reads only: after a refusal nothing on disk has changed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from nightreel.capture.model import Place, RecordPlan, RecordRequest
from nightreel.disk import Disk, RealDisk, safe_name
from nightreel.disk.volumes import file_system_name, largest_file_bytes
from nightreel.errors import (
    AlreadyThere,
    ArgumentInvalid,
    DiskTrouble,
    NightreelError,
    PlanImpossible,
    ProofFailed,
    ShowInvalid,
)
from nightreel.show.files import load_show
from nightreel.show.model import Line, Show
from nightreel.take import TAKES_FOLDER, new_take_name
from nightreel.take.model import Track, TrackFile
from nightreel.units import Encoding, format_size, format_time
from nightreel.wave import pack_columns, unpack

HEADER_ROOM_BYTES = 1 << 20  # of a file: header, cues and slack below the limit of the file system
MOST_OPEN_FILES_SPARE = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One thing looked at before the start. ``error`` is set where it refuses; a warning only has words."""

    name: str
    words: str
    warning: bool = False
    error: NightreelError | None = None


def make_plan(request: RecordRequest, *, today: date | None = None, song_index: int = 0) -> RecordPlan:
    """Lines, files and folders of the take. Raises ShowMissing, NotAShow, ShowInvalid, ArgumentInvalid."""
    folder = Path(request.show).absolute()
    show = load_show(folder)
    encoding = _encoding(request, show)
    lines = _lines(request, show, folder)
    name = new_take_name(folder, day=today or date.today(), name=request.name)
    places = [Place(name="primary", folder=folder / TAKES_FOLDER / name)]
    for number, mirror in enumerate(request.mirrors, 1):
        label = "mirror" if len(request.mirrors) == 1 else f"mirror {number}"
        places.append(Place(name=label, folder=Path(mirror).absolute() / name))
    return RecordPlan(
        request=request,
        show=show,
        show_folder=folder,
        take_name=name,
        rate_hz=show.rate_hz,
        encoding=encoding,
        tracks=_tracks(request, lines),
        places=tuple(places),
        part_frames=_part_frames(request, show.rate_hz, encoding, len(lines), places),
        song_index=song_index,
    )


def run_checks(plan: RecordPlan, *, disk: Disk | None = None) -> Iterator[Check]:
    """Everything that can be known before the source is opened; none of it writes."""
    disk = disk or RealDisk()
    yield self_test(plan.encoding)
    yield _open_files(plan)
    for place in plan.places:
        yield _folder(place)
        yield _room(plan, place, disk)
    yield from _same_disk(plan)
    if plan.part_frames is not None:
        yield Check(
            name="parts", words=f"files are continued in new ones every {format_time(plan.part_frames / plan.rate_hz)}"
        )


def require_checks(plan: RecordPlan, *, disk: Disk | None = None) -> tuple[Check, ...]:
    """Raises the first refusal; else all checks, warnings among them."""
    checks = tuple(run_checks(plan, disk=disk))
    for check in checks:
        if check.error is not None:
            raise check.error
    return checks


def self_test(encoding: Encoding) -> Check:
    """Pack and unpack known values of every magnitude, as every sample of the night will be; counted."""
    bits = 24 if encoding in (Encoding.PCM32, Encoding.FLOAT32) else encoding.sample_bytes * 8
    powers = 2.0 ** np.arange(-(bits - 1), 0)
    values = np.concatenate([powers, -powers, [0.0, -1.0, 1.0 - 2.0 ** (1 - bits)]]).astype(np.float32)
    block = np.stack([values, values[::-1]], axis=1)
    rows, clipped = pack_columns(np.ascontiguousarray(block), encoding)
    back = np.stack([unpack(row, encoding)[:, 0] for row in rows], axis=1)
    wrong = int(np.count_nonzero(back != block)) + int(clipped.sum())
    words = f"{block.size} known samples packed and read back"
    if wrong:
        error = ProofFailed(
            f"{wrong} of {block.size} known samples came back changed",
            where="self-test before recording",
            now="Do not record with this computer; reinstall Nightreel",
        )
        return Check(name="self-test", words=words, error=error)
    return Check(name="self-test", words=words)


def _encoding(request: RecordRequest, show: Show) -> Encoding:
    if not request.encoding:
        return show.encoding
    try:
        return Encoding(request.encoding)
    except ValueError:
        raise ArgumentInvalid(
            f"'{request.encoding}' is no way to store samples", now=f"Choose one of {', '.join(Encoding)}"
        ) from None


def _lines(request: RecordRequest, show: Show, folder: Path) -> tuple[Line, ...]:
    """The lines whose sends the source delivers."""
    lines = show.recorded_lines
    links = sorted({line.send.link for line in lines if line.send is not None})
    if request.link:
        if show.link(request.link) is None:
            known = ", ".join(link.name for link in show.links) or "none"
            raise ArgumentInvalid(f"the show has no link '{request.link}'", now=f"Its links: {known}")
        lines = tuple(line for line in lines if line.send is not None and line.send.link == request.link)
    elif len(links) > 1:
        raise ArgumentInvalid(
            f"the patch uses {len(links)} links: {', '.join(links)}", now="Say which one the source is with --link"
        )
    if not lines:
        raise ShowInvalid(
            "no line has a send, so there is nothing to record",
            where=str(folder / "inputs.csv"),
            now="Fill the column 'send' (such as desk:1), or let `nightreel advance` plan it",
        )
    return lines


def _tracks(request: RecordRequest, lines: tuple[Line, ...]) -> tuple[Track, ...]:
    tracks = []
    for place, line in enumerate(lines):
        assert line.send is not None
        path = f"tracks/{safe_name(f'{line.number:02d} {line.name}', most_bytes=200)}.wav"
        file = TrackFile(path=path, first_frame=0, frames=0)
        if request.polyphonic:
            file = TrackFile(path="tracks/all lines.wav", first_frame=0, frames=0, channel=place)
        tracks.append(
            Track(
                line=line.number,
                name=line.name,
                role=line.role,
                channel=line.send.number - 1,
                files=(file,),
                send=str(line.send),
                gain_db=line.gain_db,
                partner=line.partner,
                group=line.group,
                at_soundcheck=line.at_soundcheck,
            )
        )
    return tuple(tracks)


def _part_frames(
    request: RecordRequest, rate_hz: int, encoding: Encoding, lines: int, places: list[Place]
) -> int | None:
    """The tightest of the wished length and every destination's file system; even, see wave.WaveWriter."""
    limits = []
    if request.segment_s is not None:
        limits.append(round(request.segment_s * rate_hz))
    frame_bytes = encoding.sample_bytes * (lines if request.polyphonic else 1)
    for place in places:
        largest = largest_file_bytes(place.folder)
        if largest is not None:
            limits.append((largest - HEADER_ROOM_BYTES) // frame_bytes)
    return max(2, min(limits) // 2 * 2) if limits else None


def _open_files(plan: RecordPlan) -> Check:
    try:
        import resource
    except ImportError:  # Windows has no such limit for our way of opening files
        return Check(name="open files", words="no limit known")
    files = 1 if plan.request.polyphonic else len(plan.tracks)
    needed = (files * 2 + 8) * len(plan.places) + MOST_OPEN_FILES_SPARE
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < needed and (hard >= needed or hard == resource.RLIM_INFINITY):
        resource.setrlimit(resource.RLIMIT_NOFILE, (needed, hard))
    elif soft < needed:
        error = PlanImpossible(
            f"the take needs {needed} open files, the system allows {soft}",
            now=f"Raise the limit (ulimit -n {needed}) or use --polyphonic",
        )
        return Check(name="open files", words="", error=error)
    return Check(name="open files", words=f"{needed} may be needed")


def _folder(place: Place) -> Check:
    name = f"{place.name} folder"
    parent = place.folder.parent
    if place.folder.exists():
        error: NightreelError = AlreadyThere(
            "the take folder exists already", where=str(place.folder), now="Choose another name with --name"
        )
        return Check(name=name, words="", error=error)
    standing = parent if parent.exists() else parent.parent
    if not standing.is_dir():
        error = DiskTrouble("no such folder", where=str(parent), now="Make it first, or check that the disk is there")
        return Check(name=name, words="", error=error)
    if not os.access(standing, os.W_OK | os.X_OK) or _mounted_read_only(standing):
        error = DiskTrouble(
            "this folder cannot be written to", where=str(standing), now="Change its permissions or use another disk"
        )
        return Check(name=name, words="", error=error)
    return Check(name=name, words=str(place.folder))


def _mounted_read_only(folder: Path) -> bool:
    return hasattr(os, "statvfs") and bool(os.statvfs(folder).f_flag & os.ST_RDONLY)


def _room(plan: RecordPlan, place: Place, disk: Disk) -> Check:
    """Free space against what the night needs, where its length is known."""
    name = f"{place.name} room"
    try:
        free = disk.free_bytes(place.folder)
    except NightreelError as error:
        return Check(name=name, words="", error=error)
    left_s = max(0, free - plan.request.reserve_bytes) / plan.bytes_per_s
    length_s = plan.request.length_s or plan.show.expected_length_s
    words = f"{format_size(free)} free, enough for {format_time(left_s)}"
    if length_s is not None and left_s < length_s:
        tight = PlanImpossible(
            f"the {place.name} disk has room for {format_time(left_s)}, the night needs {format_time(length_s)}",
            where=str(place.folder),
            now="Free some room, use another disk, fewer lines or 16 bits; or say --length if it is shorter",
        )
        return Check(name=name, words=words, error=tight)
    if left_s < 60.0:
        tight = PlanImpossible(
            f"the {place.name} disk has room for {left_s:.0f} s only", where=str(place.folder), now="Free some room"
        )
        return Check(name=name, words=words, error=tight)
    return Check(name=name, words=words)


def _same_disk(plan: RecordPlan) -> Iterator[Check]:
    """A mirror on the disk of the primary helps against nothing but a slip of the hand."""
    primary = plan.places[0]
    for mirror in plan.places[1:]:
        if mirror.folder == primary.folder:
            error = ArgumentInvalid("the mirror is the primary itself", now="Name another folder with --mirror")
            yield Check(name=f"{mirror.name} apart", words="", error=error)
        elif _device(mirror.folder) == _device(primary.folder):
            yield Check(
                name=f"{mirror.name} apart",
                words=f"the {mirror.name} lies on the same disk as the primary ({file_system_name(mirror.folder)}): "
                "it does not help when that disk fails",
                warning=True,
            )


def _device(folder: Path) -> int:
    place = folder
    while not place.exists() and place != place.parent:
        place = place.parent
    return place.stat().st_dev
