"""The JACK server is killed in mid-take and comes back: the take goes on, and the time without it is one gap."""

import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from tests.jackband import band, notes
from tests.jackrecorder import CAUSES
from tests.jackserver import running_jack

from nightreel.timeline import Gap, GapCause, join_gaps

CHANNELS = 16
RATE_HZ = 48_000
PERIOD = 256


@pytest.fixture
def server(monkeypatch):
    with running_jack(monkeypatch, channels=CHANNELS) as running:
        yield running


@pytest.fixture(params=["device", "jack"])
def recorder(request, tmp_path, server):
    """Starts a recorder process for so many seconds; ``result`` waits for what it got."""

    class Recorder:
        def start(self, seconds):
            command = [sys.executable, "-m", "tests.jackrecorder", request.param, str(CHANNELS), str(seconds)]
            self.process = subprocess.Popen([*command, str(tmp_path / "out.npz")], stdout=subprocess.PIPE, text=True)
            assert self.process.stdout.readline().strip() == "started"

        def result(self):
            assert self.process.wait(60.0) == 0
            out = np.load(tmp_path / "out.npz")
            gaps = [Gap(first_frame=int(a), frames=int(n), cause=CAUSES[int(c)]) for a, n, c in out["gaps"]]
            return out["samples"], join_gaps(gaps), out["came"]

    made = Recorder()
    yield made
    if made.process.poll() is None:
        made.process.kill()
        made.process.wait()
    made.process.stdout.close()


def check_stretch(samples, first, end, gaps, log):
    """Frames first to end are what the band played at one offset, but for what it did not play or what is a gap."""
    whole = next(
        at
        for at in range(first, end - PERIOD)
        if samples[at].any() and not any(g.first_frame < at + PERIOD and at < g.end_frame for g in gaps)
    )
    times = {tuple(notes(int(now), 1, CHANNELS)[0]): int(now) for now, _ in log}
    at = next(at for at in range(whole, end) if tuple(samples[at]) in times)
    first_time = times[tuple(samples[at])] - at
    expected = notes(first_time, end, CHANNELS)
    counts = np.zeros(end, dtype=bool)
    for now, in_time in log:
        if in_time:
            counts[max(0, now - first_time) : max(0, now - first_time + PERIOD)] = True
    for gap in gaps:
        counts[gap.first_frame : gap.end_frame] = False
    counts[:first] = False
    assert counts.sum() > 0.5 * RATE_HZ
    assert np.array_equal(samples[:end][counts], expected[counts])


def test_a_killed_server_is_a_gap_by_the_clock_and_the_take_goes_on_when_it_is_back(server, recorder):
    with band(server.name, CHANNELS) as players:
        recorder.start(6.0)
        time.sleep(1.5)
        log = players.periods.copy()
        server.kill()
        killed_s = time.time()
        time.sleep(1.5)
    server.start()
    with band(server.name, CHANNELS) as players:
        samples, gaps, came = recorder.result()
        log_after = players.periods.copy()
    lost = [gap for gap in gaps if gap.cause is GapCause.DEVICE_LOST]
    assert len(lost) == 1
    assert not samples[lost[0].first_frame : lost[0].end_frame].any()
    # Blocks went on coming while there was no server, as time went by.
    meanwhile = came[(came[:, 0] > killed_s + 0.5) & (came[:, 0] < killed_s + 1.4)]
    assert len(meanwhile) > 1
    # The take's clock is still right to a few hundredths: from the first block to the last it counted what passed.
    # (No figure is asserted that a busy machine could spoil: a tenth of a second either way.)
    passed_s = came[-1, 0] - came[0, 0]
    assert (came[-1, 1] - came[0, 1]) / RATE_HZ == pytest.approx(passed_s, abs=0.3)
    check_stretch(samples, 0, lost[0].first_frame - PERIOD, gaps, log)
    check_stretch(samples, lost[0].end_frame, len(samples), gaps, log_after)


def test_a_recorder_stopped_for_a_while_has_a_gap_of_exactly_what_the_band_played_meanwhile(server, recorder):
    with band(server.name, CHANNELS) as players:
        recorder.start(3.0)
        time.sleep(1.0)
        recorder.process.send_signal(signal.SIGSTOP)
        time.sleep(0.5)
        recorder.process.send_signal(signal.SIGCONT)
        samples, gaps, _ = recorder.result()
        log = players.periods.copy()
    assert max(gap.frames for gap in gaps) > 0.3 * RATE_HZ
    assert {gap.cause for gap in gaps} == {GapCause.SERVER_SKIPPED}
    check_stretch(samples, 0, len(samples), gaps, log)
