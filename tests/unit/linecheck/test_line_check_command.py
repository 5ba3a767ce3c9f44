"""``nightreel line-check`` as a user meets it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.unit.linecheck.test_ear import taps
from tests.unit.soundcheck.rig import usb_show

from nightreel.cli.large_type import large
from nightreel.cli.main import main
from nightreel.show.files import create_show
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveWriter


@pytest.fixture
def show(tmp_path: Path) -> Path:
    create_show(tmp_path / "show", **usb_show(count=8))
    return tmp_path / "show"


def run(capsys: pytest.CaptureFixture[str], *args: Any) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["line-check", *map(str, args)])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def test_a_straight_desk_is_proven_kept_and_known(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, show, "--through", "stage@max", "--confirm-muted")
    assert status == 0
    assert "8 of 8 lines proven from return to send." in out
    assert len(list((show / "proofs").iterdir())) == 1
    status, out, _ = run(capsys, show, "--known")
    assert out.count("proven: return, desk channel, send") == 8


def test_faults_are_said_and_the_exit_status_tells(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec = "stage:crossed=1+2,level=4:-6,inverted=5@max"
    status, out, _ = run(capsys, show, "--through", spec, "--confirm-muted", "--json")
    assert status == 1
    kinds = {statement["kind"] for statement in json.loads(out)["statements"]}
    assert kinds == {"crossed", "off level", "polarity reversed", "latency"}


def test_nothing_sounds_without_confirmation(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = run(capsys, show, "--through", "stage@max")
    assert status == 2
    assert "in-ear transmitter" in err
    assert not (show / "proofs").exists()


def test_by_ear_from_what_the_sends_bring(show: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    samples = taps([1, 2, 3, 4, 5, 6, 7, 8])
    sends = tmp_path / "sends"
    sends.mkdir()
    form = WaveFormat(rate_hz=48_000, channels=1, encoding=Encoding.PCM24)
    for send in range(8):
        with WaveWriter.create(sends / f"send {send + 1}.wav", form) as writer:
            writer.write(np.ascontiguousarray(samples[:, [send]]))
    status, out, _ = run(capsys, show, "--by-ear", "--through", f"files:{sends}")
    assert status == 0
    assert "8 of 8 lines heard where they belong." in out
    status, out, _ = run(capsys, show, "--known", "--json")
    assert json.loads(out)["lines"][0]["stations"] == ["stage socket", "desk channel", "send"]


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ([], "where the desk is was not said"),
        (["--through", "radio:1", "--confirm-muted"], "nothing to check lines through"),
        (["--through", "stage:broken=1@max", "--confirm-muted"], "not a fault"),
        (["--through", "stage:dead=99@max", "--confirm-muted"], "port that the desk does not have"),
        (["--through", "stage@max", "--confirm-muted", "--ceiling", "0"], "is not allowed"),
        (["--through", "stage@max", "--confirm-muted", "--link", "other"], "no line has both"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(
    show: Path, capsys: pytest.CaptureFixture[str], args: list[str], words: str
) -> None:
    status, _, err = run(capsys, show, *args)
    assert status == 2
    assert words in err
    assert "Traceback" not in err


def test_large_type_is_five_rows_and_fits() -> None:
    rows = large("12 Snare Top and a very long name").splitlines()
    assert len(rows) == 5
    assert max(map(len, rows)) <= 98
    assert rows[0].startswith("  █   ████")
