"""The recorder as an object: every sample at its place, marks, guard, ends and refusals."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from tests.recording import RATE_HZ, KnownSource, count_samples, known_samples, plan_for
from wavinfo import WavInfoReader

from nightreel.capture.model import RecorderState
from nightreel.capture.partfiles import PartFiles
from nightreel.capture.recorder import Recorder
from nightreel.capture.sources import SourceSetup
from nightreel.errors import AlreadyThere, ConfirmationMissing, DeviceTrouble, RequestError
from nightreel.ports.protocols import Block
from nightreel.signal.meters import LineMeters
from nightreel.take import RecordKind, TakeState, load_facts, open_take, read_journal
from nightreel.timeline import Gap, GapCause
from nightreel.units import Encoding
from nightreel.wave import WaveReader


def record(
    folder: Path, *, lines: int = 4, frames: int = 100_000, gaps: tuple[Gap, ...] = (), **wishes: object
) -> Recorder:
    """A take of a source that waits, recorded to its end."""
    recorder = start(folder, lines=lines, frames=frames, gaps=gaps, **wishes)
    assert recorder.wait(timeout_s=60)
    return recorder


def start(
    folder: Path,
    *,
    lines: int = 4,
    frames: int | None = None,
    speed: float | None = None,
    gaps: tuple[Gap, ...] = (),
    **wishes: object,
) -> Recorder:
    plan = plan_for(folder, lines=lines, **wishes)
    setup = SourceSetup(
        open=lambda: KnownSource(channels=lines, frames=frames, speed=speed, gaps=gaps), waits=speed is None
    )
    recorder = Recorder(plan, setup)
    recorder.open()
    if plan.request.armed:
        recorder.arm()
    else:
        recorder.record()
    return recorder


def test_every_sample_is_on_its_line_at_its_place(tmp_path: Path) -> None:
    recorder = record(tmp_path, lines=5, frames=123_457)
    counted = count_samples(recorder.plan.places[0].folder)
    assert counted.frames == 123_457
    assert counted.exact == counted.samples
    facts = load_facts(recorder.plan.places[0].folder)
    assert facts.state is TakeState.CLOSED
    assert facts.stop_reason == "the source has ended"


def test_gaps_stand_in_the_account_with_their_cause_and_only_on_their_lines(tmp_path: Path) -> None:
    gaps = (
        Gap(first_frame=1_000, frames=300, cause=GapCause.NETWORK_LOSS, channels=(1,)),
        Gap(first_frame=50_000, frames=7_000, cause=GapCause.SERVER_SKIPPED),
    )
    recorder = record(tmp_path, gaps=gaps)
    folder = recorder.plan.places[0].folder
    assert load_facts(folder).gaps == gaps
    counted = count_samples(folder)
    assert counted.unaccounted == 0
    assert counted.in_gaps == 300 + 4 * 7_000


def test_a_gap_is_in_the_journal_before_the_zeros_are_in_the_files(tmp_path: Path) -> None:
    gap = Gap(first_frame=60_000, frames=100, cause=GapCause.NETWORK_LOSS)
    recorder = record(tmp_path, gaps=(gap,))
    journal = read_journal(recorder.plan.places[0].folder)
    written = [r for r in journal.of(RecordKind.GAP) if r.frame == 60_000]
    later = [r.seq for r in journal.of(RecordKind.CHECKPOINT, RecordKind.STOP) if r.frame > 60_000]
    assert written[0].seq < min(later)


def test_the_mirror_is_a_take_of_its_own_with_the_same_samples(tmp_path: Path) -> None:
    recorder = record(tmp_path, mirrors=(str(tmp_path / "mirror"),))
    primary, mirror = (place.folder for place in recorder.plan.places)
    assert count_samples(mirror) == count_samples(primary)
    assert load_facts(mirror) == load_facts(primary)


@pytest.mark.parametrize("encoding", ["pcm16", "pcm32", "float32"])
def test_other_encodings_keep_what_they_can_hold(tmp_path: Path, encoding: str) -> None:
    recorder = record(tmp_path, encoding=encoding, frames=20_000)
    folder = recorder.plan.places[0].folder
    assert load_facts(folder).encoding is Encoding(encoding)
    sent = known_samples(0, 20_000, 4)
    with open_take(folder) as take:
        got = take.read([1, 2, 3, 4], 0, 20_000)
    # 16 bits end at 1 - 2^-15 and round to half a step of 2^-15; the others hold 24-bit values exactly.
    if encoding == "pcm16":
        sent = np.minimum(sent, np.float32(1 - 2.0**-15))
    assert np.abs(got - sent).max() <= (2.0**-16 if encoding == "pcm16" else 0.0)


def test_one_file_of_all_lines_reads_back_by_line(tmp_path: Path) -> None:
    recorder = record(tmp_path, polyphonic=True, frames=60_001)
    folder = recorder.plan.places[0].folder
    assert [p.name for p in (folder / "tracks").iterdir()] == ["all lines.wav"]
    assert soundfile.info(folder / "tracks" / "all lines.wav").channels == 4
    assert count_samples(folder).exact == 4 * 60_001


def test_segments_follow_each_other_to_the_sample(tmp_path: Path) -> None:
    recorder = record(tmp_path, segment_s=1.0, frames=170_001)
    folder = recorder.plan.places[0].folder
    track = load_facts(folder).tracks[0]
    assert [(f.first_frame, f.frames) for f in track.files] == [
        (0, 48_000),
        (48_000, 48_000),
        (96_000, 48_000),
        (144_000, 26_001),
    ]
    assert count_samples(folder).exact == 4 * 170_001
    references = []
    for file in track.files:
        with WaveReader(folder / file.path) as reader:
            assert reader.bext is not None
            references.append(reader.bext.time_reference_frames)
    assert [r - references[0] for r in references] == [0, 48_000, 96_000, 144_000]


def test_the_time_reference_is_the_clock_at_the_first_frame(tmp_path: Path) -> None:
    recorder = record(tmp_path, frames=10_000)
    facts = load_facts(recorder.plan.places[0].folder)
    start = facts.started_at
    since_midnight_s = start.hour * 3600 + start.minute * 60 + start.second + start.microsecond / 1e6
    assert facts.time_reference_frames == round(since_midnight_s * RATE_HZ)
    path = recorder.plan.places[0].folder / facts.tracks[0].files[0].path
    bext = WavInfoReader(str(path)).bext  # an independent reader
    assert bext.time_reference == facts.time_reference_frames
    assert bext.originator == "Nightreel"


def test_marks_name_the_songs_of_the_set_list_and_are_on_disk_when_acknowledged(tmp_path: Path) -> None:
    recorder = start(tmp_path, speed=1.0)
    folder = recorder.plan.places[0].folder
    first = recorder.mark()
    assert [r.data["name"] for r in read_journal(folder).of(RecordKind.MARK)] == ["Tin Boats"]
    cordage = recorder.mark("cordage")
    talk = recorder.mark("Talking")
    extra = recorder.mark()
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=30)
    assert (first.song, cordage.song, cordage.name, talk.song, extra.name) == (1, 3, "Cordage", None, "Mark 4")
    facts = load_facts(folder)
    assert [m.name for m in facts.marks] == ["Tin Boats", "Cordage", "Talking", "Mark 4"]
    with WaveReader(folder / facts.tracks[2].files[0].path) as reader:
        assert {(c.frame, c.label) for c in reader.cues} == {(m.frame, m.name) for m in facts.marks}


def test_nothing_but_the_name_of_the_take_stops_it(tmp_path: Path) -> None:
    recorder = start(tmp_path, speed=1.0)
    for wrong in ("", "yes", "evening", recorder.take_name.upper()):
        with pytest.raises(ConfirmationMissing, match="Still recording"):
            recorder.stop(confirm=wrong)
    assert recorder.state is RecorderState.RECORDING
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=30)
    with pytest.raises(RequestError):
        recorder.mark("too late")


def test_a_late_start_gets_the_seconds_before(tmp_path: Path) -> None:
    recorder = start(tmp_path, speed=8.0, armed=True, preroll_s=2.0)
    begun = threading.Event()
    while recorder.frames < 3 * RATE_HZ:
        begun.wait(0.02)
    recorder.record()
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=30)
    folder = recorder.plan.places[0].folder
    with open_take(folder) as take:
        assert take.frames >= 2 * RATE_HZ
        head = take.read([1, 2, 3, 4], 0, 64)
    known = known_samples(0, 10 * RATE_HZ, 4)
    (place,) = np.flatnonzero((known[:-64] == head[0]).all(axis=1))
    assert place > 0
    counted = count_samples(folder, first_frame=int(place))
    assert counted.exact == counted.samples


def test_the_meters_of_the_watch_are_saved_and_equal_those_of_the_files(tmp_path: Path) -> None:
    recorder = record(tmp_path, frames=96_000, gaps=(Gap(first_frame=10, frames=5, cause=GapCause.UNKNOWN),))
    with open_take(recorder.plan.places[0].folder) as take:
        saved = take.measured()
        again = LineMeters.start(rate_hz=RATE_HZ, channels=4)
        again.feed(take.read(take.lines, 0, take.frames))
    assert saved is not None
    assert np.array_equal(saved.result().peak_dbfs, again.result().peak_dbfs)
    assert np.allclose(saved.result().integrated_lufs, again.result().integrated_lufs, atol=1e-9)


def test_a_source_with_too_few_channels_or_another_rate_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    plan = plan_for(tmp_path, lines=4)
    for source in (KnownSource(channels=3), KnownSource(channels=4, rate_hz=44_100)):
        recorder = Recorder(plan, SourceSetup(open=lambda s=source: s))
        with pytest.raises(DeviceTrouble, match=r"3 channels|44100"):
            recorder.open()
    assert not (tmp_path / "show" / "takes").exists()


def test_a_take_folder_that_stands_there_is_never_written_into(tmp_path: Path) -> None:
    plan = plan_for(tmp_path)
    plan.places[0].folder.mkdir(parents=True)
    recorder = Recorder(plan, SourceSetup(open=lambda: KnownSource(channels=4)))
    recorder.open()
    with pytest.raises(AlreadyThere):
        recorder.record()
    recorder.abandon()
    assert list(plan.places[0].folder.iterdir()) == []


def test_a_source_that_is_lost_and_comes_back_leaves_one_gap_and_the_lines_aligned(tmp_path: Path) -> None:
    plan = plan_for(tmp_path, checkpoint_s=0.1)
    opened: list[KnownSource] = []

    def open_source() -> KnownSource:
        if len(opened) in (1, 2):
            opened.append(KnownSource(channels=4))
            raise DeviceTrouble("the server is not there")
        opened.append(KnownSource(channels=4, frames=None if not opened else 24_000, speed=1.0, fail_at=24_000))
        return opened[-1]

    recorder = Recorder(plan, SourceSetup(open=open_source))
    recorder.open()
    recorder.record()
    assert recorder.wait(timeout_s=60)
    folder = plan.places[0].folder
    (gap,) = load_facts(folder).gaps
    assert gap.cause is GapCause.DEVICE_LOST
    assert gap.first_frame == 24_000
    assert gap.frames >= 0.5 * RATE_HZ  # two attempts in vain, half a second apart
    with open_take(folder) as take:
        before = take.read([1, 2, 3, 4], 0, 24_000)
        after = take.read([1, 2, 3, 4], gap.end_frame, 24_000)
        assert take.frames == gap.end_frame + 24_000
    assert np.array_equal(before, known_samples(0, 24_000, 4))
    assert np.array_equal(after, known_samples(0, 24_000, 4))


def test_a_clock_that_is_set_back_in_mid_take_moves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recorder = start(tmp_path, speed=2.0, checkpoint_s=0.1)
    first = recorder.mark()
    monkeypatch.setattr("nightreel.take.journal_file.wall_clock", lambda: "2001-01-01T00:00:00.000+00:00")
    second = recorder.mark()
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=30)
    folder = recorder.plan.places[0].folder
    assert read_journal(folder).records[-1].at.startswith("2001")
    assert [mark.frame for mark in load_facts(folder).marks] == [first.frame, second.frame]
    assert first.frame <= second.frame
    counted = count_samples(folder)
    assert counted.exact == counted.samples


def test_a_source_that_waits_never_alarms_about_a_full_ring(tmp_path: Path) -> None:
    recorder = record(tmp_path, frames=30 * RATE_HZ, ring_s=1.0)
    journal = read_journal(recorder.plan.places[0].folder)
    assert [r.data["key"] for r in journal.of(RecordKind.ALERT) if r.data["key"].startswith("late")] == []


class FaultySource(KnownSource):
    """Breaks as only a fault in a program does."""

    def read(self, *, timeout_s: float) -> Block | None:
        if self.position > RATE_HZ:
            raise ZeroDivisionError("a fault")
        return super().read(timeout_s=timeout_s)


def test_a_fault_in_the_intake_closes_the_take_and_says_that_another_recorder_is_needed(tmp_path: Path) -> None:
    recorder = Recorder(plan_for(tmp_path), SourceSetup(open=lambda: FaultySource(channels=4), waits=True))
    recorder.open()
    recorder.record()
    assert recorder.wait(timeout_s=30)
    assert recorder.intake.failed
    folder = recorder.plan.places[0].folder
    assert "fault" in load_facts(folder).stop_reason
    counted = count_samples(folder)
    assert counted.frames > RATE_HZ
    assert counted.exact == counted.samples


def test_a_fault_in_a_writer_costs_nothing_while_the_ring_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, calls = PartFiles.write, []

    def break_once(self: PartFiles, rows: NDArray[np.uint8], frames: int) -> None:
        calls.append(frames)
        if len(calls) == 3:
            raise ZeroDivisionError("a fault")
        write(self, rows, frames)

    monkeypatch.setattr(PartFiles, "write", break_once)
    recorder = start(tmp_path, speed=4.0, frames=8 * RATE_HZ)
    assert recorder.wait(timeout_s=60)
    counted = count_samples(recorder.plan.places[0].folder)
    assert counted.frames == 8 * RATE_HZ
    assert counted.exact == counted.samples
