"""Marks from OSC, MIDI and timecode: the user's mapping, and the way from the wire into the take."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pythonosc.udp_client import SimpleUDPClient

from nightreel.capture.jumps import TimecodeJumps
from nightreel.capture.listeners import MarkListeners
from nightreel.capture.mapping import (
    MarkMapping,
    Rule,
    name_for_midi,
    name_for_osc,
    name_for_timecode,
    parse_mapping,
)
from nightreel.capture.midi import MidiMessage
from nightreel.capture.osc import OscMessage
from nightreel.errors import NetworkTrouble, ShowInvalid
from nightreel.signal.ltc import LtcReader, encode_ltc
from nightreel.signal.timecode import Timecode, TimecodeRate

RATE_HZ = 48_000
TABLE = """
name = "A show"
[marks]
osc_port = 9124
timecode_line = 31
when = [
    { osc = "/mark" },
    { osc = "/cue/*/go", name = "Cue {address} {number}" },
    { midi = "program change", channel = 1 },
    { midi = "note on", channel = 10, number = 60, name = "Talking" },
    { midi = "timecode", name = "At {timecode}" },
]
"""


def test_a_mapping_gives_each_message_its_mark() -> None:
    mapping = parse_mapping(TABLE)
    assert (mapping.osc_port, mapping.osc_from, mapping.timecode_line) == (9124, "127.0.0.1", 31)
    assert name_for_osc(mapping, OscMessage(address="/mark")) == ""
    assert name_for_osc(mapping, OscMessage(address="/mark", arguments=("Cordage",))) == "Cordage"
    assert name_for_osc(mapping, OscMessage(address="/cue/4/go", arguments=(9,))) == "Cue /cue/4/go 9"
    assert name_for_osc(mapping, OscMessage(address="/other")) is None
    assert name_for_midi(mapping, MidiMessage(kind="program change", channel=1, data=(5,))) == ""
    assert name_for_midi(mapping, MidiMessage(kind="program change", channel=2, data=(5,))) is None
    assert name_for_midi(mapping, MidiMessage(kind="note on", channel=10, data=(60, 1))) == "Talking"
    assert name_for_midi(mapping, MidiMessage(kind="note on", channel=10, data=(61, 1))) is None
    assert name_for_timecode(mapping, "01:00:00:00", kind="midi") == "At 01:00:00:00"


def test_a_show_without_the_table_listens_to_nothing() -> None:
    assert parse_mapping('name = "x"').is_empty
    assert parse_mapping("[marks]\nosc_port = 9000").rules == (Rule(osc="/mark"), Rule(midi="program change"))


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("osc_port = 99999", "osc_port"),
        ("osc_prot = 9000", "'osc_prot' is not known"),
        ("when = [{ midi = 'aftertouch' }]", "'aftertouch' is not known"),
        ("when = [{ osc = 'mark' }]", "begins with '/'"),
        ("when = [{ osc = '/a', midi = 'note on' }]", "either osc or midi"),
        ("when = [{}]", "either osc or midi"),
        ("when = [7]", "must be a table"),
        ("when = [{ midi = 'note on', channel = 17 }]", "1 to 16"),
    ],
)
def test_a_mapping_that_cannot_be_meant_is_refused_with_its_place(table: str, said: str) -> None:
    with pytest.raises(ShowInvalid) as caught:
        parse_mapping(f"[marks]\n{table}")
    assert any(said in problem for problem in caught.value.problems)


class Marks:
    def __init__(self) -> None:
        self.found: list[tuple[str, str, int | None]] = []
        self._changed = threading.Condition()

    def __call__(self, name: str, *, source: str, frame: int | None = None) -> None:
        with self._changed:
            self.found.append((name, source, frame))
            self._changed.notify_all()

    def wait(self, count: int) -> list[tuple[str, str, int | None]]:
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.found) >= count, 20), self.found
        return self.found


def listening(mapping: MarkMapping, marks: Callable[..., Any], track: int | None = None) -> MarkListeners:
    listeners = MarkListeners(mapping, marks, rate_hz=RATE_HZ, timecode_track=track)
    listeners.start()
    return listeners


def free_port() -> int:
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def test_osc_from_an_independent_sender_sets_marks_and_rubbish_does_not() -> None:
    marks = Marks()
    listeners = listening(MarkMapping(osc_port=free_port(), rules=(Rule(osc="/mark"),)), marks)
    client = SimpleUDPClient("127.0.0.1", listeners.osc_port or 0)
    client._sock.sendto(b"rubbish", ("127.0.0.1", listeners.osc_port))
    client.send_message("/mark", "Tin Boats")
    client.send_message("/elsewhere", 1)
    client.send_message("/mark", [])
    found = marks.wait(2)
    client._sock.close()
    with pytest.raises(NetworkTrouble, match="OSC port"):
        listening(MarkMapping(osc_port=listeners.osc_port), marks)
    listeners.stop()
    assert found == [("Tin Boats", "OSC", None), ("", "OSC", None)]
    assert listeners.dropped == 1


def test_midi_bytes_from_a_device_set_marks(tmp_path: Path) -> None:
    device = tmp_path / "midi"
    os.mkfifo(device)
    marks = Marks()
    rules = (Rule(midi="program change", channel=1), Rule(midi="timecode"))
    listeners = listening(MarkMapping(midi_device=str(device), rules=rules), marks)
    with device.open("wb", buffering=0) as desk:
        desk.write(bytes.fromhex("C0 05 C1 06"))
        desk.write(bytes.fromhex("F1 04 F1 10 F1 23 F1 30 F1 42 F1 50 F1 61 F1 72") * 2)
        found = marks.wait(2)
    listeners.stop()
    assert found == [("", "MIDI", None), ("Timecode 01:02:03:04", "MIDI time code", None)]


def code(hours: int, *, frames: int) -> np.ndarray[Any, np.dtype[np.float32]]:
    start = Timecode(hours=hours, minutes=0, seconds=0, frames=0)
    return encode_ltc(start=start, rate=TimecodeRate.FPS_25, rate_hz=RATE_HZ, frames=frames * RATE_HZ // 25)


def test_jumps_of_timecode_are_marked_where_they_happen_and_steady_running_is_not() -> None:
    first, second = code(1, frames=75), code(10, frames=75)
    pause = np.zeros(3 * RATE_HZ, dtype=np.float32)
    samples = np.concatenate([first, second, pause, second])
    marks = Marks()
    listeners = listening(MarkMapping(timecode_line=1), marks, track=1)
    for at in range(0, len(samples), 4800):
        piece = samples[at : at + 4800]
        block = np.stack([np.zeros_like(piece), piece], axis=1)
        while listeners._blocks.full():
            time.sleep(0.005)
        listeners.take_block(block, at)
    found = marks.wait(3)
    listeners.stop()
    assert [name[:-2] for name, _, _ in found] == ["Timecode 01:00:00:", "Timecode 10:00:00:", "Timecode 10:00:00:"]
    begun = (0, len(first), len(first) + len(second) + len(pause))
    for (name, _, frame), start in zip(found, begun, strict=True):
        pictures = int(name[-2:])  # the reader needs a few pictures to lock on
        assert pictures <= 4
        assert frame == pytest.approx(start + pictures * RATE_HZ / 25, abs=2)


def test_one_misread_frame_is_no_jump() -> None:
    frames = list(LtcReader(RATE_HZ).feed(code(1, frames=50)))
    from dataclasses import replace

    frames[20] = replace(frames[20], label=Timecode(hours=7, minutes=0, seconds=0, frames=0))
    assert len(TimecodeJumps(RATE_HZ).feed(tuple(frames))) == 1
