"""The recorder's own process on a real JACK server: what the band played is in the files, to the bit, line by line.

The dummy server may skip periods here; what it skipped must stand in the take as gaps of exactly that length, with
everything before and after still exact. See test_jack_capture for how the band's samples tell their place.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile
from tests.faults.test_jack_capture import check_against_band
from tests.jackband import band
from tests.jackserver import JackServer, running_jack
from tests.recording import RATE_HZ, make_show

from nightreel.capture import RecordRequest, launch
from nightreel.control import Client, socket_path
from nightreel.errors import RecorderGone
from nightreel.take import open_take
from nightreel.timeline import GapCause

CHANNELS = 64


@pytest.fixture(scope="module")
def server() -> Iterator[JackServer]:
    with pytest.MonkeyPatch.context() as patch, running_jack(patch, channels=CHANNELS) as running:
        yield running


def test_64_lines_of_a_band_on_a_jack_server_are_in_the_files_to_the_bit(
    server: JackServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    show = tmp_path / "show"
    make_show(show, lines=CHANNELS)
    with band(server.name, CHANNELS) as players:
        launched = launch(RecordRequest(show=str(show), source="jack:band", reserve_bytes=0, checkpoint_s=0.5))
        try:
            time.sleep(3.0)
            with Client(socket_path(show)) as client:
                client.ask("mark", name="Tin Boats")
                client.ask("stop", confirm=launched.take)
                with contextlib.suppress(RecorderGone):
                    while client.ask("status")["state"] != "closed":
                        time.sleep(0.05)
        finally:
            for pid in (launched.guard_pid, launched.pid):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
    with open_take(launched.folder) as take:
        assert not take.missing
        assert take.frames > 2 * RATE_HZ
        samples = take.read(range(1, CHANNELS + 1), 0, take.frames)
        gaps = take.facts.gaps
        lengths = {soundfile.info(launched.folder / t.files[0].path).frames for t in take.facts.tracks}
    assert lengths == {len(samples)}
    assert {gap.cause for gap in gaps} <= {GapCause.SERVER_SKIPPED}
    check_against_band(samples, gaps, players)
