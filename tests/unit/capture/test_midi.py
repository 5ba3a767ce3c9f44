"""MIDI bytes into messages, held against mido; MIDI time code by the published byte sequences."""

from __future__ import annotations

import random

import mido
import pytest

from nightreel.capture.midi import MidiMessage, MidiParser, MidiTimecode


def test_messages_of_an_independent_sender_arrive_in_whatever_pieces() -> None:
    sent = [
        mido.Message("program_change", channel=0, program=12),
        mido.Message("note_on", channel=9, note=60, velocity=100),
        mido.Message("note_on", channel=9, note=60, velocity=0),
        mido.Message("control_change", channel=3, control=7, value=99),
        mido.Message("pitchwheel", channel=1, pitch=-300),
        mido.Message("sysex", data=(1, 2, 3)),
        mido.Message("song_select", song=5),
        mido.Message("quarter_frame", frame_type=3, frame_value=5),
    ]
    raw = b"".join(bytes(m.bytes()) for m in sent)
    chance = random.Random(1)
    for _ in range(20):
        parser, found, at = MidiParser(), [], 0
        while at < len(raw):
            size = chance.randint(1, 5)
            found += parser.feed(raw[at : at + size])
            at += size
        assert [m.kind for m in found] == [
            "program change",
            "note on",
            "note off",
            "control change",
            "pitch bend",
            "exclusive",
            "song select",
            "quarter frame",
        ]
        assert found[0] == MidiMessage(kind="program change", channel=1, data=(12,))
        assert found[5].data == (1, 2, 3)
        assert found[7].data == (0x35,)  # F1 35: type 3, value 5


def test_running_status_and_real_time_bytes_in_the_middle() -> None:
    found = MidiParser().feed(bytes.fromhex("C0 01 F8 02 FE 03 90 3C F8 40"))
    assert [m.data for m in found] == [(1,), (2,), (3,), (60, 64)]


def test_damage_costs_one_message_only() -> None:
    found = MidiParser().feed(bytes.fromhex("05 06 90 3C C0 07 F0 01 02 C0 08 F4 09 C0 0A"))
    assert [(m.kind, m.data) for m in found] == [
        ("program change", (7,)),
        ("program change", (8,)),
        ("program change", (10,)),
    ]


def test_no_bytes_bring_it_down() -> None:
    chance = random.Random(2)
    parser, timecode = MidiParser(), MidiTimecode()
    for message in parser.feed(chance.randbytes(50_000)):
        timecode.feed(message)
        assert all(0 <= value < 128 for value in message.data)


@pytest.mark.parametrize(
    ("raw", "label"),
    [
        # MIDI 1.0, MTC: quarter frames of 01:02:03:04 at 25 and 23:59:58:28 at 30 (check values computed, from memory).
        ("F1 04 F1 10 F1 23 F1 30 F1 42 F1 50 F1 61 F1 72", "01:02:03:04"),
        ("F1 0C F1 11 F1 2A F1 33 F1 4B F1 53 F1 67 F1 77", "23:59:58:28"),
        ("F0 7F 7F 01 01 21 02 03 04 F7", "01:02:03:04"),
    ],
)
def test_time_code_labels(raw: str, label: str) -> None:
    timecode = MidiTimecode()
    labels = [timecode.feed(message) for message in MidiParser().feed(bytes.fromhex(raw))]
    assert [found for found in labels if found] == [label]


def test_quarter_frames_that_begin_in_the_middle_wait_for_a_whole_label() -> None:
    timecode = MidiTimecode()
    raw = "F1 42 F1 50 F1 61 F1 72 F1 04 F1 10 F1 23 F1 30 F1 42 F1 50 F1 61 F1 72"
    labels = [timecode.feed(message) for message in MidiParser().feed(bytes.fromhex(raw))]
    assert [found for found in labels if found] == ["01:02:03:04"]
