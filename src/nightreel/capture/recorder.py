"""The recorder as an object: source, ring, destinations, meters and watch, tied together; knows no process or socket.

recorder = Recorder(plan, setup)
recorder.open()      # everything that can be refused is refused here, and nothing is on disk before it
recorder.arm() or recorder.record()
recorder.mark("Tin Boats")
recorder.stop(confirm=recorder.take_name)
recorder.wait(timeout_s=60)
"""

from __future__ import annotations

import json
import logging
import math
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel import __version__
from nightreel.capture.destination import Destination
from nightreel.capture.destination_values import DestinationStatus, Ending
from nightreel.capture.intake import Intake
from nightreel.capture.measuring import Measuring
from nightreel.capture.model import MOVES, DestinationState, RecorderState, RecordPlan
from nightreel.capture.ring import FrameRing
from nightreel.capture.setlist import SetListPlace
from nightreel.capture.sources import SourceSetup
from nightreel.capture.watch import Watch, Watched
from nightreel.disk import Disk, RealDisk
from nightreel.errors import ArgumentInvalid, ConfirmationMissing, FailureError, NightreelError, RequestError
from nightreel.signal.meters import RecentLevels
from nightreel.take.facts import mark_json
from nightreel.take.journal import RecordKind
from nightreel.take.model import Alert, TakeFacts, TakeState
from nightreel.timeline import Gap, Mark, Span, join_gaps, union

log = logging.getLogger("nightreel.capture")

