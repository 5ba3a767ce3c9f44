"""``nightreel soundcheck`` as a user meets it: plan, playing, telling, coming back; refusals that change nothing."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.unit.soundcheck.rig import RATE_HZ, band, show_with_take

from nightreel.cli.main import main
from nightreel.timeline import Mark
from nightreel.wave import WaveReader

MARKS = (Mark(frame=0, name="Low Tide", song=1), Mark(frame=96_000, name="Ferry Bell", song=2))


@pytest.fixture
def show(tmp_path: Path) -> Path:
    show_with_take(tmp_path / "show", band(5 * RATE_HZ, 4), MARKS)
    return tmp_path / "show"


def run(capsys: pytest.CaptureFixture[str], *args: Any) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["soundcheck", *map(str, args)])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def test_plan_only_writes_the_sheets_and_plays_nothing(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, show, "--plan-only", "--live", "2")
    assert status == 0
    assert " returned (3): 1 Name 1, 3 Name 3, 4 Name 4" in out
    assert "     live (1): 2 Name 2" in out
    assert (show / "sheets/soundcheck-back-to-live.html").exists()
    assert not (show / "soundcheck.json").exists()


def test_a_song_is_written_to_files_bit_for_bit(show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out_folder = tmp_path / "out"
    status, out, _ = run(
        capsys,
        show,
        "--through",
        f"files:{out_folder}",
        "--song",
        "ferry",
        "--start-level",
        "0",
        "--rise",
        "0",
        "--json",
    )
    assert status == 0
    assert json.loads(out)["outcome"]["state"] == "ended"
    samples = band(5 * RATE_HZ, 4)
    for line in range(1, 5):
        with WaveReader(out_folder / f"return {line:03d}.wav") as reader:
            played = reader.read(0, reader.frames_present)[:, 0]
        first = int(np.flatnonzero(played)[0])  # of the fade-in, whose first steps may round to nothing
        wanted = samples[96_000 + 960 : 5 * RATE_HZ - 960, line - 1]
        offset = next(
            k
            for k in range(max(0, first - 8), first + 1)
            if np.array_equal(played[k + 960 : k + 5_000], wanted[:4_040])
        )
        assert np.array_equal(played[offset + 960 : offset + 960 + wanted.size], wanted)


def test_nothing_plays_on_a_desk_without_confirmation(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = run(capsys, show, "--through", "stage@max")
    assert status == 2
    assert "in-ear transmitter" in err
    assert "NIOSH" in err
    assert not (show / "soundcheck.json").exists()


def test_the_banner_stands_until_the_desk_is_proven_live(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = run(capsys, show, "--through", "stage@max", "--confirm-muted", "--span", "0-1")
    assert status == 0
    assert "NOT PROVEN LIVE" in err
    status, out, _ = run(capsys, show, "--back-to-live", "--through", "stage@max")
    assert status == 1
    assert "Line 2 Name 2 is still returned" in out
    status, out, _ = run(capsys, show, "--back-to-live", "--by-take", "--through", "stage@max")
    assert status == 1
    assert out.count("is still returned") == 4
    status, out, _ = run(capsys, show, "--back-to-live", "--through", "stage:live@max")
    assert (status, out.splitlines()[-1]) == (0, "All 4 lines are live: no send carries a return.")
    status, out, _ = run(capsys, show, "--back-to-live", "--through", "stage@max", "--json")
    assert json.loads(out) == {"live": True, "lines": []}


def test_a_waiver_takes_the_banner_down(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, show, "--through", "stage@max", "--confirm-muted", "--span", "0-1")
    assert run(capsys, show, "--waive", "looked at every channel")[:2] == (0, "Waived: looked at every channel\n")
    assert run(capsys, show, "--waive", "again")[1].startswith("Nothing is open")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--song", "nine", "--plan-only"], "no song of this take"),
        (["--live", "brass", "--plan-only"], "neither a line nor a group"),
        ([], "where to play was not said"),
        (["--through", "radio:1", "--confirm-muted"], "nothing to play through"),
        (["no-such-take", "--plan-only"], "no take 'no-such-take'"),
        (["--tell", "stop"], "no player is running"),
        (["--level", "6", "--through", "stage@max", "--confirm-muted"], "0 dB at most"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(
    show: Path, capsys: pytest.CaptureFixture[str], args: list[str], words: str
) -> None:
    status, _, err = run(capsys, show, *args)
    assert status in (1, 2)
    assert words in err
    assert "Traceback" not in err
    assert not (show / "soundcheck.json").exists()


def test_a_player_of_its_own_is_told_from_elsewhere_and_quits(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = [
        sys.executable,
        "-m",
        "nightreel",
        "soundcheck",
        str(show),
        "--through",
        "stage",
        "--confirm-muted",
        "--loop",
    ]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True
    )
    try:
        deadline = time.monotonic() + 60
        while run(capsys, show, "--tell", "status")[0] != 0:
            assert time.monotonic() < deadline
            time.sleep(0.1)
        assert "loop 0:00:00.000 to 0:00:05.000" in run(capsys, show, "--tell", "status")[1]
        _, out, _ = run(capsys, show, "--tell", "live 2", "--json")
        assert json.loads(out)["returned"] == [1, 3, 4]
        assert run(capsys, show, "--tell", "jump 0:99")[0] == 2
        run(capsys, show, "--tell", "quit")
        out, err = process.communicate(timeout=30)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0, err
    assert "Ended at" in out
