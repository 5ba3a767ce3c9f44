"""Random simulated desks: the solved matrix equals the truth, and no statement about it is wrong.

``NIGHTREEL_DESKS=100`` runs the full hundred; without it fewer, to save time. The test's id is the desk's seed.
"""

from __future__ import annotations

import os
from dataclasses import replace

import numpy as np
import pytest
from tests.unit.linecheck.rig import AT, straight_patch

from nightreel.linecheck import Explanation, Identified, Kind, Outcome, Statement, explain, identify
from nightreel.ports.desk import Desk, DeskChannel, DeskPath, Feed, Leak, Origin
from nightreel.ports.stage import SimulatedStage, StageDuplex

DESKS = int(os.environ.get("NIGHTREEL_DESKS", "5"))
CODE_RMS_DBFS = -40.1  # of a code at a ceiling of -30 dBFS


def random_desk(random: np.random.Generator) -> Desk:
    """Every kind of fault, mixed: patch, gains, polarities, latencies, noise, bands, leaks, dead sends, clocks."""
    lines = int(random.integers(4, 33))
    rate_hz = int(random.choice([44_100, 48_000, 48_000, 96_000]))
    returns = random_patch(random, lines)
    half_second = rate_hz // 2 - 320  # what an unlocked desk adds comes on top
    same_latency = int(random.integers(0, half_second))
    band_hz = (float(random.uniform(10, 60)), float(random.uniform(16_000, 20_000))) if random.random() < 0.4 else None
    busy = random.random() < 0.3  # programme on every send, 20 dB above the signals
    channels = []
    for send in range(lines):
        leaks = []
        if not busy and random.random() < 0.2:
            leaks.append(
                Leak(
                    origin=Origin.RETURN,
                    port=int(random.integers(lines)),
                    gain_db=float(random.uniform(-60, -25)) if random.random() < 0.8 else 0.0,
                    polarity=int(random.choice([-1, 1])),
                    latency_frames=int(random.integers(0, half_second)),
                )
            )
        # A leak is not made of the return that the channel carries anyway.
        leaks = [leak for leak in leaks if leak.port != returns[send]]
        channels.append(
            DeskChannel(
                socket=send,
                return_port=returns[send],
                feed=Feed.RETURN,
                gain_db=0.0 if random.random() < 0.7 else float(random.uniform(-12, 6)),
                polarity=-1 if random.random() < 0.15 else 1,
                latency_frames=same_latency if random.random() < 0.5 else int(random.integers(0, half_second)),
                noise_dbfs=CODE_RMS_DBFS + 20.0 if busy else float(random.uniform(-110, -90)),
                band_hz=band_hz,
                dead=random.random() < 0.06,
                leaks=tuple(leaks),
            )
        )
    if busy:
        channels = [replace(channel, gain_db=0.0) for channel in channels]
    offset_ppm = float(random.choice([0.0, 0.0, 0.0, 50.0, -50.0, 12.0]))
    return Desk(
        rate_hz=rate_hz,
        sockets=lines,
        returns=lines,
        channels=tuple(channels),
        clock_offset_ppm=offset_ppm,
        seed=int(random.integers(1 << 30)),
    )


def random_patch(random: np.random.Generator, lines: int) -> list[int]:
    """Straight, with crossings, shifted, or any permutation."""
    straight = list(range(lines))
    kind = random.integers(4)
    if kind == 1:
        a, b = random.choice(lines, 2, replace=False)
        straight[a], straight[b] = straight[b], straight[a]
    elif kind == 2:
        first = int(random.integers(lines - 3))
        straight[first:] = [straight[-1], *straight[first:-1]]
    elif kind == 3:
        straight = [int(n) for n in random.permutation(lines)]
    return straight


def solve(desk: Desk) -> tuple[Identified, Explanation]:
    patch = straight_patch(desk.sends)
    outcome = identify(StageDuplex(SimulatedStage(desk), speed=None), patch.return_numbers, amplifiers_muted=True)
    assert isinstance(outcome, Identified)
    return outcome, explain(outcome.matrix, patch, return_numbers=patch.return_numbers, at=AT)


def truth_of(desk: Desk) -> dict[tuple[int, int], DeskPath]:
    return {(path.port, path.send): path for path in desk.paths() if path.origin is Origin.RETURN}


