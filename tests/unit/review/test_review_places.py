"""What can be reviewed, and what is written where: takes of ours, folders of files, and every kind of broken file."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from click.testing import CliRunner
from numpy.typing import NDArray

from nightreel.cli.review import command
from nightreel.errors import ArgumentInvalid, FailureError, NightreelError, TakeMissing
from nightreel.review.command import run_review
from nightreel.review.foreign import open_foreign
from nightreel.review.record import review_from_json
from nightreel.show.model import Line, Role, Show
from nightreel.take.facts import write_facts
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.timeline import Gap, GapCause, Mark
from nightreel.units import Encoding

RATE = 48_000
F32 = NDArray[np.float32]


def sound(seconds: float, seed: int = 1, peak: float = 0.2) -> F32:
    """Bursts of low-passed noise over a soft floor: in use, with pauses."""
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    x = scipy.signal.fftconvolve(rng.standard_normal(n), np.hanning(9) / 4, mode="same")
    gate = np.repeat(rng.random(n // RATE + 1) > 0.3, RATE)[:n]
    smooth = scipy.signal.fftconvolve(gate, np.hanning(2_401) / 1_200, mode="same")
    x = x * (smooth + 1e-3)
    return (x / np.abs(x).max() * peak + rng.standard_normal(n) * 3e-5).astype(np.float32)


def write(path: Path, x: F32, *, rate: int = RATE, subtype: str = "PCM_24") -> None:
    soundfile.write(path, x, rate, subtype=subtype)


def write_take(folder: Path, lines: dict[str, F32], **changes: object) -> TakeFacts:
    (folder / "tracks").mkdir(parents=True)
    frames = max(len(x) for x in lines.values())
    tracks = []
    for k, (name, x) in enumerate(lines.items(), 1):
        path = f"tracks/{k:02d} {name}.wav"
        write(folder / path, x)
        part = TrackFile(path=path, first_frame=0, frames=frames)
        tracks.append(Track(line=k, name=name, role=Role.MIC, channel=k - 1, files=(part,)))
    facts = TakeFacts(
        name=folder.name,
        show="Lanterns",
        rate_hz=RATE,
        encoding=Encoding.PCM24,
        started_at=datetime(2026, 11, 28, 20, tzinfo=UTC),
        frames=frames,
        tracks=tuple(tracks),
        state=TakeState.CLOSED,
    )
    facts = replace(facts, **changes)  # type: ignore[arg-type]
    write_facts(folder, facts)
    return facts


def listing(folder: Path) -> dict[str, tuple[int, int]]:
    return {
        str(p.relative_to(folder)): (p.stat().st_size, p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()
    }


# --- takes of ours


def test_a_take_gets_its_reports_and_they_can_be_read_back(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    marks = (Mark(frame=RATE, name="Harbour", song=1),)
    write_take(take, {"Fiddle": sound(6, 1), "Cello": sound(6, 2)}, marks=marks)
    outcome = run_review(take, pdf=True)
    assert [p.name for p in outcome.reports] == ["review.html", "review.json", "review.pdf"]
    assert (take / "review.pdf").read_bytes().startswith(b"%PDF")
    kept = review_from_json((take / "review.json").read_text(), where="review.json")
    assert kept.findings == outcome.review.findings
    assert [s.name for s in kept.songs] == ["Harbour"]
    page = (take / "review.html").read_text()
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page


def test_a_gap_is_told_with_its_cause_and_its_lines(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    x, y = sound(6, 1), sound(6, 2)
    x[100_000:110_000] = 0
    gap = Gap(first_frame=100_000, frames=10_000, cause=GapCause.NETWORK_LOSS, channels=(0,))
    write_take(take, {"Fiddle": x, "Cello": y}, gaps=(gap,))
    review = run_review(take).review
    (found,) = [f for f in review.findings if f.kind == "gap"]
    assert found.lines == (1,)
    assert "208 ms" in found.what
    assert "network loss" in found.what
    assert review.account.agrees
    assert [a.in_gaps for a in review.account.lines] == [10_000, 0]


def test_samples_inside_a_stated_gap_contradict_the_account(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    gap = Gap(first_frame=100_000, frames=10_000, cause=GapCause.DEVICE_OVERFLOW)
    write_take(take, {"Fiddle": sound(6, 1)}, gaps=(gap,))
    review = run_review(take).review
    assert not review.account.agrees
    assert "file-altered" in {f.kind for f in review.findings}


def test_a_file_shorter_than_its_account_is_told_to_the_frame(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    write_take(take, {"Fiddle": sound(6, 1), "Cello": sound(6, 2)[:-12_345]})
    review = run_review(take).review
    (found,) = [f for f in review.findings if f.kind == "file-short"]
    assert found.lines == (2,)
    assert review.account.lines[1].missing == 12_345
    assert found.severity.value == "stops"


def test_a_track_that_is_gone_does_not_stop_the_review_of_the_others(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    facts = write_take(take, {"Fiddle": sound(6, 1), "Cello": sound(6, 2)})
    (take / facts.tracks[0].files[0].path).unlink()
    review = run_review(take).review
    assert [f.lines for f in review.findings if f.kind == "file-unreadable"] == [(1,)]
    assert review.figures[0].unreadable
    assert review.figures[1].peak_dbfs == pytest.approx(-14.0, abs=0.3)


def test_an_interrupted_review_goes_on_where_it_was(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    write_take(take, {f"Line {k}": sound(6, k) for k in range(1, 5)})

    class Pulled(Exception):
        pass

    def pull(done: int, total: int) -> None:
        if done >= total // 2:
            raise Pulled

    with pytest.raises(Pulled):
        run_review(take, workers=4, tell=pull)
    whole = run_review(take)
    stored = listing(take / "measured")
    assert len(stored) == 4
    again = run_review(take)
    assert listing(take / "measured") == stored  # nothing was measured a second time
    assert again.review.findings == whole.review.findings
    assert again.review.figures == whole.review.figures


def test_a_changed_file_is_measured_again(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    facts = write_take(take, {"Fiddle": sound(6, 1)})
    before = run_review(take).review.figures[0].peak_dbfs
    write(take / facts.tracks[0].files[0].path, sound(6, 1, peak=0.1))
    assert run_review(take).review.figures[0].peak_dbfs == pytest.approx(before - 6.02, abs=0.1)


# --- folders of files


def test_nothing_is_written_into_a_folder_of_files(tmp_path: Path) -> None:
    folder = tmp_path / "delivered"
    folder.mkdir()
    write(folder / "1 Fiddle.wav", sound(4, 1))
    before = listing(folder)
    outcome = run_review(folder)
    assert outcome.reports == ()
    assert listing(folder) == before
    outcome = run_review(folder, out=tmp_path / "report")
    assert listing(folder) == before
    assert all(p.is_file() and p.parent == tmp_path / "report" for p in outcome.reports)


def test_every_broken_file_is_named_with_its_reason_and_the_rest_is_reviewed(tmp_path: Path) -> None:
    folder = tmp_path / "delivered"
    folder.mkdir()
    good = sound(8, 1)
    write(folder / "01 Гитара.wav", good)
    write(folder / "02 Stimme Süd.flac", np.stack([sound(8, 2), sound(8, 3)], axis=1))
    write(folder / "03 Cello.aiff", sound(8, 4))
    write(folder / "04 other rate.wav", sound(3, 5), rate=44_100)
    (folder / "05 empty.wav").touch()
    (folder / "06 noise.wav").write_bytes(b"RIFF" + os.urandom(400))
    write(folder / "07 one sample.wav", good[:1])
    bad = sound(8, 6)
    bad[[1_000, 2_000]] = np.nan, np.inf
    write(folder / "08 float.wav", bad, subtype="FLOAT")
    whole = bytearray((folder / "02 Stimme Süd.flac").read_bytes())
    whole[len(whole) // 2 : len(whole) // 2 + 2_000] = bytes(2_000)
    (folder / "09 broken.flac").write_bytes(bytes(whole))
    write(folder / "10 zero rate.wav", good[:1_000])
    header = bytearray((folder / "10 zero rate.wav").read_bytes())
    header[24:28] = bytes(4)
    (folder / "10 zero rate.wav").write_bytes(bytes(header))
    review = run_review(folder, out=tmp_path / "out").review
    said = {f.kind: [g.what for g in review.findings if g.kind == f.kind] for f in review.findings}
    assert any("05 empty.wav" in what and "empty" in what for what in said["file-unreadable"])
    assert any("06 noise.wav" in what for what in said["file-unreadable"])
    assert any("10 zero rate.wav" in what for what in said["file-unreadable"])
    assert any("09 broken.flac" in what for what in (*said.get("file-short", ()), *said["file-unreadable"]))
    assert any("04 other rate.wav" in what for what in said["rates-differ"])
    assert "2 samples are no numbers" in said["not-numbers"][0]
    assert "lengths-differ" in said
    by_name = {f.name: f for f in review.figures}
    assert by_name["Гитара"].peak_dbfs == pytest.approx(-14.0, abs=0.2)
    assert by_name["Cello"].peak_dbfs == pytest.approx(-14.0, abs=0.2)
    assert by_name["Stimme Süd R"].peak_dbfs == pytest.approx(-14.0, abs=0.2)


@pytest.mark.parametrize("frames", [1, 2, 100, 4_799, 4_801, 70_000])
def test_very_short_files_are_reviewed(tmp_path: Path, frames: int) -> None:
    write(tmp_path / "a.wav", sound(2, 1)[:frames])
    write(tmp_path / "b.wav", sound(2, 2)[:frames])
    review = run_review(tmp_path, out=tmp_path / "out").review
    assert review.frames == frames
    assert len(review.figures) == 2


def test_many_files_are_no_trouble(tmp_path: Path) -> None:
    folder = tmp_path / "many"
    folder.mkdir()
    x = sound(1, 1)
    for k in range(500):
        write(folder / f"{k:03d}.wav", np.roll(x, k * 37)[:4_800], subtype="PCM_16")
    review = run_review(folder).review
    assert len(review.figures) == 500


def test_no_sound_file_and_only_broken_ones_are_refused_clearly(tmp_path: Path) -> None:
    with pytest.raises(TakeMissing):
        run_review(tmp_path)
    (tmp_path / "a.wav").touch()
    with pytest.raises(FailureError, match="none of the 1 files"):
        run_review(tmp_path)


def test_names_that_roughly_match_the_input_list_get_its_numbers_and_roles(tmp_path: Path) -> None:
    for name in ("AUDIO_03-lead vocal", "AUDIO_07-Keys R", "AUDIO_01-KeysL", "AUDIO_02 clicktrack"):
        write(tmp_path / f"{name}.wav", sound(1, 1))
    show = Show(
        name="Lanterns",
        lines=(
            Line(number=4, name="Lead Vocal", role=Role.WIRELESS),
            Line(number=9, name="Keys L", role=Role.DIRECT, partner=10),
            Line(number=10, name="Keys R", role=Role.DIRECT, partner=9),
            Line(number=30, name="Click Track", role=Role.CLICK),
        ),
    )
    opened = open_foreign(tmp_path, show)
    found = {t.files[0].path: (t.line, t.role) for t in opened.take.facts.tracks}
    opened.take.close()
    assert found["AUDIO_03-lead vocal.wav"] == (4, Role.WIRELESS)
    assert found["AUDIO_07-Keys R.wav"] == (10, Role.DIRECT)
    assert found["AUDIO_02 clicktrack.wav"] == (30, Role.CLICK)


# --- the command


def test_the_command_prints_one_screen_and_ends_with_status_0(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    write_take(take, {"Fiddle": sound(6, 1), "Cello": np.zeros(6 * RATE, np.float32)})
    result = CliRunner().invoke(command, [str(take)])
    assert result.exit_code == 0
    assert "Not usable as it stands" in result.output
    assert "review.html" in result.output
    assert len(result.output.splitlines()) <= 40


def test_json_holds_the_whole_review(tmp_path: Path) -> None:
    take = tmp_path / "evening-1"
    write_take(take, {"Fiddle": sound(6, 1)})
    result = CliRunner().invoke(command, [str(take), "--json"])
    assert result.exit_code == 0
    assert json.loads(result.output)["take"] == "evening-1"


def test_a_place_that_is_not_there_is_refused(tmp_path: Path) -> None:
    result = CliRunner().invoke(command, [str(tmp_path / "nowhere")])
    assert isinstance(result.exception, NightreelError)
    assert result.exception.exit_status == 2


# --- two nights


def test_two_nights_give_the_gain_change_of_each_line(tmp_path: Path) -> None:
    lines = {"Fiddle": sound(40, 1), "Cello": sound(40, 2), "Flute": sound(40, 3)}
    write_take(tmp_path / "one", lines)
    write_take(tmp_path / "two", {**lines, "Cello": lines["Cello"] * np.float32(0.5)})
    outcome = run_review(tmp_path / "two", against=tmp_path / "one")
    assert outcome.nights is not None
    changes = {c.name: c.gain_db for c in outcome.nights.lines}
    assert changes["Cello"] == pytest.approx(-6.02, abs=0.3)
    assert changes["Fiddle"] == pytest.approx(0.0, abs=0.2)
    assert outcome.nights.swapped == ()


def test_two_nights_tell_lines_that_changed_places(tmp_path: Path) -> None:
    low = scipy.signal.fftconvolve(sound(30, 1), np.hanning(301) / 60, mode="same").astype(np.float32)
    high = np.diff(sound(30, 2), n=3, prepend=np.zeros(3, np.float32)).astype(np.float32)
    rest = sound(30, 3)
    write_take(tmp_path / "one", {"A": low, "B": high, "C": rest})
    write_take(tmp_path / "two", {"A": high, "B": low, "C": rest})
    outcome = run_review(tmp_path / "two", against=tmp_path / "one")
    assert outcome.nights is not None
    assert outcome.nights.swapped == ((1, 2),)
    assert "night-swapped" in {f.kind for f in outcome.review.findings}


def test_a_take_is_not_compared_with_itself(tmp_path: Path) -> None:
    write_take(tmp_path / "one", {"A": sound(3, 1)})
    with pytest.raises(ArgumentInvalid):
        run_review(tmp_path / "one", against=tmp_path / "one")
