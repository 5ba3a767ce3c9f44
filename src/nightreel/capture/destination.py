"""One place where a take is written: its files, its journal, its own pace and its own health.

Two threads a destination. The *writer* takes frames from the ring and writes them; the *keeper* makes them durable
at each checkpoint, lets the headers claim them, and puts marks and alerts into the journal. A destination that fails
is tried again every few seconds and goes on with new files where it left off, or where the ring still reaches; what
is lost to it is a *hole* of this destination. Nothing here ever holds up another destination.
"""

from __future__ import annotations

import errno
import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np

from nightreel.capture.destination_values import DestinationStatus, Ending, Posted
from nightreel.capture.model import DestinationState, Place, RecordPlan
from nightreel.capture.partfiles import PartFiles, part_paths
from nightreel.capture.ring import FrameRing, Taken
from nightreel.disk import Disk, make_folder_new, replace_text, write_new_bytes, write_new_text
from nightreel.errors import AlreadyThere, DiskTrouble, NightreelError
from nightreel.take.account import Part, with_parts
from nightreel.take.facts import FACTS_NAME, facts_json, facts_text
from nightreel.take.journal import JOURNAL_VERSION, RecordKind
from nightreel.take.journal_file import JournalFile
from nightreel.take.model import TakeFacts, TakeState
from nightreel.take.opened import METERS_PATH
from nightreel.timeline import Gap, GapCause, Mark, join_gaps
from nightreel.wave import Cue, repair

log = logging.getLogger("nightreel.capture")

RETRY_S = 1.0
CHUNK_S = 0.5  # the most that is written in one go; it is copied out of the ring first
GATHER_S = 0.1  # what a writer waits for, so that files are not written in crumbs
LATE_SHARE = 0.5  # of the ring
CLOSING_PATIENCE_S = 60.0  # with a slow disk, when the take ends
RETURN_PATIENCE_S = 5.0  # with one that has failed
SOURCE_REPORT_PATH = "measured/source.json"
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


