"""What a drive really writes: as a recorder writes, in many files with a sync of all of them every second.

A drive's printed figure is that of its fast cache; what matters for a night is the rate that lasts, the worst second,
and how long a sync can take, because for so long the recorder's memory has to hold the music. Data is incompressible
(some drives compress). All files live in one temporary folder of ours and are removed afterwards, whatever happens.
"""

from __future__ import annotations

import os
import secrets
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nightreel.disk.real import RealDisk
from nightreel.disk.storage import Disk, OpenFile
from nightreel.errors import ArgumentInvalid, DiskTrouble

CHUNK_BYTES = 256 * 1024
SYNC_EVERY_S = 1.0
KEEP_FREE_BYTES = 500_000_000
RING_S = 20.0  # what the recorder's memory holds by default

Clock = Callable[[], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveReport:
    """One measurement.

    sustained_bytes_per_s : everything written, by the whole time until the last sync returned
    worst_second_bytes : the fewest bytes that became durable in any one second of it
    sync_median_s, sync_longest_s : for a sync of all files, of which there were ``syncs``
    read_bytes_per_s : reading back, past the system's memory where it can be asked; None when not measured
    reached : why it ended: 'time', 'size' or 'room'
    """

    folder: str
    seconds: float
    written_bytes: int
    files: int
    sustained_bytes_per_s: float
    worst_second_bytes: int
    syncs: int
    sync_median_s: float
    sync_longest_s: float
    read_bytes_per_s: float | None
    reached: str

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveVerdict:
    """Whether the drive is good for a take of so many bytes a second, and why."""

    good: bool
    needed_bytes_per_s: int
    reasons: tuple[str, ...]


def judge_drive(report: DriveReport, needed_bytes_per_s: int) -> DriveVerdict:
    """Good when twice the take's rate lasts, the worst second still carries the take, and no sync fills the memory.

    The factor of two is ours: files, journal and a copy made meanwhile share the drive. A worst second below the take's
    rate is no loss by itself (the recorder's memory bridges it) but says that the drive has no reserve.
    """
    reasons = []
    if report.sustained_bytes_per_s < 2 * needed_bytes_per_s:
        reasons.append(
            f"it sustains {report.sustained_bytes_per_s / 1e6:.1f} MB/s, twice the take's "
            f"{needed_bytes_per_s / 1e6:.1f} MB/s is needed"
        )
    if report.worst_second_bytes < needed_bytes_per_s:
        reasons.append(f"its worst second made only {report.worst_second_bytes / 1e6:.1f} MB durable")
    if report.sync_longest_s > RING_S / 2:
        reasons.append(
            f"a sync took {report.sync_longest_s:.1f} s, more than half of the {RING_S:g} s that memory holds"
        )
    if report.reached == "room":
        reasons.append("there was too little room for a measurement of the whole length")
    return DriveVerdict(good=not reasons, needed_bytes_per_s=needed_bytes_per_s, reasons=tuple(reasons))


def measure_drive(
    folder: Path,
    *,
    seconds: float = 20.0,
    most_bytes: int = 8_000_000_000,
    files: int = 32,
    read_back: bool = True,
    disk: Disk | None = None,
    clock: Clock = time.monotonic,
    progress: Callable[[float, int], None] | None = None,
) -> DriveReport:
    """Write to ``folder`` for ``seconds`` or ``most_bytes``, whichever ends first.

    Raises ArgumentInvalid for a folder that is not there, and DiskTrouble when the drive is full, read-only or fails;
    the temporary folder is gone in every case. ``progress`` gets seconds and bytes so far.
    """
    if not folder.is_dir():
        raise ArgumentInvalid("this folder does not exist", where=str(folder), now="Name a folder on the drive")
    if seconds <= 0 or most_bytes < CHUNK_BYTES or files < 1:
        raise ArgumentInvalid("nothing would be measured", now="Give a time above zero and at least one file")
    disk = disk or RealDisk()
    room = disk.free_bytes(folder) - KEEP_FREE_BYTES
    if room < files * CHUNK_BYTES:
        raise DiskTrouble("the drive is nearly full", where=str(folder), now="Free some room, then measure again")
    place = folder / f".nightreel-measure-{secrets.token_hex(4)}"
    disk.make_folder(place)
    handles: list[OpenFile] = []
    try:
        handles.extend(disk.create(place / f"{number:03d}") for number in range(files))
        report = _write(handles, folder, seconds, min(most_bytes, room), room, disk, clock, progress)
        rate = _read(handles, clock) if read_back else None
    finally:
        _remove(place, handles, disk)
    return DriveReport(**{**report.as_dict(), "read_bytes_per_s": rate})


def _write(
    handles: list[OpenFile],
    folder: Path,
    seconds: float,
    most_bytes: int,
    room: int,
    disk: Disk,
    clock: Clock,
    progress: Callable[[float, int], None] | None,
) -> DriveReport:
    chunk = np.random.default_rng().integers(0, 256, CHUNK_BYTES, dtype=np.uint8)
    start = clock()
    offset = 0
    written = 0
    durable: list[tuple[float, int]] = [(0.0, 0)]  # time, bytes known to be durable
    syncs: list[float] = []
    last_sync = start
    reached = "time"
    while True:
        chunk[:8] = np.frombuffer(offset.to_bytes(8, "little"), dtype=np.uint8)  # no two blocks alike
        for handle in handles:
            handle.write_at(offset, chunk.data)
        offset += CHUNK_BYTES
        written += CHUNK_BYTES * len(handles)
        now = clock()
        full = written + CHUNK_BYTES * len(handles) > most_bytes
        if now - last_sync >= SYNC_EVERY_S or now - start >= seconds or full:
            for handle in handles:
                handle.sync()
            after = clock()
            syncs.append(after - now)
            durable.append((after - start, written))
            last_sync = after
            if progress is not None:
                progress(after - start, written)
            if after - start >= seconds or full:
                reached = "time" if after - start >= seconds else "room" if most_bytes == room else "size"
                break
    elapsed = max(durable[-1][0], 1e-9)
    return DriveReport(
        folder=str(folder),
        seconds=elapsed,
        written_bytes=written,
        files=len(handles),
        sustained_bytes_per_s=written / elapsed,
        worst_second_bytes=worst_second(durable),
        syncs=len(syncs),
        sync_median_s=float(np.median(syncs)),
        sync_longest_s=max(syncs),
        read_bytes_per_s=None,
        reached=reached,
    )


def worst_second(durable: list[tuple[float, int]]) -> int:
    """Fewest bytes that became durable in any second, from (time, bytes durable by then) in order.

    Between two syncs the bytes are taken to have arrived evenly. A measurement shorter than a second is scaled up.
    """
    times = np.array([t for t, _ in durable])
    sizes = np.array([float(b) for _, b in durable])
    if times[-1] <= 1.0:
        return int(sizes[-1] / max(times[-1], 1e-9))
    # The smallest window begins or ends at a corner of the polygon.
    starts = np.concatenate([times, times - 1.0])
    starts = starts[(starts >= 0.0) & (starts <= times[-1] - 1.0 + 1e-12)]
    amounts = np.interp(starts + 1.0, times, sizes) - np.interp(starts, times, sizes)
    return int(amounts.min())


def _read(handles: list[OpenFile], clock: Clock) -> float:
    """Read everything back; the system is asked to forget its copies first (Linux honours that)."""
    if hasattr(os, "posix_fadvise"):
        for handle in handles:
            try:
                descriptor = os.open(handle.path, os.O_RDONLY)
            except OSError:
                continue
            try:
                os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
            finally:
                os.close(descriptor)
    start = clock()
    size = 0
    for handle in handles:
        offset = 0
        while block := handle.read_at(offset, 16 * CHUNK_BYTES):
            offset += len(block)
        size += offset
    return size / max(clock() - start, 1e-9)


def _remove(place: Path, handles: list[OpenFile], disk: Disk) -> None:
    """Take away what we made; trouble with that must not hide the trouble that led here."""
    for handle in handles:
        try:
            handle.close()
        except Exception:
            continue
    for path in place.glob("*"):
        try:
            disk.remove(path)
        except DiskTrouble:
            continue
    try:
        place.rmdir()
    except OSError:
        return
