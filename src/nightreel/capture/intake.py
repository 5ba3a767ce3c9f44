"""From the source to the ring: one thread that reads, packs and pushes, and never waits for a disk.

A source that is lost (a server killed, a cable pulled) is opened again and again; the time without it becomes a gap
of the length that the computer's clock says, so that the take stays in step with the evening.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel.capture.ring import FrameRing
from nightreel.capture.sources import SourceSetup
from nightreel.errors import DeviceTrouble, NightreelError
from nightreel.ports.protocols import Block, EndOfFrames, FrameSource, HasReport
from nightreel.timeline import Gap, GapCause
from nightreel.units import Encoding
from nightreel.wave import pack_columns

log = logging.getLogger("nightreel.capture")

READ_TIMEOUT_S = 0.25
SILENT_SOURCE_S = 5.0  # a running source that delivers nothing for so long is taken for lost
REOPEN_S = 0.5


class Intake:
    """``open`` raises when the source cannot be had; then ``start`` runs it until ``stop`` or until it has ended."""

    def __init__(
        self, setup: SourceSetup, ring: FrameRing, *, channels: Sequence[int], encoding: Encoding, rate_hz: int
    ) -> None:
        """``channels`` : of the source, one a track, in track order."""
        self._setup = setup
        self._ring = ring
        self._channels = list(channels)
        self._straight = self._channels == list(range(len(self._channels)))
        self._encoding = encoding
        self._rate_hz = rate_hz
        self._source: FrameSource | None = None
        self._stop = threading.Event()
        self._expected = 0  # source frame that must come next
        self._clipped: NDArray[np.int64] = np.zeros(len(self._channels), dtype=np.int64)
        self._last_block_s = time.monotonic()
        self._lost = ""
        self._report: Mapping[str, Any] = {}  # of the source that was let go last
        self.ended = threading.Event()  # no more frames will come
        self.failed = False  # ... because of a fault of ours: a recorder started anew may do better
        self._thread = threading.Thread(target=self._run, name="intake", daemon=True)

    def open(self) -> None:
        """Raises DeviceTrouble, NetworkTrouble or AudioFileInvalid; nothing is left open then."""
        source = self._setup.open()
        if source.channels < max(self._channels) + 1:
            needed = max(self._channels) + 1
            raise DeviceTrouble(
                f"the source has {source.channels} channels, the patch needs {needed}",
                where=source.clock,
                now="Choose a source with more channels or patch fewer sends",
            )
        if source.rate_hz != self._rate_hz:
            raise DeviceTrouble(
                f"the source runs at {source.rate_hz} Hz, the show at {self._rate_hz} Hz",
                where=source.clock,
                now="Set the device or the show to the same rate",
            )
        source.start()
        self._source = source
        self._expected = 0
        self._last_block_s = time.monotonic()

    @property
    def clock(self) -> str:
        return self._source.clock if self._source is not None else ""

    @property
    def lost(self) -> str:
        """Why the source is gone at the moment; '' while it runs."""
        return self._lost

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the running source warns of, beyond gaps."""
        source = self._source
        return source.warnings if isinstance(source, HasReport) else ()

    @property
    def report(self) -> Mapping[str, Any]:
        """The figures of the running source, or of the last one; empty where its kind keeps none."""
        source = self._source
        return source.report() if isinstance(source, HasReport) else self._report

    @property
    def clipped(self) -> NDArray[np.int64]:
        """Samples a track that were beyond full scale and had to be clipped."""
        return self._clipped.copy()

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Take no more frames; idempotent."""
        self._stop.set()
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(timeout=30.0)
        self._let_go()
        self.ended.set()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                if self._source is None:
                    self._reopen()
                    continue
                try:
                    block = self._source.read(timeout_s=READ_TIMEOUT_S)
                    if block is None:
                        self._notice_silence()
                    else:
                        self._take_in(block)
                except EndOfFrames:
                    break
                except NightreelError as error:
                    self._lose(error)
        except Exception:
            log.exception("the intake stopped on a fault of ours")
            self.failed = True
        finally:
            self._let_go()
            self.ended.set()
            self._ring.wake()

    def _take_in(self, block: Block) -> None:
        self._last_block_s = time.monotonic()
        ahead = block.first_frame - self._expected
        if ahead > 0:  # a source should never do this; what it left out is a gap all the same
            self._push_silence(ahead, GapCause.UNKNOWN)
        elif ahead < 0:
            raise DeviceTrouble("the source delivered frames twice", where=self.clock)
        offset = self._ring.head - block.first_frame
        gaps = tuple(replace(gap, first_frame=gap.first_frame + offset) for gap in block.gaps)
        samples = block.samples[:, : len(self._channels)] if self._straight else block.samples[:, self._channels]
        self._push(np.ascontiguousarray(samples), gaps)
        self._expected = block.first_frame + block.frames

    def _push(self, samples: NDArray[np.float32], gaps: tuple[Gap, ...]) -> None:
        rows, _ = pack_columns(samples, self._encoding, clipped=self._clipped)
        frames = samples.shape[0]
        if self._setup.waits:
            while not self._ring.wait_for_room(frames, timeout_s=0.5):
                if self._stop.is_set():
                    return
        self._ring.push(rows, frames, gaps)

    def _push_silence(self, frames: int, cause: GapCause) -> None:
        block = np.zeros((min(frames, self._rate_hz // 4), len(self._channels)), dtype=np.float32)
        while frames > 0 and not self._stop.is_set():
            count = min(frames, block.shape[0])
            gap = Gap(first_frame=self._ring.head, frames=count, cause=cause)
            self._push(block[:count], (gap,))
            frames -= count

    def _notice_silence(self) -> None:
        if not self._setup.waits and time.monotonic() - self._last_block_s > SILENT_SOURCE_S:
            raise DeviceTrouble("the source delivers nothing any more", where=self.clock, now="Check device and cable")

    def _lose(self, error: NightreelError) -> None:
        log.warning("the source is lost: %s", error)
        self._lost = str(error)
        self._let_go()

    def _let_go(self) -> None:
        source, self._source = self._source, None
        if source is not None:
            if isinstance(source, HasReport):
                self._report = source.report()
            try:
                source.stop()
            except NightreelError as error:
                log.warning("letting the source go: %s", error)

    def _reopen(self) -> None:
        """Fill the time that has passed with silence, listed as a gap, and try to have the source again."""
        self._fill_lost_time()
        try:
            self.open()
        except NightreelError as error:
            self._lost = str(error)
            self._source = None
            self._fill_lost_time()
            self._stop.wait(REOPEN_S)
            return
        except EndOfFrames:
            return
        self._lost = ""
        log.warning("the source is back")

    def _fill_lost_time(self) -> None:
        now_s = time.monotonic()
        frames = int((now_s - self._last_block_s) * self._rate_hz)
        if frames > 0:
            self._last_block_s += frames / self._rate_hz
            self._push_silence(frames, GapCause.DEVICE_LOST)
