"""Recovery of a broken take: interrupted at any call and run again, with damaged accounts, and never for the worse."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from tests.recording import RATE_HZ, KnownSource, count_samples, plan_for

from nightreel.capture.recorder import Recorder
from nightreel.capture.recover import recover
from nightreel.capture.sources import SourceSetup
from nightreel.disk import FaultyDisk
from nightreel.errors import NightreelError, TakeDamaged, TakeMissing
from nightreel.take import TakeState, load_facts, read_journal
from nightreel.timeline import Gap, GapCause, union

FRAMES = 3 * RATE_HZ
GAPS = (Gap(first_frame=5_000, frames=500, cause=GapCause.NETWORK_LOSS, channels=(2,)),)


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take in two parts as a crash leaves it: no stop, an account from the start, lines of unequal length."""
    folder = tmp_path_factory.mktemp("broken")
    plan = plan_for(folder, segment_s=2.0, checkpoint_s=0.05)
    source = SourceSetup(open=lambda: KnownSource(channels=4, frames=FRAMES, gaps=GAPS), waits=True)
    recorder = Recorder(plan, source)
    recorder.open()
    recorder.record()
    assert recorder.wait(timeout_s=60)
    take = plan.places[0].folder
    journal = take / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    (take / "take.json").write_text(json.dumps(json.loads(lines[0])["facts"]))
    journal.write_bytes(b"".join(line for line in lines if b'"stop"' not in line) + lines[1][:17])  # torn
    for number, path in enumerate(sorted((take / "tracks").glob("*part 2.wav"))):
        with path.open("r+b") as file:
            file.truncate(path.stat().st_size - 1 - 3000 * number)
    return take


@pytest.fixture
def take(broken: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(broken, tmp_path / "take"))


def check(folder: Path) -> None:
    facts = load_facts(folder)
    assert facts.state is TakeState.RECOVERED
    assert facts.frames >= FRAMES - RATE_HZ // 10  # the last frame of the longest line was torn, and its cues went
    counted = count_samples(folder)
    assert counted.unaccounted == 0
    assert counted.in_gaps == 500 + sum(
        facts.frames - (FRAMES - lost) for lost in lost_frames(facts.frames) if facts.frames > FRAMES - lost
    )


def lost_frames(frames: int) -> list[int]:
    """By line: each got 1000 frames less than the one before."""
    first = FRAMES - frames
    return [first + 1000 * number for number in range(4)]


def test_all_lines_end_alike_and_what_was_filled_is_listed(take: Path) -> None:
    result = recover(take)
    assert result.changed
    assert result.journal_bad_lines == 1
    assert result.filled_frames == {2: 1000, 3: 2000, 4: 3000}
    check(take)
    assert not recover(take).changed


@pytest.mark.parametrize("forever", [True, False])
def test_interrupted_at_any_call_of_the_disk_it_is_simply_run_again(
    broken: Path, tmp_path: Path, forever: bool
) -> None:
    whole = Path(shutil.copytree(broken, tmp_path / "whole"))
    counting = FaultyDisk()
    recover(whole, disk=counting)
    wanted = load_facts(whole)
    for call in range(0, counting.calls_made, 3):
        folder = Path(shutil.copytree(broken, tmp_path / f"at {call}"))
        with pytest.raises(NightreelError):
            recover(folder, disk=FaultyDisk.failing_at(call, forever=forever))
        recover(folder)
        found = load_facts(folder)
        assert (found.frames, found.gaps, found.tracks) == (wanted.frames, wanted.gaps, wanted.tracks), call
        check(folder)
        shutil.rmtree(folder)


def test_a_damaged_account_is_made_again_from_the_journal(take: Path) -> None:
    (take / "take.json").write_text("{ half of")
    recover(take)
    check(take)


def test_without_journal_the_account_of_the_start_still_names_the_tracks(take: Path) -> None:
    (take / "journal.jsonl").unlink()
    result = recover(take)
    assert result.frames == 2 * RATE_HZ  # the first part; nothing names the second
    assert result.confirmed_frames == 0
    assert not result.problems


def test_a_track_that_is_gone_is_named_and_listed_as_missing(take: Path) -> None:
    for path in (take / "tracks").glob("03 *"):
        path.unlink()
    result = recover(take)
    assert len(result.problems) == 2
    facts = load_facts(take)
    assert union(gap.span for gap in facts.gaps_of(facts.tracks[2])) == (facts.span,)


def test_what_is_no_take_is_left_alone(tmp_path: Path) -> None:
    with pytest.raises(TakeMissing):
        recover(tmp_path)
    (tmp_path / "take.json").write_text("[]")
    with pytest.raises(TakeDamaged):
        recover(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["take.json"]
    assert read_journal(tmp_path).records == ()
