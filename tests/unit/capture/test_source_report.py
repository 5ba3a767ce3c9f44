"""What a source says beyond gaps: in the status, as alerts, and kept with the take at every destination."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

from tests.recording import KnownSource, plan_for

from nightreel.capture.recorder import Recorder
from nightreel.capture.screen import plain_text
from nightreel.capture.sources import SourceSetup
from nightreel.capture.status import compute_status
from nightreel.ports.protocols import HasReport

KNOWN_BEFORE = "the buffer is small"
COMES_LATER = "the sender restarted"


class TellingSource(KnownSource):
    """Warns of one thing from the start on, and of another for as long as ``restarted`` is set."""

    restarted = False

    @property
    def warnings(self) -> tuple[str, ...]:
        return (KNOWN_BEFORE, COMES_LATER) if self.restarted else (KNOWN_BEFORE,)

    def report(self) -> dict[str, Any]:
        return {"summary": "3 flows, nothing lost", "paths": [{"lost": 0}], "warnings": list(self.warnings)}


def started(folder: Path, source: KnownSource) -> Recorder:
    plan = plan_for(folder, lines=2, mirrors=(str(folder / "mirror"),))
    recorder = Recorder(plan, SourceSetup(open=lambda: source))
    recorder.open()
    recorder.record()
    return recorder


def wait_for(recorder: Recorder, text: str, *, standing: bool) -> None:
    end = time.monotonic() + 20.0
    while any(text in alert.what for alert in recorder.alerts()) is not standing:
        assert time.monotonic() < end
        time.sleep(0.02)


def test_figures_are_in_the_status_and_kept_with_the_take(tmp_path: Path) -> None:
    source = TellingSource(channels=2, frames=None, speed=1.0)
    assert isinstance(source, HasReport)
    recorder = started(tmp_path, source)
    status = compute_status(recorder)
    assert json.loads(json.dumps(status))["source_report"]["paths"] == [{"lost": 0}]
    assert "3 flows, nothing lost" in plain_text(status)
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=30)
    for place in recorder.plan.places:
        kept = json.loads((place.folder / "measured" / "source.json").read_text())
        assert kept["summary"] == "3 flows, nothing lost"


def test_what_was_known_before_the_start_is_no_alert_and_what_comes_later_is_one_until_it_ends(tmp_path: Path) -> None:
    source = TellingSource(channels=2, frames=None, speed=1.0)
    recorder = started(tmp_path, source)
    assert recorder.intake.warnings == (KNOWN_BEFORE,)
    source.restarted = True
    wait_for(recorder, COMES_LATER, standing=True)
    assert not any(KNOWN_BEFORE in alert.what for alert in recorder.alerts())
    source.restarted = False
    wait_for(recorder, COMES_LATER, standing=False)
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=30)


def test_a_source_that_tells_nothing_leaves_no_file(tmp_path: Path) -> None:
    recorder = started(tmp_path, KnownSource(channels=2, frames=None, speed=1.0))
    assert compute_status(recorder)["source_report"] == {}
    recorder.stop(confirm=recorder.take_name)
    assert recorder.wait(timeout_s=30)
    assert not (recorder.plan.places[0].folder / "measured" / "source.json").exists()
