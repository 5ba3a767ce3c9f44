"""A soundcheck over the network: what the command sends is what was recorded, to the sample, in flows it was given."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import numpy as np
import pytest
from tests.rtpband import stream
from tests.unit.soundcheck.rig import RATE_HZ, band, show_with_take

from nightreel.cli.main import main
from nightreel.ports.aes67 import sdp
from nightreel.ports.aes67.source import NetworkSource
from nightreel.ports.protocols import FloatArray


def test_a_take_leaves_in_two_flows_bit_for_bit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    samples = band(3 * RATE_HZ, 4)
    show_with_take(tmp_path / "show", samples)
    flows = [stream("a", channels=2), stream("b", channels=2)]
    folder = tmp_path / "returns"
    folder.mkdir()
    for flow in flows:
        (folder / f"{flow.name}.sdp").write_text(sdp.serialise(flow))
    source = NetworkSource(flows)
    source.start()
    received: list[FloatArray] = []
    done = threading.Event()

    def receive() -> None:
        while not done.is_set():
            block = source.read(timeout_s=0.2)
            if block is not None:
                received.append(block.samples)

    receiver = threading.Thread(target=receive)
    receiver.start()
    try:
        with pytest.raises(SystemExit) as left:
            options = ["--confirm-muted", "--json", "--start-level", "0", "--rise", "0"]
            main(["soundcheck", str(tmp_path / "show"), "--through", f"aes67:{folder}", *options])
    finally:
        done.set()
        receiver.join()
        source.stop()
    out, err = capsys.readouterr()
    assert left.value.code in (0, None), err
    outcome = json.loads(out)["outcome"]
    assert outcome["sink"]["packets"] >= 3_000
    heard = np.concatenate(received)
    index = {row.tobytes(): place for place, row in enumerate(samples)}
    places = np.array([index.get(row.tobytes(), -1) for row in heard])
    exact = places[places >= 0]
    # All but the fades of 20 ms at both ends, and what underruns cost on a busy machine.
    assert exact.size > (0.9 if outcome["underruns"] == 0 else 0.2) * samples.shape[0]
    if outcome["underruns"] == 0:
        assert np.array_equal(exact, np.arange(exact[0], exact[0] + exact.size))
