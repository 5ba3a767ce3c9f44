"""Carry a plan out: check the places, make the package at the first, copy it to the others, read all of it back."""

from __future__ import annotations

import csv
import io
import threading
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from pathlib import Path

from nightreel import __version__
from nightreel.disk import (
    Disk,
    RealDisk,
    copy_verified,
    digest_file,
    free_bytes,
    largest_file_bytes,
    write_new_bytes,
)
from nightreel.errors import AlreadyThere, ArgumentInvalid, DiskTrouble, NightreelError, PlanImpossible
from nightreel.handover.audio import write_samples, write_track
from nightreel.handover.bag import PAYLOAD, tag_files
from nightreel.handover.contents import CONTENTS_NAME, compute_fingerprint, contents_text, read_contents
from nightreel.handover.metadata import make_bext
from nightreel.handover.midi import marks_to_midi
from nightreel.handover.mix import MixSetting, measure_mix, mix_blocks
from nightreel.handover.model import Delivery, FileKind, MadeFile, Outcome, Plan, PlannedFile
from nightreel.handover.package import FINGERPRINT_FIELD, PART_SUFFIX, PROGRESS_NAME, Package, State
from nightreel.take import Take
from nightreel.timeline import Mark
from nightreel.units import format_position, format_size
from nightreel.wave import together

Tell = Callable[[str, int, int], None]
"""``tell(what, done_bytes, total_bytes)``."""

SPARE_BYTES = 16 << 20  # folders, manifests, receipts


def check_places(take: Take, plan: Plan, *, disk: Disk | None = None) -> tuple[State, ...]:
    """Refuse before anything moves: every destination is there, has room, takes files so large, and is free.

    Raises ArgumentInvalid, DiskTrouble, AlreadyThere or PlanImpossible.
    """
    disk = disk or RealDisk()
    places = plan.request.destinations
    if not places:
        raise ArgumentInvalid("no destination was given", now="Name one with --to")
    if len({place.resolve() for place in places}) < len(places):
        raise ArgumentInvalid("one destination is given twice", now="Name each place once")
    take_folder = take.folder.resolve()
    for place in places:
        if not place.is_dir():
            raise DiskTrouble("there is no such folder", where=str(place), now="Make it, or plug the disk in")
        if take_folder == place.resolve() or take_folder in place.resolve().parents:
            raise ArgumentInvalid("this is inside the take itself", where=str(place), now="Choose another folder")
    fingerprint = compute_fingerprint(take, plan)
    states = tuple(Package(place, plan.name, fingerprint, disk=disk).find_state() for place in places)
    if all(state is State.COMPLETE for state in states):
        raise AlreadyThere(
            "this very handover stands there already, complete",
            where=", ".join(str(place / plan.name) for place in places),
            now="Choose another name (--name) to make it again",
        )
    _require_room(plan, states, disk)
    return states


def carry_out(
    take: Take, plan: Plan, *, disk: Disk | None = None, tell: Tell = lambda what, done, total: None
) -> Outcome:
    """Make, copy and read back. May be run again after any interruption: it goes on where it was.

    The other destinations are served side by side; trouble with one keeps no other from being completed.

    Raises DiskTrouble and AlreadyThere; what is complete stays, what is not stands in a folder that ends in '.part'.
    """
    disk = disk or RealDisk()
    states = check_places(take, plan, disk=disk)
    fingerprint = compute_fingerprint(take, plan)
    packages = [Package(place, plan.name, fingerprint, disk=disk) for place in plan.request.destinations]
    progress = _Progress(plan, len(packages), tell)
    first = next((n for n, state in enumerate(states) if state is State.COMPLETE), 0)
    resumed = 0
    whole: list[Path] = []  # proven in this run
    try:
        for package, state in zip(packages, states, strict=True):
            if state is State.COMPLETE:
                progress.what = f"reading {package.folder} again"
                package.require_whole(moved=progress.moved)
                whole.append(package.folder)
        if states[first] is not State.COMPLETE:
            resumed = _make(take, plan, packages[first], fingerprint, disk, progress)
            whole.append(packages[first].folder)
        made, mix = read_contents(packages[first].folder, plan)
        source = packages[first].folder
        resumed += sum(
            together(
                partial(_copy, source, package, made, disk, progress, whole)
                for number, package in enumerate(packages)
                if number != first and states[number] is not State.COMPLETE
            )
        )
    except NightreelError as error:
        if whole:
            places = ", ".join(sorted(map(str, whole)))
            error.now = f"{error.now}. Complete at {places}; the same command goes on with the rest".lstrip(". ")
        raise
    finally:
        for package in packages:
            package.close()
    size_bytes = sum(file.digests.size_bytes for file in made)
    folders = [package.folder.absolute() for package in packages]
    return Outcome(
        plan=plan,
        made=made,
        deliveries=tuple(Delivery(folder=folder, files=len(made), size_bytes=size_bytes) for folder in folders),
        mix=mix,
        resumed_files=resumed,
    )


class _Progress:
    """Bytes moved of bytes to move, over making, copying and reading back."""

    def __init__(self, plan: Plan, places: int, tell: Tell) -> None:
        self._total = max(1, plan.size_bytes * (2 + 3 * (places - 1)))
        self._done = 0
        self._tell = tell
        self._lock = threading.Lock()
        self.what = ""

    def moved(self, size_bytes: int) -> None:
        with self._lock:
            self._done = min(self._done + size_bytes, self._total)
            self._tell(self.what, self._done, self._total)


