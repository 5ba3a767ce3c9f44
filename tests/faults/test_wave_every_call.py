"""Fail the Nth disk call for every N; cut the power after it: the file opens up to the last checkpoint."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from nightreel.disk import FaultyDisk
from nightreel.errors import DiskTrouble
from nightreel.units import Encoding
from nightreel.wave import Bext, Cue, WaveFormat, WaveReader, WaveWriter, pack, repair, unpack

FMT = WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24)
BLOCK = 101
BLOCKS = 6
SAMPLES = np.random.default_rng(9).uniform(-1, 1, (BLOCK * BLOCKS, 1)).astype(np.float32)
STORED = unpack(pack(SAMPLES, Encoding.PCM24), Encoding.PCM24)


class Account:
    """What the writer was told and what it promised, up to its end."""

    def __init__(self) -> None:
        self.created = False
        self.written = 0
        self.promised = 0
        self.closed = False


def record(path: Path, disk: FaultyDisk, account: Account, *, large: bool) -> None:
    writer = WaveWriter.create(path, FMT, bext=Bext(description="x"), disk=disk)
    account.created = True
    try:
        for number in range(BLOCKS):
            if large and number == 3:
                writer._large = True  # as if it passed 4 GiB here
            writer.write(SAMPLES[number * BLOCK : (number + 1) * BLOCK])
            account.written = writer.frames
            if number % 2:
                account.promised = writer.checkpoint()
        writer.set_cues([Cue(frame=5, label="five")])
        writer.close()
        account.closed = True
        account.promised = BLOCK * BLOCKS
    finally:
        writer.abandon()


def heard_by_libsndfile(path: Path) -> np.ndarray:
    heard, _ = soundfile.read(path, dtype="float32", always_2d=True)
    return heard


def calls_of_a_good_run(folder: Path, large: bool) -> int:
    disk, account = FaultyDisk(), Account()
    record(folder / "probe.wav", disk, account, large=large)
    assert account.closed
    assert np.array_equal(heard_by_libsndfile(folder / "probe.wav"), STORED)
    return disk.calls_made


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize("letter", ["E", "F"])
def test_whichever_call_fails_the_file_opens_with_what_was_promised(tmp_path: Path, letter: str, large: bool) -> None:
    for call in range(calls_of_a_good_run(tmp_path, large)):
        path, account = tmp_path / f"{call}.wav", Account()
        with pytest.raises(DiskTrouble):
            record(path, FaultyDisk.failing_at(call, letter, forever=True), account, large=large)
        if not account.created:
            continue
        for look in (heard_by_libsndfile, lambda p: _ours(p)):
            heard = look(path)
            assert len(heard) >= account.promised
            assert np.array_equal(heard, STORED[: len(heard)])
        report = repair(path)
        assert report.frames >= account.written
        assert np.array_equal(_ours(path), STORED[: report.frames])


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize("keep", [0.0, 0.5])
def test_a_power_cut_after_any_call_leaves_what_was_promised(tmp_path: Path, keep: float, large: bool) -> None:
    lost_something = 0
    for call in range(calls_of_a_good_run(tmp_path, large)):
        path, account = tmp_path / f"{call}.wav", Account()
        disk = FaultyDisk.failing_at(call, "E", forever=True)
        with pytest.raises(DiskTrouble):
            record(path, disk, account, large=large)
        disk.cut_power(keep=keep, seed=call)
        if not account.created:
            continue
        heard = heard_by_libsndfile(path)
        assert len(heard) >= account.promised
        assert np.array_equal(heard, STORED[: len(heard)])
        # With keep > 0 a later block may have reached the drive and an earlier one not: only what is claimed is sure.
        claimed = len(heard)
        report = repair(path)
        assert report.frames >= claimed
        assert np.array_equal(_ours(path)[: account.promised], STORED[: account.promised])
        lost_something += report.frames < account.written
    assert lost_something, "the fault was never felt: this test proves nothing"


def test_no_checkpoint_is_believed_after_a_sync_has_failed(tmp_path: Path) -> None:
    """Linux drops what it could not write and then reports success; so the writer does not ask again."""
    path = tmp_path / "a.wav"
    disk = FaultyDisk()
    writer = WaveWriter.create(path, FMT, disk=disk)
    writer.write(SAMPLES[:100])
    assert writer.checkpoint() == 100
    writer.write(SAMPLES[100:200])
    disk.fail_next()
    with pytest.raises(DiskTrouble):
        writer.checkpoint()
    writer.write(SAMPLES[200:300])
    for step in (writer.checkpoint, writer.sync_samples, lambda: writer.claim(300), writer.close):
        with pytest.raises(DiskTrouble, match="failure"):
            step()
    disk.cut_power(keep=1.0)
    assert np.array_equal(heard_by_libsndfile(path), STORED[:100])


def _ours(path: Path) -> np.ndarray:
    with WaveReader(path) as reader:
        return reader.read(0, reader.frames_present)
