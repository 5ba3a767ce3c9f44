"""Line check through a real JACK server and a desk of the tests' own: the solved matrix is the desk's patch.

``NIGHTREEL_JACK_DESKS=20`` runs twenty random desks; without it fewer, to save time.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from tests.jackdesk import JackDesk, Patch
from tests.jackserver import running_jack
from tests.unit.linecheck.rig import AT, straight_patch

from nightreel.linecheck import Identified, Kind, Outcome, explain, identify
from nightreel.ports.jack import JackDuplex

DESKS = int(os.environ.get("NIGHTREEL_JACK_DESKS", "2"))
CHANNELS = 64
PERIOD = 1024


@pytest.fixture(scope="module")
def server():
    options = {"channels": CHANNELS, "period_frames": PERIOD, "synchronous": True}
    with pytest.MonkeyPatch.context() as patch, running_jack(patch, **options) as running:
        yield running


def random_patch(random: np.random.Generator) -> Patch:
    returns = [int(n) for n in random.permutation(CHANNELS)]
    for send in random.choice(CHANNELS, 3, replace=False):
        returns[send] = -1
    gains = random.choice([1.0, -1.0], CHANNELS) * 10 ** (random.uniform(-20, 0, CHANNELS) / 20)
    delays = random.integers(PERIOD, 20_000, CHANNELS)
    return Patch(returns, gains.tolist(), [int(delay) for delay in delays])


@pytest.mark.parametrize("seed", range(DESKS))
def test_a_random_desk_is_solved(server, seed):
    patch = random_patch(np.random.default_rng([2_026, seed]))
    with JackDesk(server.name, patch):
        duplex = JackDuplex(rate_hz=48_000, sends=CHANNELS, returns=CHANNELS, device="desk", ahead_s=0.5)
        duplex.start()
        try:
            ahead_frames = duplex.latency_frames[2]
            expected = straight_patch(CHANNELS)
            outcome = identify(duplex, expected.return_numbers, amplifiers_muted=True, ahead_frames=ahead_frames)
        finally:
            duplex.stop()
    assert isinstance(outcome, Identified)
    found = {(path.return_index, path.send_index): path for path in outcome.matrix.paths}
    assert found.keys() == {(port, send) for send, port in enumerate(patch.returns) if port >= 0}
    # The server hands audio on from client to client in one period; what its own order adds is the same on every path.
    added = {round(p.latency_frames) - patch.delays_frames[send] for (_, send), p in found.items()}
    assert len(added) == 1
    assert added <= {k * PERIOD for k in range(-3, 4)}
    # What the server skipped was neither played nor heard; it costs accuracy, and the check says so.
    for (_, send), path in found.items():
        tolerance_db = 0.3 + 3.0 * path.gain_uncertainty_db if outcome.gaps else 0.05
        assert path.gain_db == pytest.approx(20 * np.log10(abs(patch.gains[send])), abs=tolerance_db)
        assert path.polarity == np.sign(patch.gains[send])
        assert path.latency_frames == pytest.approx(round(path.latency_frames), abs=0.1)
    assert outcome.matrix.clocks_locked
    told = explain(outcome.matrix, expected, return_numbers=expected.return_numbers, at=AT)
    silent = {s.sends[0] - 1 for s in told.statements if s.kind is Kind.NOTHING_HEARD}
    assert silent == {send for send, port in enumerate(patch.returns) if port < 0}
    proven = {proof.line - 1 for proof in told.proofs if proof.outcome is Outcome.PROVEN}
    assert proven == {send for send, port in enumerate(patch.returns) if port == send}
