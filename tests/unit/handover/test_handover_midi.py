"""Marks as a Standard MIDI File: bytes by SMF 1.0 (worked example), mido as peer."""

from __future__ import annotations

import io

import mido
import pytest

from nightreel.handover.midi import marks_to_midi, variable_length
from nightreel.timeline import Mark


def test_the_worked_example_byte_for_byte() -> None:
    data = marks_to_midi([Mark(frame=48_000, name="Song 1")], rate_hz=48_000)
    assert data == bytes.fromhex(
        "4D 54 68 64 00 00 00 06 00 01 00 01 01 E0 4D 54 72 6B 00 00 00 16"
        "00 FF 51 03 07 A1 20 87 40 FF 06 06 53 6F 6E 67 20 31 00 FF 2F 00"
    )


@pytest.mark.parametrize(
    ("number", "expected"), [(0, "00"), (127, "7F"), (128, "81 00"), (960, "87 40"), (0x0FFFFFFF, "FF FF FF 7F")]
)
def test_variable_length_quantities(number: int, expected: str) -> None:
    assert variable_length(number) == bytes.fromhex(expected)


def test_mido_reads_names_and_times() -> None:
    marks = [Mark(frame=96_000 * 3600 * 5, name="Späte Fähre"), Mark(frame=0, name="Beginn"), Mark(frame=96, name="")]
    file = mido.MidiFile(file=io.BytesIO(marks_to_midi(marks, rate_hz=96_000)), charset="utf-8")
    assert (file.type, file.ticks_per_beat, len(file.tracks)) == (1, 480, 1)
    at, seen = 0, []
    for message in file.tracks[0]:
        at += message.time
        if message.type == "marker":
            seen.append((at / 960, message.text))
    assert seen == [(0, "Beginn"), (pytest.approx(0.001, abs=1 / 1920), ""), (18_000, "Späte Fähre")]


def test_no_marks_give_an_empty_track() -> None:
    assert len(mido.MidiFile(file=io.BytesIO(marks_to_midi([], rate_hz=48_000))).tracks) == 1