MARK_PATIENCE_S = 3.0
OTHERS_PATIENCE_S = 0.5  # with the slower disks, once one of them has a mark
WATCH_EVERY_S = 0.2
RING_SLACK_S = 2.0  # beyond the pre-roll, so that a start while armed never meets the edge


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Of the take so far, at all destinations together."""

    frames: int
    gaps: tuple[Gap, ...]  # never arrived from the source
    lost_frames: int  # arrived, but written nowhere


class Recorder:
    """One take. Every public method may be called from any thread."""

    def __init__(
        self,
        plan: RecordPlan,
        setup: SourceSetup,
        *,
        disks: Mapping[str, Disk] | None = None,
        on_block: Callable[[NDArray[np.float32], int], None] | None = None,
    ) -> None:
        """disks : by the name of a place ('primary', 'mirror'); the machine's own where not given.

        on_block : is given each measured block (frames, tracks) with its first frame, in the measuring thread
        """
        self._plan = plan
        self._setup = setup
        self._disks = dict(disks or {})
        request = plan.request
        seconds = max(request.ring_s, request.preroll_s + RING_SLACK_S if request.armed else 0.0)
        self._ring = FrameRing(
            tracks=len(plan.tracks),
            sample_bytes=plan.encoding.sample_bytes,
            capacity_frames=round(seconds * plan.rate_hz),
        )
        self._intake = Intake(
            setup,
            self._ring,
            channels=[track.channel for track in plan.tracks],
            encoding=plan.encoding,
            rate_hz=plan.rate_hz,
        )
        self._measuring = (
            Measuring(
                self._ring, tracks=len(plan.tracks), rate_hz=plan.rate_hz, encoding=plan.encoding, on_block=on_block
            )
            if request.measured
            else None
        )
        self._watch = Watch(plan.tracks, rate_hz=plan.rate_hz)
        self._set_list = SetListPlace(plan.show.set_list, begun=plan.song_index)
        self._state = RecorderState.STARTING
        self._state_changed = threading.Condition()
        self._marks: list[Mark] = []
        self._alerts: tuple[Alert, ...] = ()
        self._destinations: tuple[Destination, ...] = ()
        self._facts: TakeFacts | None = None
        self._origin = 0
        self._end_frame: int | None = None
        self._stop_reason = ""
        self._warned_at_start: frozenset[str] = frozenset()
        self._watch_thread = threading.Thread(target=self._run_watch, name="watch", daemon=True)
        self._marking = threading.Lock()

    # --- life

    def open(self) -> None:
        """Have the source running. Raises its errors; nothing is on disk yet."""
        self._intake.open()
        self._warned_at_start = frozenset(self._intake.warnings)
        self._intake.start()

    def arm(self) -> None:
        """Keep the last seconds without writing, until :meth:`record`."""
        self._move_to(RecorderState.ARMED)

    def record(self) -> None:
        """Make the take and write from now on, or from the pre-roll where armed.

        Raises AlreadyThere or DiskTrouble when the primary destination cannot be made; a mirror that cannot be made
        raises too: better to know it now than at the end of the night.
        """
        armed = self._state is RecorderState.ARMED
        if self._state not in (RecorderState.ARMED, RecorderState.STARTING):
            raise RequestError("the take is running already", where=self._plan.take_name)
        kept = round(self._plan.request.preroll_s * self._plan.rate_hz) if armed else 0
        now_head, now = self._ring.head, datetime.now().astimezone()
        self._origin = max(0, self._ring.oldest, now_head - kept) if armed else 0
        early_s = (now_head - self._origin) / self._plan.rate_hz
        self._facts = self._facts_at_start(now - timedelta(seconds=early_s))
        destinations = [
            Destination(
                place,
                self._plan,
                self._facts,
                self._ring,
                disk=self._disks.get(place.name) or RealDisk(),
                others_writing=self._others_writing,
                marks=self.marks,
            )
            for place in self._plan.places
        ]
        for destination in destinations:
            destination.prepare()
        self._destinations = tuple(destinations)
        for destination in destinations:
            destination.hold_producer(self._setup.waits)
            destination.start(self._origin)
        if self._measuring is not None:
            self._measuring.start(self._origin, holds_producer=self._setup.waits)
        self._move_to(RecorderState.RECORDING)
        self._watch_thread.start()

    def stop(self, *, confirm: str, reason: str = "command") -> None:
        """End the take. Raises ConfirmationMissing unless ``confirm`` is the take's name."""
        if confirm != self._plan.take_name:
            raise ConfirmationMissing(
                "Still recording: stopping has to be confirmed with the name of the take",
                where=self._plan.take_name,
                now=f"nightreel stop SHOW --confirm {self._plan.take_name}",
            )
        self._end(reason)

    def disarm(self) -> None:
        """Let the source go without having recorded anything."""
        if self._state is not RecorderState.ARMED:
            raise RequestError("the take is running: stop it instead", where=self._plan.take_name)
        self._end("disarmed")

    def wait(self, *, timeout_s: float) -> bool:
        """Whether the take is closed within so long."""
        with self._state_changed:
            return self._state_changed.wait_for(lambda: self._state is RecorderState.CLOSED, timeout_s)

    def abandon(self) -> None:
        """Give up before anything was recorded: frees the source."""
        self._intake.stop()
        self._state = RecorderState.CLOSED

    # --- what others ask

    @property
    def plan(self) -> RecordPlan:
        return self._plan

    @property
    def take_name(self) -> str:
        return self._plan.take_name

    @property
    def state(self) -> RecorderState:
        return self._state

    @property
    def intake(self) -> Intake:
        return self._intake

    @property
    def set_list(self) -> SetListPlace:
        return self._set_list

    @property
    def ring_s(self) -> float:
        return self._ring.capacity_frames / self._plan.rate_hz

    @property
    def ring_bytes(self) -> int:
        return self._ring.size_bytes

    @property
    def frames(self) -> int:
        """Of the take so far; while armed, what is kept."""
        if self._end_frame is not None:
            return self._end_frame
        if self._state in (RecorderState.STARTING, RecorderState.ARMED):
            return self._ring.head - self._ring.oldest
        return self._ring.head - self._origin

    def marks(self) -> tuple[Mark, ...]:
        return tuple(self._marks)

    def alerts(self) -> tuple[Alert, ...]:
        """Those that stand now, the most important first."""
        return self._alerts

    def destinations(self) -> tuple[DestinationStatus, ...]:
        return tuple(d.status() for d in self._destinations)

    def levels(self, windows: int = 1) -> RecentLevels | None:
        return self._measuring.recent(windows) if self._measuring is not None else None

    def account(self) -> Account:
        gaps = self._source_gaps()
        return Account(frames=self.frames, gaps=gaps, lost_frames=sum(span.frames for span in self._lost_everywhere()))

    def mark(self, name: str = "", *, source: str = "command", frame: int | None = None) -> Mark:
        """Name this moment; durable at one destination at least when this returns.

        name : '' takes the next song of the set list; a title of the set list moves the set list there
        frame : of the take, where the moment is not now

        Raises RequestError when nothing is recording, FailureError when no destination could keep it.
        """
        if self._state is not RecorderState.RECORDING:
            raise RequestError("nothing is being recorded, so there is nothing to mark", where=self._plan.take_name)
        with self._marking:
            place = self.frames if frame is None else frame
            if not 0 <= place <= self.frames:
                raise ArgumentInvalid(f"frame {place} is outside the take", where=self._plan.take_name)
            title, song = self._set_list.name_mark(name, count=len(self._marks))
            mark = Mark(frame=place, name=title, song=song, source=source)
            self._marks.append(mark)
        data: dict[str, Any] = {k: v for k, v in mark_json(mark).items() if k != "frame"}
        if not self._post_everywhere(RecordKind.MARK, mark.frame, data, wait_s=MARK_PATIENCE_S):
            raise FailureError(
                "the mark is noted, but no disk has confirmed it yet",
                where=mark.name,
                now="It will be written as soon as a disk answers; look at the state of the disks",
            )
        return mark

    # --- inside

    def _move_to(self, state: RecorderState) -> None:
        with self._state_changed:
            if state not in MOVES[self._state]:
                raise RequestError(f"a recorder that is {self._state} cannot become {state}")
            self._state = state
            self._state_changed.notify_all()

    def _facts_at_start(self, started_at: datetime) -> TakeFacts:
        midnight = started_at.replace(hour=0, minute=0, second=0, microsecond=0)
        since_midnight_s = (started_at - midnight).total_seconds()
        return TakeFacts(
            name=self._plan.take_name,
            show=self._plan.show.name,
            rate_hz=self._plan.rate_hz,
            encoding=self._plan.encoding,
            started_at=started_at,
            frames=0,
            tracks=self._plan.tracks,
            state=TakeState.RECORDING,
            clock=self._intake.clock,
            time_reference_frames=round(since_midnight_s * self._plan.rate_hz),
            follows=self._plan.request.follows,
            nightreel=__version__,
        )

    def _others_writing(self, asking: Destination) -> bool:
        return any(d.is_writing for d in self._destinations if d is not asking)

    def _post_everywhere(self, kind: RecordKind, frame: int, data: Mapping[str, Any], *, wait_s: float) -> bool:
        """Whether one destination has made the record durable within so long."""
        posted = [(destination, destination.post(kind, frame, data)) for destination in self._destinations]
        give_up_s = time.monotonic() + wait_s
        while not any(p.durable.is_set() for _, p in posted):
            if time.monotonic() >= give_up_s:
                return False
            for _, p in posted:
                if p.durable.wait(0.01):
                    break
        others_s = min(give_up_s, time.monotonic() + OTHERS_PATIENCE_S)
        for destination, p in posted:
            if destination.is_writing:
                p.durable.wait(max(0.0, others_s - time.monotonic()))
        return True

    def _source_gaps(self) -> tuple[Gap, ...]:
        """In take frames, up to the end."""
        end = self.frames
        gaps = []
        for gap in self._ring.gaps():
            first = max(0, gap.first_frame - self._origin)
            frames = min(end, gap.end_frame - self._origin) - first
            if frames > 0:
                gaps.append(replace(gap, first_frame=first, frames=frames))
        return join_gaps(gaps)

    def _lost_everywhere(self) -> tuple[Span, ...]:
        """Frames that are a hole at every destination."""
        holes = [union(gap.span for gap in d.holes) for d in self._destinations]
        if not holes:
            return ()
        common = holes[0]
        for other in holes[1:]:
            common = _intersect(common, other)
        return common

    def _run_watch(self) -> None:
        while self._state is RecorderState.RECORDING:
            if self._intake.ended.is_set():
                self._end("a fault of the recorder: see its log" if self._intake.failed else "the source has ended")
                return
            try:
                self._look()
            except Exception:
                log.exception("the watch stumbled on a fault of ours; the recording goes on")
            self._intake.ended.wait(WATCH_EVERY_S)

    def _look(self) -> None:
        statuses = self.destinations()
        seen = Watched(
            frame=self.frames,
            levels=self.levels(10),
            destinations=statuses,
            gaps=self._source_gaps(),
            lost_everywhere=self._lost_everywhere(),
            source_lost=self._intake.lost,
            meters_missed=self._measuring.missed_frames if self._measuring is not None else 0,
            # A source that waits fills the ring as a matter of course.
            ring_s=math.inf if self._setup.waits else self.ring_s,
            expected_frames=self._expected_frames(),
            checkpoint_s=self._plan.request.checkpoint_s,
            source_warnings=[words for words in self._intake.warnings if words not in self._warned_at_start],
        )
        begun, ended, standing = self._watch.look(seen)
        self._alerts = standing
        for alert in begun:
            data = {"key": alert.key, "rank": alert.rank, "line": alert.line, "what": alert.what, "now": alert.now}
            self._post_everywhere(RecordKind.ALERT, alert.first_frame, data, wait_s=0.0)
            log.warning("alert: %s", alert.what)
        for alert in ended:
            frame = alert.end_frame if alert.end_frame is not None else seen.frame
            self._post_everywhere(RecordKind.ALERT_END, frame, {"key": alert.key}, wait_s=0.0)
        for destination, status in zip(self._destinations, statuses, strict=True):
            # A source that waits must not wait for a dead disk; nor lose frames for one that is merely slow.
            alive = status.state in (DestinationState.WRITING, DestinationState.LATE)
            destination.hold_producer(self._setup.waits and alive)

    def _expected_frames(self) -> int | None:
        length_s = self._plan.request.length_s or self._plan.show.expected_length_s
        return None if length_s is None else round(length_s * self._plan.rate_hz)

    def _end(self, reason: str) -> None:
        with self._state_changed:
            if self._state in (RecorderState.CLOSING, RecorderState.CLOSED):
                return
            if self._state is RecorderState.RECORDING:
                self._state = RecorderState.CLOSING
            else:
                self._state = RecorderState.CLOSED
            self._stop_reason = reason
            self._state_changed.notify_all()
        if self._state is RecorderState.CLOSED:
            self._intake.stop()
            return
        threading.Thread(target=self._close, name="closing", daemon=False).start()

    def _close(self) -> None:
        try:
            self._intake.stop()
            self._end_frame = self._ring.head - self._origin
            for destination in self._destinations:
                destination.hold_producer(False)
            meters = b""
            if self._measuring is not None:
                meters = self._measuring.finish(self._end_frame, timeout_s=60.0)
            ending = Ending(
                end_frame=self._end_frame,
                reason=self._stop_reason,
                marks=self.marks(),
                source_gaps=self._source_gaps(),
                meters=meters,
                source_report=json.dumps(self._intake.report, ensure_ascii=False, indent=1)
                if self._intake.report
                else "",
            )
            for destination in self._destinations:
                destination.close(ending)
            for destination in self._destinations:
                destination.join(120.0)
        except NightreelError as error:
            log.error("closing: %s", error)
        except Exception:
            log.exception("closing failed on a fault of ours")
        finally:
            self._move_to(RecorderState.CLOSED)


def _intersect(left: tuple[Span, ...], right: tuple[Span, ...]) -> tuple[Span, ...]:
    common = []
    for a in left:
        for b in right:
            first, end = max(a.first_frame, b.first_frame), min(a.end_frame, b.end_frame)
            if first < end:
                common.append(Span(first_frame=first, frames=end - first))
    return tuple(common)
