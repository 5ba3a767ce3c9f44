"""Saved meters: whatever bytes are handed in, they are either meters or one clear error."""

from __future__ import annotations

import contextlib

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.errors import TakeDamaged
from nightreel.signal.meters import LineMeters


def _saved() -> bytes:
    meters = LineMeters.start(rate_hz=8_000, channels=2, spectra=True)
    rng = np.random.default_rng(1)
    meters.feed((0.1 * rng.normal(size=(20_000, 2))).astype(np.float32))
    return meters.to_bytes()


SAVED = _saved()


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(SAVED) - 1), st.integers(0, 255)), min_size=1, max_size=4))
def test_changed_bytes_are_refused_or_harmless(changes: list[tuple[int, int]]) -> None:
    data = bytearray(SAVED)
    for at, value in changes:
        data[at] = value
    with contextlib.suppress(TakeDamaged):
        LineMeters.from_bytes(bytes(data)).result()


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from([0, 2_000, len(SAVED) // 2, len(SAVED) - 3_000, len(SAVED) - 400]),
    st.binary(min_size=1, max_size=200),
    st.integers(0, len(SAVED)),
)
def test_cut_and_spliced_bytes_are_refused_or_harmless(at: int, patch: bytes, end: int) -> None:
    data = (SAVED[:at] + patch + SAVED[at + len(patch) :])[: max(end, at)]
    with contextlib.suppress(TakeDamaged):
        LineMeters.from_bytes(data).result()


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_refused(data: bytes) -> None:
    with contextlib.suppress(TakeDamaged):
        LineMeters.from_bytes(data)
        raise AssertionError("these were no meters")