class Destination:
    """Made, then ``prepare``d (raises, nothing runs yet), then ``start``ed; ends with ``close``."""

    def __init__(
        self,
        place: Place,
        plan: RecordPlan,
        facts: TakeFacts,
        ring: FrameRing,
        *,
        disk: Disk,
        others_writing: Callable[[Destination], bool],
        marks: Callable[[], tuple[Mark, ...]],
    ) -> None:
        self.place = place
        self._plan = plan
        self._facts = facts
        self._ring = ring
        self._disk = disk
        self._others_writing = others_writing
        self._marks = marks
        chunk = max(2, int(CHUNK_S * plan.rate_hz)) // 2 * 2
        self._chunk_frames = min(chunk, max(2, ring.capacity_frames // 4))
        self._gather_frames = max(1, min(int(GATHER_S * plan.rate_hz), self._chunk_frames))
        self._staging = np.zeros((len(plan.tracks), self._chunk_frames * plan.encoding.sample_bytes), dtype=np.uint8)
        self._state = DestinationState.WRITING
        self._trouble = ""
        self._part: PartFiles | None = None
        self._parts: list[Part] = []
        self._holes: list[Gap] = []
        self._journal: JournalFile | None = None
        self._good_end = 0  # take frames that are accounted for here, where no part is open
        self._checkpoint_frame = 0
        self._checkpoint_at_s = time.monotonic()
        self._slowest_sync_s = 0.0
        self._free_bytes: int | None = None
        self._posted: list[Posted] = []
        self._ending: Ending | None = None
        self._close_by_s = float("inf")
        self._next_try_s = 0.0
        self._reported: DiskTrouble | None = None
        self._make_room = False
        self._lock = threading.Lock()  # of what is posted and reported
        self._parts_lock = threading.Lock()  # held while a checkpoint runs and while files change
        self._wake = threading.Event()
        self._done = threading.Event()
        self._origin = 0
        self._tail = ring.open_tail(0)
        self._threads: list[threading.Thread] = []

    # --- life

    def prepare(self) -> None:
        """Make the take folder with its first files, journal and account. Raises AlreadyThere or DiskTrouble."""
        folder = self.place.folder
        if not folder.parent.is_dir():
            make_folder_new(folder.parent, disk=self._disk)
        make_folder_new(folder, disk=self._disk)
        make_folder_new(folder / "tracks", disk=self._disk)
        make_folder_new(folder / "measured", disk=self._disk)
        write_new_text(folder / FACTS_NAME, facts_text(self._facts), disk=self._disk)
        self._journal = JournalFile.create(folder, disk=self._disk)
        start = {
            "version": JOURNAL_VERSION,
            "facts": facts_json(self._facts),
            "destinations": [str(place.folder) for place in self._plan.places],
            "here": self.place.name,
            "checkpoint_s": self._plan.request.checkpoint_s,
        }
        self._journal.append(RecordKind.START, 0, start)
        self._journal.sync()
        self._part = self._create_part(number=0, first_frame=0)
        self._parts.append(Part(number=0, first_frame=0))

    def start(self, origin: int) -> None:
        """Write from ring frame ``origin`` on, which is frame 0 of the take."""
        self._origin = origin
        self._tail.back_to(origin)
        self._checkpoint_at_s = time.monotonic()
        for name, run in (("writer", self._run_writer), ("keeper", self._run_keeper)):
            thread = threading.Thread(target=run, name=f"{self.place.name} {name}", daemon=True)
            self._threads.append(thread)
            thread.start()

    def hold_producer(self, hold: bool) -> None:
        """Whether a source that can wait waits for this destination (only while it writes)."""
        self._tail.holds_producer = hold

    def post(self, kind: RecordKind, frame: int, data: Mapping[str, Any]) -> Posted:
        """Put a record into the journal soon; wait for ``durable`` where that matters."""
        posted = Posted(kind, frame, data)
        with self._lock:
            self._posted.append(posted)
        self._wake.set()
        return posted

    def close(self, ending: Ending) -> None:
        """Write what the ring still holds up to the end, then complete the take. Returns at once; see ``join``."""
        self._close_by_s = time.monotonic() + CLOSING_PATIENCE_S
        self._ending = ending
        self._ring.wake()

    def join(self, timeout_s: float) -> bool:
        """Whether the destination is closed within so long."""
        return self._done.wait(timeout_s)

    @property
    def is_writing(self) -> bool:
        return self._state in (DestinationState.WRITING, DestinationState.LATE)

    @property
    def holes(self) -> tuple[Gap, ...]:
        return tuple(self._holes)

    def status(self) -> DestinationStatus:
        free = self._free_bytes
        spare = None if free is None else max(0, free - self._plan.request.reserve_bytes)
        rate = self._plan.rate_hz
        part = self._part
        written = self._good_end if part is None or not self._parts else self._parts[-1].first_frame + part.frames
        return DestinationStatus(
            name=self.place.name,
            folder=self.place.folder,
            state=self._state,
            trouble=self._trouble,
            behind_s=max(0, self._ring.head - self._tail.position) / rate,
            free_bytes=free,
            seconds_left=None if spare is None else spare / max(1, self._plan.bytes_per_s),
            checkpoint_frame=self._checkpoint_frame,
            checkpoint_age_s=time.monotonic() - self._checkpoint_at_s,
            slowest_sync_s=self._slowest_sync_s,
            written_frames=written,
            hole_frames=sum(gap.frames for gap in self._holes),
        )

    # --- the writer

    def _run_writer(self) -> None:
        try:
            while not self._at_end():
                if self._part is None and not self._come_back():
                    if time.monotonic() > self._close_by_s - CLOSING_PATIENCE_S + RETURN_PATIENCE_S:
                        break
                    time.sleep(0.05)
                    continue
                if time.monotonic() > self._close_by_s:
                    self._fail(DiskTrouble("the disk is too slow to finish", where=str(self.place.folder)))
                    break
                try:
                    self._meet_reports()
                    moved = self._step()
                except NightreelError as error:
                    self._fail(error)
                    continue
                except Exception as error:
                    log.exception("%s: a fault of ours; trying again with new files", self.place.name)
                    self._fail(DiskTrouble(f"a fault of ours ({error})", where=str(self.place.folder)))
                    continue
                if not moved and self._ending is None:
                    self._tail.wait(self._gather_frames, timeout_s=0.2)
        except Exception:
            log.exception("%s: the writer stopped on a fault of ours", self.place.name)
            self._state, self._trouble = DestinationState.FAILED, "a fault of ours: see the log"
        self._finish()

    def _at_end(self) -> bool:
        return (
            self._ending is not None
            and self._part is not None
            and self._tail.position - self._origin >= self._ending.end_frame
        )

    def _meet_reports(self) -> None:
        """What the keeper found: trouble with a checkpoint, or that the reserve is reached."""
        with self._lock:
            reported, self._reported = self._reported, None
            make_room, self._make_room = self._make_room, False
        if reported is not None:
            raise reported
        if make_room:
            self._close_at_reserve()

    def _step(self) -> bool:
        """Move the next frames from the ring to the files; False when there were none."""
        part = self._part
        if part is None:
            return False
        most = self._chunk_frames
        if self._plan.part_frames is not None:
            most = min(most, self._plan.part_frames - part.frames)
        waiting = self._tail.behind_frames
        if waiting < self._gather_frames and self._ending is None:
            return False
        late = waiting > LATE_SHARE * self._ring.capacity_frames
        self._state = DestinationState.LATE if late else DestinationState.WRITING
        taken = self._tail.take(most, self._staging, even=self._ending is None)
        self._account_before_writing(taken)
        self._write_zeros(taken.skipped.frames)
        if taken.frames:
            self._write(taken.frames)
        return taken.frames > 0 or taken.skipped.frames > 0

    def _account_before_writing(self, taken: Taken) -> None:
        """What is missing stands in the journal before the zeros in its place stand in the files."""
        assert self._journal is not None
        for gap in taken.gaps:
            first = max(0, gap.first_frame - self._origin)
            frames = gap.end_frame - self._origin - first
            if frames > 0:
                data = {"frames": frames, "cause": gap.cause.value, "channels": list(gap.channels)}
                self._journal.append(RecordKind.GAP, first, data)
        if taken.skipped.frames:
            first = taken.skipped.first_frame - self._origin
            self._note_hole(first, taken.skipped.frames, GapCause.RING_FULL)

    def _note_hole(self, first_frame: int, frames: int, cause: GapCause) -> None:
        self._holes.append(Gap(first_frame=first_frame, frames=frames, cause=cause))
        if self._journal is not None:
            self._journal.append(RecordKind.HOLE, first_frame, {"frames": frames, "cause": cause.value})

    def _write_zeros(self, frames: int) -> None:
        if frames <= 0:
            return
        kept = self._staging.copy()  # the frames after the hole wait there
        self._staging[:] = 0
        try:
            while frames > 0:
                count = min(frames, self._chunk_frames)
                if self._part is not None and self._plan.part_frames is not None:
                    count = min(count, self._plan.part_frames - self._part.frames)
                self._write(count)
                frames -= count
        finally:
            self._staging[:] = kept

    def _write(self, frames: int) -> None:
        """The staged frames, across the border of a part if need be."""
        part = self._part
        assert part is not None
        room = frames if self._plan.part_frames is None else self._plan.part_frames - part.frames
        if room < frames:  # only after a hole that ended inside this part
            size = self._plan.encoding.sample_bytes
            part.write(self._staging, room)
            self._next_part()
            self._staging[:, : (frames - room) * size] = self._staging[:, room * size : frames * size].copy()
            self._write(frames - room)
            return
        part.write(self._staging, frames)
        if part.frames == self._plan.part_frames:
            self._next_part()

    def _next_part(self) -> None:
        """Complete the files of this part and begin the next where it ends."""
        with self._parts_lock:
            part, now = self._part, self._parts[-1]
            assert part is not None
            assert self._journal is not None
            end = now.first_frame + part.frames
            fresh = self._create_part(number=now.number + 1, first_frame=end)
            self._journal.append(RecordKind.SEGMENT, end, {"number": now.number + 1, "previous_end": end})
            self._part = fresh
            self._parts[-1] = replace(now, end_frame=end)
            self._parts.append(Part(number=now.number + 1, first_frame=end))
            part.close(self._cues(now.first_frame, end))

    def _create_part(self, *, number: int, first_frame: int) -> PartFiles:
        return PartFiles.create(
            self.place.folder,
            self._plan,
            number=number,
            first_frame=first_frame,
            started_at=self._facts.started_at,
            time_reference_frames=self._facts.time_reference_frames,
            disk=self._disk,
        )

    # --- trouble and return

    def _fail(self, error: NightreelError) -> None:
        """Keep what is good, let the files go, and be ready to go on from there."""
        cause = error.__cause__
        full = isinstance(cause, OSError) and cause.errno in _FULL
        with self._parts_lock:
            part = self._part
            if part is not None:
                first = self._parts[-1].first_frame
                # After a failed sync the system may have dropped what it had not written: only what was
                # confirmed counts. A full disk, in contrast, has taken everything up to the last whole chunk.
                good = first + part.frames if full else max(first, min(self._checkpoint_frame, first + part.frames))
                part.give_up(good - first)
                self._part = None
                self._good_end = good
                self._tail.back_to(self._origin + good)
        self._state = DestinationState.FULL if full else DestinationState.FAILED
        self._trouble = str(error)
        # Files at their largest size are continued in new ones at once; a disk in trouble gets a moment.
        at_once = isinstance(cause, OSError) and cause.errno == errno.EFBIG
        self._next_try_s = time.monotonic() + (0.0 if at_once else RETRY_S)
        self._tail.holds_producer = False
        log.warning("%s: %s", self.place.name, error)

    def _close_at_reserve(self) -> None:
        """Close cleanly while there is still room for it; another destination goes on."""
        part = self._part
        if part is None:
            return
        with self._parts_lock:
            now = self._parts[-1]
            end = now.first_frame + part.frames
            self._part = None
            self._good_end = self._checkpoint_frame = end
            part.close(self._cues(now.first_frame, end))
            if self._journal is not None:
                self._journal.append(RecordKind.CHECKPOINT, end)
                self._journal.append(RecordKind.DESTINATION, end, {"state": DestinationState.FULL.value})
                self._journal.sync()
        self._state = DestinationState.FULL
        self._trouble = "closed cleanly at the free-space reserve"
        self._next_try_s = time.monotonic() + RETRY_S
        self._tail.holds_producer = False

    def _come_back(self) -> bool:
        """Try to go on with new files; the ring may still hold what came in between."""
        now_s = time.monotonic()
        if now_s < self._next_try_s:
            return False
        self._next_try_s = now_s + RETRY_S
        try:
            if self._state is DestinationState.FULL and not self._has_room_again():
                return False
            self._resume()
        except NightreelError as error:
            self._trouble = str(error)
            return False
        except OSError as error:
            self._trouble = error.strerror or str(error)
            return False
        log.warning("%s: writing again from frame %d", self.place.name, self._parts[-1].first_frame)
        return True

    def _has_room_again(self) -> bool:
        free = self._disk.free_bytes(self.place.folder)
        self._free_bytes = free
        wanted = self._plan.bytes_per_s * 10
        if self._others_writing(self):
            wanted += self._plan.request.reserve_bytes
        return free > wanted

    def _resume(self) -> None:
        folder = self.place.folder
        if not (folder / FACTS_NAME).is_file():
            raise DiskTrouble("the take folder is not there", where=str(folder), now="Plug the disk in again")
        with self._parts_lock:
            if self._journal is not None:
                with suppress(NightreelError):
                    self._journal.close()
            self._journal = JournalFile.reopen(folder, disk=self._disk)
            start = max(self._good_end, self._ring.oldest - self._origin)
            last = self._parts[-1]
            self._mend_headers(last)
            number = last.number + 1
            try:
                part = self._create_part(number=number, first_frame=start)
            except AlreadyThere:  # files of an attempt that the failing disk did not let us take back
                number += 1
                part = self._create_part(number=number, first_frame=start)
            data = {"number": number, "previous_end": self._good_end}
            self._journal.append(RecordKind.SEGMENT, start, data)
            if start > self._good_end:
                self._note_hole(self._good_end, start - self._good_end, GapCause.DISK_FAILED)
            self._journal.sync()
            self._parts[-1] = replace(last, end_frame=self._good_end)
            self._parts.append(Part(number=number, first_frame=start))
            self._part = part
            self._tail.back_to(self._origin + start)
        self._state, self._trouble = DestinationState.WRITING, ""
        self._checkpoint_at_s = time.monotonic()
        with self._lock:
            self._reported = None

    def _mend_headers(self, part: Part) -> None:
        """A disk that failed in the middle of a checkpoint left files that claim different lengths."""
        for path in part_paths(self._plan, part.number):
            repair(self.place.folder / path, frames=self._good_end - part.first_frame, disk=self._disk)

    # --- the keeper

    def _run_keeper(self) -> None:
        due_s = time.monotonic() + self._plan.request.checkpoint_s
        while not self._done.is_set():
            self._wake.wait(max(0.0, min(due_s - time.monotonic(), 1.0)))
            self._wake.clear()
            try:
                self._flush_posted()
                if time.monotonic() >= due_s:
                    due_s = time.monotonic() + self._plan.request.checkpoint_s
                    self._watch_room()
                    self._checkpoint()
            except DiskTrouble as error:
                with self._lock:
                    self._reported = error
            except Exception:
                log.exception("%s: a checkpoint failed on a fault of ours", self.place.name)

    def _flush_posted(self) -> None:
        with self._lock:
            waiting = list(self._posted)
        if not waiting or self._journal is None or self._part is None:
            return
        with self._parts_lock:
            for posted in waiting:
                self._journal.append(posted.kind, posted.frame, posted.data)
            self._journal.sync()
        for posted in waiting:
            posted.durable.set()
        with self._lock:
            self._posted = [p for p in self._posted if p not in waiting]

    def _checkpoint(self) -> None:
        with self._parts_lock:
            part = self._part
            if part is None or self._journal is None:
                return
            if not self.place.folder.is_dir():
                raise DiskTrouble("the take folder is gone", where=str(self.place.folder), now="Plug the disk in again")
            began_s = time.monotonic()
            frames = part.sync()
            part.claim(frames)
            frame = self._parts[-1].first_frame + frames
            self._journal.append(RecordKind.CHECKPOINT, frame)
            self._journal.sync()
            self._checkpoint_frame = max(self._checkpoint_frame, frame)
            self._checkpoint_at_s = time.monotonic()
            self._slowest_sync_s = max(self._slowest_sync_s, self._checkpoint_at_s - began_s)

    def _watch_room(self) -> None:
        free = self._disk.free_bytes(self.place.folder)
        self._free_bytes = free
        if free < self._plan.request.reserve_bytes and self._part is not None and self._others_writing(self):
            with self._lock:
                self._make_room = True

    # --- the end

    def _finish(self) -> None:
        ending = self._ending
        try:
            if ending is not None:
                self._complete(ending)
        except NightreelError as error:
            self._state, self._trouble = DestinationState.FAILED, str(error)
            log.warning("%s: closing: %s", self.place.name, error)
        except Exception:
            log.exception("%s: closing failed on a fault of ours", self.place.name)
            self._state, self._trouble = DestinationState.FAILED, "a fault of ours: see the log"
        finally:
            self._done.set()
            self._wake.set()
            if self._journal is not None:
                with suppress(NightreelError):
                    self._journal.close()

    def _complete(self, ending: Ending) -> None:
        with suppress(DiskTrouble):
            self._flush_posted()
        with self._parts_lock:
            whole = self._close_last_part()
            if self._good_end < ending.end_frame:
                self._note_hole(self._good_end, ending.end_frame - self._good_end, GapCause.DISK_FAILED)
            self._parts[-1] = replace(self._parts[-1], end_frame=self._good_end)
            if self._journal is not None:
                self._journal.append(RecordKind.STOP, ending.end_frame, {"reason": ending.reason})
                self._journal.sync()
            folder = self.place.folder
            replace_text(folder / FACTS_NAME, facts_text(self.facts_at(ending)), disk=self._disk)
            self._checkpoint_frame = ending.end_frame
            self._save_measured(METERS_PATH, ending.meters)
            self._save_measured(SOURCE_REPORT_PATH, ending.source_report.encode())
        if whole:
            self._state, self._trouble = DestinationState.CLOSED, ""

    def _close_last_part(self) -> bool:
        """Whether its files are complete; else as much of them is claimed as is certain."""
        part, self._part = self._part, None
        now = self._parts[-1]
        if part is not None:
            try:
                part.close(self._cues(now.first_frame, now.first_frame + part.frames))
                self._good_end = now.first_frame + part.frames
                return True
            except NightreelError as error:
                log.warning("%s: completing the files: %s", self.place.name, error)
                self._state, self._trouble = DestinationState.FAILED, str(error)
                self._good_end = max(now.first_frame, self._checkpoint_frame)
        with suppress(NightreelError):
            self._mend_headers(now)
        return False

    def _save_measured(self, path: str, data: bytes) -> None:
        """A convenience for later: what goes wrong here is no trouble of the take."""
        if data:
            try:
                write_new_bytes(self.place.folder / path, data, disk=self._disk)
            except NightreelError as error:
                log.warning("%s: %s is not saved: %s", self.place.name, path, error)

    def facts_at(self, ending: Ending) -> TakeFacts:
        """The account of this destination: its own holes count as gaps here."""
        return replace(
            self._facts,
            frames=ending.end_frame,
            state=TakeState.CLOSED,
            gaps=join_gaps([*ending.source_gaps, *self._holes]),
            marks=ending.marks,
            stop_reason=ending.reason,
            tracks=tuple(with_parts(track, self._parts, ending.end_frame) for track in self._facts.tracks),
        )

    def _cues(self, first_frame: int, end_frame: int) -> Sequence[Cue]:
        return [
            Cue(frame=m.frame - first_frame, label=m.name) for m in self._marks() if first_frame <= m.frame < end_frame
        ]
