"""Solving the path matrix against cross-correlating every return with every send by ``scipy.signal.correlate``.

Both get the same capture and give the same answer: where each return arrives, with its latency. The peer correlates
each send with each return's own signal over latencies up to 0.5 s, in both sequences, and keeps the largest magnitude;
it finds neither crosstalk beside a main path nor clocks that run apart. It is timed on some pairs, and multiplied.
Processor time, one thread each, best of three; the making of signals and captures is outside.
"""

from __future__ import annotations

import time

import numpy as np
from scipy.signal import correlate

from nightreel.signal.codes import CodeSchedule
from nightreel.signal.path_matrix import solve_paths

RATE_HZ = 48_000
SIZES = (8, 16, 32, 64, 128)
PEER_PAIRS = 24
ROUNDS = 3


def run() -> None:
    print(f"{'N x N':>9} {'signal':>8} {'solve':>9} {'correlate':>11} {'ratio':>7}   (48 kHz)")
    for size in SIZES:
        codes, capture, truth = _capture(size)
        solve_paths(capture[:, :1], codes)
        solve_s = min(_timed(capture, codes, truth) for _ in range(ROUNDS))
        peer_s = min(_peer(capture, codes, truth) for _ in range(ROUNDS)) * size * size
        signal_s = codes.total_frames / RATE_HZ
        print(f"{size:>5} x {size:<3} {signal_s:6.2f} s {solve_s:7.3f} s {peer_s:9.2f} s {peer_s / solve_s:6.0f}x")


def _capture(size: int) -> tuple[CodeSchedule, np.ndarray, list[tuple[int, int]]]:
    """A permuted desk, a latency of its own on every path, a little noise; and (return, latency) of each send."""
    random = np.random.default_rng(size)
    codes = CodeSchedule(rate_hz=RATE_HZ, returns=size)
    played = codes.signal(0, codes.total_frames)
    capture = random.standard_normal(played.shape, np.float32) * np.float32(10 ** (-95 / 20))
    truth = [(int(port), int(random.integers(24_000))) for port in random.permutation(size)]
    for send, (port, latency) in enumerate(truth):
        capture[latency:, send] += played[: played.shape[0] - latency, port]
    return codes, capture, truth


def _timed(capture: np.ndarray, codes: CodeSchedule, truth: list[tuple[int, int]]) -> float:
    started = time.process_time()
    matrix = solve_paths(capture, codes)
    taken = time.process_time() - started
    assert [(p.return_index, round(p.latency_frames)) for p in matrix.paths] == truth
    return taken


def _peer(capture: np.ndarray, codes: CodeSchedule, truth: list[tuple[int, int]]) -> float:
    """Seconds a pair; every pair it is timed on carries its path, so the answer can be checked."""
    played = codes.signal(0, codes.total_frames)
    period, reach = codes.period_frames, codes.latency_frames
    pairs = [(truth[n % len(truth)][0], n % len(truth)) for n in range(PEER_PAIRS)]
    started = time.process_time()
    for port, send in pairs:
        for start, frames in ((codes.first_window, period), (codes.second_window, 2 * period)):
            came = capture[start : start + frames, send]
            went = played[start - reach : start + frames, port]
            likeness = correlate(went, came, mode="valid", method="fft")
            latency = reach - int(np.argmax(np.abs(likeness)))
            assert latency == truth[send][1]
    return (time.process_time() - started) / PEER_PAIRS
