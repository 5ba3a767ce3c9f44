"""Properties of the solver that need no desk: scale, order, clocks, drowned and silent sends, deep crosstalk."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.errors import ArgumentInvalid
from nightreel.signal.codes import CodeSchedule
from nightreel.signal.path_matrix import PathMatrix, solve_paths

RATE_HZ = 48_000


def schedule(returns: int, **options: float) -> CodeSchedule:
    return CodeSchedule(rate_hz=RATE_HZ, returns=returns, **options)  # type: ignore[arg-type]


def captured(codes: CodeSchedule, paths: list[tuple[int, int, float, int]], sends: int, noise_dbfs: float, seed: int):  # type: ignore[no-untyped-def]
    """(return, send, gain with polarity, latency) applied by hand."""
    played = codes.signal(0, codes.total_frames)
    out = np.random.default_rng(seed).standard_normal((codes.total_frames, sends), np.float32)
    out *= np.float32(10 ** (noise_dbfs / 20))
    for port, send, gain, latency in paths:
        out[latency:, send] += np.float32(gain) * played[: codes.total_frames - latency, port]
    return out


def summary(matrix: PathMatrix) -> set[tuple[int, int, int, int]]:
    return {(p.return_index, p.send_index, p.polarity, round(p.latency_frames)) for p in matrix.paths}


@settings(max_examples=8)
@given(
    seed=st.integers(0, 2**32 - 1),
    returns=st.integers(2, 24),
    sends=st.integers(1, 12),
    ceiling_dbfs=st.floats(-55.0, -20.0),
)
def test_any_patch_is_found_at_any_ceiling(seed: int, returns: int, sends: int, ceiling_dbfs: float) -> None:
    random = np.random.default_rng(seed)
    codes = schedule(returns, ceiling_dbfs=ceiling_dbfs)
    paths = [
        (
            int(random.integers(returns)),
            send,
            float(random.choice([-1, 1]) * random.uniform(0.05, 2.0)),
            int(random.integers(24_000)),
        )
        for send in range(sends)
    ]
    matrix = solve_paths(captured(codes, paths, sends, -105.0, seed), codes)
    assert summary(matrix) == {(r, s, 1 if g > 0 else -1, lat) for r, s, g, lat in paths}
    for path in matrix.paths:
        gain = next(g for r, s, g, _ in paths if (r, s) == (path.return_index, path.send_index))
        assert path.gain_db == pytest.approx(20 * np.log10(abs(gain)), abs=0.15)


def test_crosstalk_sixty_decibels_down_is_seen_beside_the_send_s_own_return() -> None:
    codes = schedule(128)
    paths = [(send, send, 1.0, 300) for send in range(16)]
    paths += [(send + 1, send, 10 ** (-60 / 20), 5_000 + 17 * send) for send in range(16)]
    matrix = solve_paths(captured(codes, paths, 16, -100.0, 3), codes)
    traces = [p for p in matrix.paths if p.gain_db < -20]
    assert {(p.return_index, p.send_index) for p in traces} == {(send + 1, send) for send in range(16)}
    assert [p.gain_db for p in traces] == pytest.approx([-60.0] * 16, abs=1.0)


def test_nothing_is_found_in_noise_and_the_sensitivity_says_how_deep_it_could_have_been_seen() -> None:
    codes = schedule(64)
    matrix = solve_paths(captured(codes, [], 32, -30.0, 4), codes)
    assert matrix.paths == ()
    assert matrix.noise_dbfs == pytest.approx(np.full(32, -30.0), abs=0.2)
    assert matrix.sensitivity_db.max() < -18.0
    at_the_edge = [(send, send, 10 ** ((matrix.sensitivity_db[send] + 3.0) / 20), 700) for send in range(32)]
    assert len(solve_paths(captured(codes, at_the_edge, 32, -30.0, 5), codes).paths) >= 30


def test_digital_silence_gives_nothing_and_no_clock() -> None:
    codes = schedule(8)
    matrix = solve_paths(np.zeros((codes.total_frames, 4), np.float32), codes)
    assert matrix.paths == ()
    assert matrix.clocks_locked
    assert np.isneginf(matrix.noise_dbfs).all()


def test_pink_programme_twenty_decibels_above_the_signal_hides_nothing() -> None:
    codes = schedule(32)
    random = np.random.default_rng(6)
    spectrum = np.fft.rfft(random.standard_normal((codes.total_frames, 32)), axis=0)
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.shape[0]))[:, None]
    spectrum[0] = 0
    pink = np.fft.irfft(spectrum, codes.total_frames, axis=0)
    steady = codes.signal(codes.first_window, codes.period_frames)
    pink *= 10.0 * steady.std() / pink.std(axis=0)
    paths = [(n, (5 * n) % 32, -1.0 if n % 3 else 1.0, 40 * n) for n in range(32)]
    capture = captured(codes, paths, 32, -120.0, 7) + pink.astype(np.float32)
    assert summary(solve_paths(capture, codes)) == {(r, s, 1 if g > 0 else -1, lat) for r, s, g, lat in paths}


def test_all_returns_on_one_send_are_all_found() -> None:
    codes = schedule(24)
    paths = [(n, 0, 0.2 + 0.03 * n, 57 + n) for n in range(24)]
    matrix = solve_paths(captured(codes, paths, 1, -100.0, 8), codes)
    assert {p.return_index for p in matrix.paths} == set(range(24))
    assert max(abs(p.gain_db - 20 * np.log10(0.2 + 0.03 * p.return_index)) for p in matrix.paths) < 0.3


def test_what_is_beyond_half_a_second_is_doubt_and_not_a_wrong_path() -> None:
    codes = schedule(8)
    matrix = solve_paths(captured(codes, [(3, 0, 1.0, 26_000)], 1, -90.0, 9), codes)
    assert matrix.paths == ()
    assert matrix.doubtful[0]


def test_a_capture_that_is_too_short_is_refused() -> None:
    codes = schedule(2)
    with pytest.raises(ArgumentInvalid):
        solve_paths(np.zeros((1000, 2), np.float32), codes)
