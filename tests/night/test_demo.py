"""``nightreel demo`` runs one night by the commands an engineer types, and finds all that was planted in it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from nightreel.demo.stage import find_night
from nightreel.demo.verdict import judge


def run(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "nightreel", *map(str, words)], capture_output=True, text=True, timeout=280, check=False
    )


def test_the_demo_finds_every_planted_trouble_and_leaves_a_show_to_explore(tmp_path: Path) -> None:
    folder = tmp_path / "demo-show"
    done = run("demo", folder, "--scale", "0.3", "--speed", "3")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-2000:]
    assert "6 of 6 planted troubles found, 0 false alarms" in done.stdout
    (take,) = (folder / "takes").iterdir()
    assert (take / "review.html").is_file()
    assert len(list((take / "tracks").glob("*.wav"))) == 32
    assert list((folder / "handovers").iterdir())
    _the_examination_can_fail(folder, take)
    again = run("demo", folder)
    assert again.returncode == 1
    assert "there already" in again.stderr
    assert take.is_dir()


def _the_examination_can_fail(folder: Path, take: Path) -> None:
    """Without its findings the same night is judged as missed; with an invented one it is a false alarm."""
    night = find_night(folder)
    check = json.loads(sorted((folder / "proofs").glob("*.json"))[-1].read_text())
    review = json.loads((take / "review.json").read_text())
    assert judge(night.truth, night.traps, line_check=check, review=review).passed
    silent = judge(night.truth, night.traps, line_check={**check, "statements": []}, review={**review, "findings": []})
    assert len(silent.missed) == len(night.truth)
    invented = {"kind": "hum", "lines": [20], "spans": [], "severity": "fix", "what": "an invented hum"}
    alarmed = judge(
        night.truth, night.traps, line_check=check, review={**review, "findings": [*review["findings"], invented]}
    )
    assert alarmed.alarms == ("an invented hum",)
    assert not alarmed.passed