def _make(take: Take, plan: Plan, package: Package, fingerprint: str, disk: Disk, progress: _Progress) -> int:
    resumed = package.begin()
    progress.what = "balancing the mix"
    mix = measure_mix(take, plan) if plan.mixed_lines else None
    made = []
    for file in plan.files:
        path = f"{PAYLOAD}/{file.path}"
        done = package.done.get(path)
        if done is None:
            progress.what = file.path
            place = package.place_for(path)
            clipped = _make_file(take, plan, file, place, mix, disk, progress)
            digests = digest_file(place)
            package.finish_file(path, digests, clipped)
            done = package.done[path]
        made.append(MadeFile(planned=file, digests=done.digests, clipped=done.clipped))
    info = _bag_info(take, plan, fingerprint)
    contents = contents_text(take, tuple(made), mix.figures if mix is not None else None)
    payload = {file.planned.path: file.digests for file in made}
    for name, text in tag_files(payload, info, {CONTENTS_NAME: contents}).items():
        package.write_text(name, text)
    progress.what = "reading back"
    package.complete(moved=progress.moved)
    return resumed


def _make_file(
    take: Take, plan: Plan, file: PlannedFile, place: Path, mix: MixSetting | None, disk: Disk, progress: _Progress
) -> int:
    if file.kind is FileKind.TRACK:
        return write_track(take, plan, file, place, disk=disk, moved=progress.moved)
    if file.kind is FileKind.MIX:
        assert mix is not None
        blocks = mix_blocks(take, mix, file.part.span, rate_hz=plan.rate_hz)
        bext = make_bext(take, plan, file)
        return write_samples(take, plan, file, place, blocks, bext, dither=True, disk=disk, moved=progress.moved)
    marks = take.facts.marks
    data = marks_to_midi(marks, rate_hz=take.rate_hz) if file.kind is FileKind.MARKS else _marks_csv(take, marks)
    write_new_bytes(place, data, disk=disk)
    return 0


def _copy(
    source: Path, package: Package, made: tuple[MadeFile, ...], disk: Disk, progress: _Progress, whole: list[Path]
) -> int:
    resumed = package.begin()
    known = {f"{PAYLOAD}/{file.planned.path}": file.digests for file in made}
    tags = sorted(p.name for p in source.iterdir() if p.is_file() and p.name != PROGRESS_NAME)
    for path in [*known, *tags]:
        if path in package.done:
            continue
        progress.what = f"copying {path} to {package.folder.parent}"
        place = package.place_for(path)
        digests = copy_verified(source / path, place, expected=known.get(path), disk=disk, moved=progress.moved)
        package.finish_file(path, digests)
    progress.what = f"reading back at {package.folder.parent}"
    package.complete(moved=progress.moved)
    whole.append(package.folder)
    return resumed


def _require_room(plan: Plan, states: tuple[State, ...], disk: Disk) -> None:
    needs: dict[int, int] = {}
    at: dict[int, Path] = {}
    for place, state in zip(plan.request.destinations, states, strict=True):
        limit = largest_file_bytes(place)
        largest = max(plan.files, key=lambda file: file.size_bytes)
        if limit is not None and largest.size_bytes > limit:
            raise PlanImpossible(
                f"'{largest.path}' will have {format_size(largest.size_bytes)}, the file system there takes files up "
                f"to {format_size(limit)}",
                where=str(place),
                now="Hand over by songs, as FLAC, or to a disk with exFAT",
            )
        if state is State.COMPLETE:
            continue
        device = place.stat().st_dev
        held = _held_bytes(place / (plan.name + PART_SUFFIX)) if state is State.UNFINISHED else 0
        needs[device] = needs.get(device, 0) + max(0, plan.size_bytes - held) + SPARE_BYTES
        at[device] = place
    for device, need in needs.items():
        free = free_bytes(at[device], disk=disk)
        if need > free:
            raise PlanImpossible(
                f"the handover needs {format_size(need)}, {format_size(free)} are free",
                where=str(at[device]),
                now="Free some room, choose another disk, fewer lines (--lines) or FLAC (--flac)",
            )


def _held_bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def _bag_info(take: Take, plan: Plan, fingerprint: str) -> Mapping[str, str]:
    facts = take.facts
    return {
        "Bagging-Date": f"{datetime.now():%Y-%m-%d}",
        "Bag-Software-Agent": f"Nightreel {__version__}",
        "External-Description": f"{facts.show}: {facts.name}, {len(plan.lines)} lines, {plan.request.cut}",
        FINGERPRINT_FIELD: fingerprint,
        "Internal-Sender-Identifier": facts.name,
    }


def _marks_csv(take: Take, marks: tuple[Mark, ...]) -> bytes:
    """The marks for a spreadsheet; times count from the first frame of the take."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["frame", "time", "name", "song"])
    for mark in sorted(marks, key=lambda m: m.frame):
        song = "" if mark.song is None else mark.song
        writer.writerow([mark.frame, format_position(mark.frame, take.rate_hz), mark.name, song])
    return out.getvalue().encode("utf-8-sig")
