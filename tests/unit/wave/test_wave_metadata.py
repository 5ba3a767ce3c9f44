"""bext, iXML and cue points as values: what is written is read back, what is damaged is refused or passed over."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from nightreel.errors import AudioFileInvalid
from nightreel.wave import (
    Bext,
    Cue,
    FileSet,
    Ixml,
    IxmlTrack,
    bext_for,
    parse_bext,
    parse_cues,
    parse_ixml,
    serialise_cues,
)


def test_bext_comes_back_as_it_was_written() -> None:
    bext = Bext(
        description="Saltmarsh Lanterns, Kick In",
        originator="Nightreel",
        originator_reference="NR0000000001",
        origination_date="2026-11-28",
        origination_time="20:15:00",
        time_reference_frames=(1 << 40) + 5,
        umid=bytes(range(1, 33)),
        integrated_lufs=-23.0,
        loudness_range_lu=8.5,
        max_true_peak_dbtp=-1.0,
        max_momentary_lufs=-15.25,
        max_short_term_lufs=None,
        coding_history="A=PCM,F=48000,W=24,M=mono,T=Nightreel\nA=PCM,F=48000,W=16,M=mono,T=dither",
    )
    assert parse_bext(bext.serialise()) == bext


def test_accents_are_dropped_in_bext_and_long_texts_are_cut() -> None:
    bext = parse_bext(Bext(description="Gitarre süd 鼓", originator="x" * 40).serialise())
    assert bext.description == "Gitarre sud ?"
    assert bext.originator == "x" * 32


def test_silence_has_no_loudness_value() -> None:
    bext = parse_bext(Bext(integrated_lufs=float("-inf"), max_true_peak_dbtp=float("nan")).serialise())
    assert bext.integrated_lufs is None
    assert bext.max_true_peak_dbtp is None


def test_older_versions_have_no_loudness_and_no_umid() -> None:
    data = bytearray(Bext(umid=b"\x06" * 32, integrated_lufs=-23.0).serialise())
    data[346] = 1
    assert parse_bext(bytes(data)).integrated_lufs is None
    assert parse_bext(bytes(data)).umid == b"\x06" * 32
    data[346] = 0
    assert parse_bext(bytes(data)).umid == b""


def test_a_short_bext_is_refused() -> None:
    with pytest.raises(AudioFileInvalid, match="601 bytes instead of at least 602"):
        parse_bext(bytes(601))


def test_the_usual_fields_of_a_recording() -> None:
    start = datetime(2026, 11, 28, 20, 0, tzinfo=UTC)
    bext = bext_for(started_at=start, time_reference_frames=1_728_000_000, description="x")
    assert (bext.origination_date, bext.origination_time) == ("2026-11-28", "20:00:00")
    assert (bext.originator, bext.time_reference_frames, bext.version) == ("Nightreel", 1_728_000_000, 2)


FULL_IXML = Ixml(
    project="Saltmarsh Lanterns <autumn> & more",
    scene="Late Ferry",
    take="evening-1",
    note="größer 鼓\nsecond line",
    file_uid="A1",
    tracks=(
        IxmlTrack(channel_index=7, interleave_index=1, name="Kick In", function="mic"),
        IxmlTrack(channel_index=8, interleave_index=2, name="Snare"),
    ),
    rate_hz=96_000,
    bits=24,
    timestamp_frames=(3 << 32) + 17,
    timecode_rate="25/1",
    timecode_flag="NDF",
    file_set=FileSet(total_files=32, family_uid="F1", family_name="evening-1", index="07"),
    original_filename="07 Kick.wav",
    parent_uid="P",
    other=("<STEINWERK><A>1</A></STEINWERK>",),
)


def test_ixml_comes_back_as_it_was_written_foreign_elements_included() -> None:
    assert parse_ixml(FULL_IXML.serialise()) == FULL_IXML
    assert parse_ixml(Ixml().serialise()) == Ixml()


def test_ixml_padded_with_zeros_or_in_utf_16_is_read() -> None:
    assert parse_ixml(FULL_IXML.serialise() + b"\0" * 100) == FULL_IXML
    text = "<BWFXML><PROJECT>größer</PROJECT></BWFXML>"
    assert parse_ixml(text.encode("utf-16")).project == "größer"


def test_characters_that_xml_forbids_are_left_out() -> None:
    assert parse_ixml(Ixml(note="a\x00\x0b\ud800b").serialise()).note == "ab"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"<BWFXML><A></BWFXML>", "no XML"),
        (b"", "no XML"),
        (b"<OTHER/>", "instead of BWFXML"),
        (b'<!DOCTYPE x [<!ENTITY a "b">]><BWFXML>&a;</BWFXML>', "document type"),
        ('<!DOCTYPE x [<!ENTITY a "b">]><BWFXML>&a;</BWFXML>'.encode("utf-16"), "document type"),
        ("<BWFXML/>".encode("utf-16-le"), "zero bytes"),
        (b'<?xml version="1.0" encoding="klingon"?><BWFXML/>', "no XML"),
        (b"<BWFXML>" + b"<A>" * 30_000 + b"</A>" * 30_000 + b"</BWFXML>", "nested"),
    ],
)
def test_ixml_that_cannot_be_trusted_is_refused(data: bytes, words: str) -> None:
    with pytest.raises(AudioFileInvalid, match=words):
        parse_ixml(data)


def test_an_absurd_timestamp_is_not_a_number() -> None:
    tag = "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"
    xml = f"<BWFXML><SPEED><{tag}>-3²</{tag}></SPEED></BWFXML>"
    assert parse_ixml(xml.encode()).timestamp_frames is None


def test_cues_come_back_in_frame_order_with_labels_notes_and_lengths() -> None:
    cues = (
        Cue(frame=2400, label="Späte Fähre", note="encore", frames=100),
        Cue(frame=480, label="Song 1"),
        Cue(frame=0),
    )
    data = serialise_cues(cues)
    cue_bytes = int.from_bytes(data[4:8], "little")
    assert parse_cues(data[8 : 8 + cue_bytes], data[8 + cue_bytes + 8 :]) == tuple(sorted(cues))


def test_cues_beyond_32_bits_are_left_out_and_none_give_no_chunk() -> None:
    assert serialise_cues([]) == b""
    assert serialise_cues([Cue(frame=1 << 32, label="too far")]) == b""


def test_a_cue_chunk_that_claims_more_points_than_it_holds_gives_those_it_holds() -> None:
    data = bytearray(serialise_cues([Cue(frame=480)]))
    data[8:12] = b"\xff\xff\xff\xff"
    assert parse_cues(bytes(data[8:]), b"adtl" + b"labl" + b"\xff" * 8) == (Cue(frame=480),)