@pytest.mark.parametrize("seed", range(DESKS))
def test_the_solved_matrix_is_the_truth_and_nothing_said_is_wrong(seed: int) -> None:
    desk = random_desk(np.random.default_rng([2_026, seed]))
    identified, told = solve(desk)
    matrix, truth = identified.matrix, truth_of(desk)
    found = {(path.return_index, path.send_index): path for path in matrix.paths}
    assert found.keys() == truth.keys()
    extra = SimulatedStage(desk).extra_latency_frames
    # With clocks apart, latency at the first frame of the capture, 0.36 s after the desk's own first frame.
    extra -= desk.clock_offset_ppm * 1e-6 * 0.36 * desk.rate_hz
    extra += band_delay_frames(desk)
    for place, path in found.items():
        tolerance = 0.25 + 5.0 * path.gain_uncertainty_db
        assert path.gain_db == pytest.approx(truth[place].gain_db, abs=tolerance)
        assert path.polarity == truth[place].polarity
        assert path.latency_frames == pytest.approx(truth[place].latency_frames + extra, abs=0.6)
        assert path.confidence > 0.9
    assert matrix.clock_offset_ppm == pytest.approx(
        -desk.clock_offset_ppm, abs=max(0.5, 5.0 * matrix.clock_uncertainty_ppm)
    )
    assert matrix.clocks_locked == (desk.clock_offset_ppm == 0.0)
    for statement in told.statements:
        assert is_true(statement, desk, truth), statement
    for proof in told.proofs:
        carried = {place[0] + 1 for place, path in truth.items() if place[1] + 1 == proof.line and path.gain_db > -20}
        assert (proof.outcome is Outcome.PROVEN) == (carried == {proof.line})


def band_delay_frames(desk: Desk) -> float:
    """Group delay of the desk's band limit where the signals are strongest (scipy.signal.group_delay)."""
    from scipy import signal

    band_hz = desk.channels[0].band_hz
    if band_hz is None:
        return 0.0
    polynomials = signal.butter(2, band_hz, "bandpass", fs=desk.rate_hz)
    return float(signal.group_delay(polynomials, [4_000.0], fs=desk.rate_hz)[1][0])


def is_true(statement: Statement, desk: Desk, truth: dict[tuple[int, int], DeskPath]) -> bool:
    """Each kind of statement against the desk's own account, by its figures rather than its words."""
    sends, returns = statement.sends, statement.returns
    carried = {
        send: {port + 1 for (port, at), path in truth.items() if at + 1 == send and path.gain_db > -20}
        for send in range(1, desk.sends + 1)
    }
    match statement.kind:
        case Kind.CROSSED:
            return returns[1] in carried[sends[0]] and returns[0] in carried[sends[1]] and sends == returns
        case Kind.SHIFTED:
            return all(
                port in carried[send] and port == send + statement.value
                for send, port in zip(sends, returns, strict=True)
            )
        case Kind.WRONG_RETURN:
            return returns[0] in carried[sends[0]] and sends[0] not in carried[sends[0]]
        case Kind.NOTHING_HEARD:
            return not carried[sends[0]]
        case Kind.ARRIVES_NOWHERE:
            return not any(returns[0] in ports for ports in carried.values())
        case Kind.TWO_RETURNS:
            return carried[sends[0]] == set(returns)
        case Kind.CROSSTALK:
            path = truth[returns[0] - 1, sends[0] - 1]
            return abs(path.gain_db - (statement.value or 0.0)) < 1.0
        case Kind.OFF_LEVEL if sends:
            gain_db = truth[returns[0] - 1, sends[0] - 1].gain_db
            usual = [s.value for s in _usual(desk, truth)]
            return abs(gain_db - usual[0] - (statement.value or 0.0)) < 1.5
        case Kind.POLARITY:
            return all(truth[port - 1, send - 1].polarity < 0 for send, port in zip(sends, returns, strict=False))
        case Kind.CLOCK:
            return desk.clock_offset_ppm != 0.0
        case Kind.ALL_RIGHT:
            return all(carried[send] == {send} for send in carried)
        case Kind.LATENCY if len(statement.lines) == 2:
            first, last = (truth[line - 1, line - 1].latency_frames for line in statement.lines)
            return abs(last - first - (statement.value or 0.0)) < 1.0
        case Kind.TOO_NOISY | Kind.UNCLEAR | Kind.NOT_TESTED:
            return False  # none of these desks calls for it
        case _:
            return True


def _usual(desk: Desk, truth: dict[tuple[int, int], DeskPath]) -> list[Statement]:
    from nightreel.linecheck import Weight

    strongest = []
    for send in range(desk.sends):
        gains = [path.gain_db for (_, at), path in truth.items() if at == send]
        strongest += [max(gains)] if gains else []
    usual = float(np.median(strongest)) if strongest else 0.0
    return [Statement(kind=Kind.OFF_LEVEL, weight=Weight.FACT, text="", value=usual)]
