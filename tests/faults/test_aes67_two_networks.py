"""One of two redundant networks is cut in mid-take, on real links: nothing is lost while either is whole.

The idea of SMPTE ST 2022-7 (from memory): equal packets on two paths, a sample is lost only where both lose it. Runs on
two hosts in network namespaces where this user may make them (CI runs as root); elsewhere the same cut is covered on
loopback in ``test_aes67_receive.py``, and this test checks that the machine really refuses namespaces.
"""

from __future__ import annotations

import json
import os
import subprocess
import time
from pathlib import Path

import numpy as np
from tests import netnight

from nightreel.ports.aes67.source import SETTLE_S


def wait_for(path: Path, seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not path.exists():
        assert time.monotonic() < end, f"{path.name} did not come"
        time.sleep(0.02)


def test_a_cut_cable_on_one_network_loses_nothing(tmp_path: Path) -> None:
    if not netnight.namespaces_work():
        assert os.geteuid() != 0 or not Path("/var/run/netns").exists()
        return
    with netnight.two_hosts() as (desk, laptop), netnight.start(laptop, "receive", tmp_path) as receiver:
        wait_for(tmp_path / "listening")
        with netnight.start(desk, "send", tmp_path) as sender:
            wait_for(tmp_path / "sending")
            time.sleep(0.8)
            subprocess.run(["ip", "-n", desk, "link", "set", "d1", "down"], check=True)
            assert sender.wait(timeout=30) == 0
            time.sleep(0.6)
            (tmp_path / "sent").touch()
        assert receiver.wait(timeout=30) == 0
    received = np.load(tmp_path / "received.npy")
    account = json.loads((tmp_path / "received.json").read_text())
    audio = netnight.audio()
    settle = round(SETTLE_S * 48_000)
    start = int(np.flatnonzero((audio[settle : settle + 48_000] == received[0]).all(axis=1))[0]) + settle
    frames = min(len(received), len(audio) - start)
    first, second = account["statistics"]
    assert first[1] < second[1] - 500  # the cut is real: the first network brought far fewer packets
    assert frames > 2.0 * 48_000
    assert [gap for gap in account["gaps"] if gap[0] < frames] == []
    np.testing.assert_array_equal(received[:frames], audio[start : start + frames])
