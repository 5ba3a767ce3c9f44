"""Ears for marks from outside: OSC over UDP, a raw MIDI device, LTC on a line. Each in its own thread or hook.

Whatever comes in, the recording is never touched by it: a malformed packet is counted and dropped.
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import select
import socket
import threading
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from nightreel.capture.jumps import TimecodeJumps
from nightreel.capture.mapping import MarkMapping, name_for_midi, name_for_osc, name_for_timecode
from nightreel.capture.midi import MidiParser, MidiTimecode
from nightreel.capture.osc import parse_packet
from nightreel.errors import NetworkTrouble, NightreelError

log = logging.getLogger("nightreel.capture")

SetMark = Callable[..., object]
"""``set_mark(name, source=..., frame=...)``; may raise a NightreelError."""


class MarkListeners:
    """Started after the recorder has opened its source, stopped before it ends."""

    def __init__(self, mapping: MarkMapping, set_mark: SetMark, *, rate_hz: int, timecode_track: int | None) -> None:
        """timecode_track : the place of the timecode line among the tracks, None where there is none."""
        self._mapping = mapping
        self._set_mark = set_mark
        self._rate_hz = rate_hz
        self._track = timecode_track
        self._stop = threading.Event()
        self._socket: socket.socket | None = None
        self._blocks: queue.Queue[tuple[NDArray[np.float32], int]] = queue.Queue(maxsize=64)
        self.dropped = 0  # packets that were no OSC, blocks that came too fast

    @property
    def osc_port(self) -> int | None:
        return self._socket.getsockname()[1] if self._socket is not None else None

    def start(self) -> None:
        """Raises NetworkTrouble when the OSC port is taken. A MIDI device that is not there is tried again."""
        if self._mapping.osc_port is not None:
            self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            try:
                self._socket.bind((self._mapping.osc_from, self._mapping.osc_port))
            except OSError as error:
                self._socket.close()
                raise NetworkTrouble(
                    f"OSC port {self._mapping.osc_port} cannot be listened to: {error.strerror}",
                    where="show.toml, [marks]",
                    now="Choose another osc_port",
                ) from error
            self._socket.settimeout(0.5)
            self._run(self._hear_osc, "OSC marks")
        if self._mapping.midi_device:
            self._run(self._hear_midi, "MIDI marks")
        if self._track is not None:
            self._run(self._hear_timecode, "LTC marks")

    def stop(self) -> None:
        self._stop.set()
        if self._socket is not None:
            self._socket.close()

    def take_block(self, block: NDArray[np.float32], first_frame: int) -> None:
        """The measured block (frames, tracks); only copies the timecode line, and never waits."""
        if self._track is not None:
            try:
                self._blocks.put_nowait((block[:, self._track].copy(), first_frame))
            except queue.Full:
                self.dropped += 1

    def _run(self, hear: Callable[[], None], name: str) -> None:
        def guarded() -> None:
            try:
                hear()
            except Exception:
                log.exception("%s stopped on a fault of ours; the recording goes on", name)

        threading.Thread(target=guarded, name=name, daemon=True).start()

    def _mark(self, name: str | None, *, source: str, frame: int | None = None) -> None:
        if name is None:
            return
        try:
            self._set_mark(name, source=source, frame=frame)
        except NightreelError as error:
            log.warning("a mark from %s: %s", source, error)

    def _hear_osc(self) -> None:
        assert self._socket is not None
        while not self._stop.is_set():
            try:
                data = self._socket.recv(65_536)
            except TimeoutError:
                continue
            except OSError:
                return
            try:
                messages = parse_packet(data)
            except NightreelError:
                self.dropped += 1
                continue
            for message in messages:
                self._mark(name_for_osc(self._mapping, message), source="OSC")

    def _hear_midi(self) -> None:
        while not self._stop.is_set():
            try:
                device = os.open(self._mapping.midi_device, os.O_RDONLY | os.O_NONBLOCK)
            except OSError:
                self._stop.wait(2.0)
                continue
            try:
                self._read_midi(device)
            finally:
                os.close(device)

    def _read_midi(self, device: int) -> None:
        parser, timecode, running = MidiParser(), MidiTimecode(), False
        while not self._stop.is_set():
            ready, _, _ = select.select([device], [], [], 0.5)
            if not ready:
                running = False  # time code that stands still begins anew with a mark
                continue
            with contextlib.suppress(BlockingIOError):
                data = os.read(device, 4096)
                if not data:
                    self._stop.wait(0.5)
                    return
                for message in parser.feed(data):
                    label = timecode.feed(message)
                    if label is not None and not running:
                        running = True
                        self._mark(name_for_timecode(self._mapping, label, kind="midi"), source="MIDI time code")
                    self._mark(name_for_midi(self._mapping, message), source="MIDI")

    def _hear_timecode(self) -> None:
        from nightreel.signal.ltc import LtcReader

        reader: LtcReader | None = None
        jumps = TimecodeJumps(self._rate_hz)
        while not self._stop.is_set():
            try:
                samples, first_frame = self._blocks.get(timeout=0.5)
            except queue.Empty:
                continue
            reader = reader or LtcReader(self._rate_hz, first_frame)
            for frame in jumps.feed(reader.feed(samples)):
                name = name_for_timecode(self._mapping, str(frame.label), kind="ltc")
                self._mark(name, source="LTC", frame=max(0, round(frame.start)))
