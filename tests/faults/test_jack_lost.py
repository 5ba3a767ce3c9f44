"""The JACK server is killed in mid-take and comes back: the take goes on, and the time without it is one gap."""

import subprocess
import sys
import time

import numpy as np
import pytest
from tests.jackband import band, notes
from tests.jackrecorder import CAUSES
from tests.jackserver import running_jack

from nightreel.errors import DeviceTrouble
from nightreel.ports.jack import JackDuplex, JackSink, JackSource
from nightreel.timeline import Gap, GapCause, join_gaps

CHANNELS = 16
RATE_HZ = 48_000
PERIOD = 256


@pytest.fixture
def server(monkeypatch):
    # Synchronous: where periods overrun, an asynchronous server may run the recorder before the band, which then
    # records an old buffer again; between two clients neither can know.
    with running_jack(monkeypatch, channels=CHANNELS, synchronous=True) as running:
        yield running


@pytest.fixture(params=["device", "jack"])
def recorder(request, tmp_path, server):
    """A recorder process; ``result`` ends it and gives what it got."""

    class Recorder:
        process = None

        def start(self):
            command = [sys.executable, "-m", "tests.jackrecorder", request.param, str(CHANNELS)]
            self.process = subprocess.Popen(
                [*command, str(tmp_path / "out.npz")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
            )
            self.wait_for("started")

        def wait_for(self, word):
            assert self.process.stdout.readline().strip() == word

        def result(self):
            self.process.stdin.close()
            assert self.process.wait(60.0) == 0
            out = np.load(tmp_path / "out.npz")
            gaps = [Gap(first_frame=int(a), frames=int(n), cause=CAUSES[int(c)]) for a, n, c in out["gaps"]]
            return out["samples"], join_gaps(gaps), out["came"]

    made = Recorder()
    yield made
    if made.process is not None:
        if made.process.poll() is None:
            made.process.kill()
            made.process.wait()
        made.process.stdin.close()
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
        recorder.start()
        time.sleep(1.5)
        log = players.periods.copy()
        server.kill()
        killed_s = time.time()
        time.sleep(1.5)
    server.start()
    with band(server.name, CHANNELS) as players:
        recorder.wait_for("back")
        time.sleep(1.5)
        samples, gaps, came = recorder.result()
        log_after = players.periods.copy()
    lost = [gap for gap in gaps if gap.cause is GapCause.DEVICE_LOST]
    assert len(lost) == 1
    assert not samples[lost[0].first_frame : lost[0].end_frame].any()
    # Blocks went on coming while there was no server, as time went by.
    meanwhile = came[(came[:, 0] > killed_s + 0.5) & (came[:, 0] < killed_s + 1.4)]
    assert len(meanwhile) > 1
    # Across the loss the take's clock counted what passed (half a second either way for a busy machine).
    before = came[came[:, 1] <= lost[0].first_frame][-1]
    after = came[came[:, 1] > lost[0].end_frame][0]
    assert (after[1] - before[1]) / RATE_HZ == pytest.approx(after[0] - before[0], abs=0.5)
    check_stretch(samples, 0, lost[0].first_frame - PERIOD, gaps, log)
    check_stretch(samples, lost[0].end_frame, len(samples), gaps, log_after)


@pytest.mark.parametrize("act", ["write", "flush", "fade_out"])
def test_a_sink_whose_server_is_killed_says_so_and_never_hangs(server, act):
    sink = JackSink(device="system", rate_hz=RATE_HZ, channels=2)
    sink.start()
    sink.write(np.zeros((1000, 2), np.float32))
    server.kill()
    with pytest.raises(DeviceTrouble, match=r"has gone while it was playing; nothing sounds. Bring it back"):
        if act == "write":
            while True:
                sink.write(np.zeros((1000, 2), np.float32))
        else:
            sink.write(np.zeros((1000, 2), np.float32))
            getattr(sink, act)()
    sink.stop()
    server.start()
    sink.start()  # and it plays again once the server is back
    sink.write(np.zeros((1000, 2), np.float32))
    sink.flush()
    sink.stop()


def test_a_duplex_whose_server_is_killed_says_so(server):
    duplex = JackDuplex(device="system", rate_hz=RATE_HZ, sends=2, returns=2)
    duplex.start()
    duplex.exchange(np.zeros((480, 2), np.float32))
    server.kill()
    with pytest.raises(DeviceTrouble, match="has gone"):
        while True:
            duplex.exchange(np.zeros((480, 2), np.float32))
    duplex.stop()


def test_a_source_that_is_stopped_while_its_server_is_gone_stops_at_once(server):
    source = JackSource(device="system", rate_hz=RATE_HZ, channels=2)
    source.start()
    assert source.read(timeout_s=5.0) is not None
    server.kill()
    while not any(gap.cause is GapCause.DEVICE_LOST for gap in source.read(timeout_s=5.0).gaps):
        pass
    assert source.health.lost_device
    assert "the device has gone" in source.warnings[0]
    assert source.report()["device_lost"]
    source.stop()
    assert source.warnings == ()
