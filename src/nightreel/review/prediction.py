"""Linear prediction around a suspected place: does a sample stand out that nothing before or after it explains?

A predictor of order 32 is fitted by least squares to the two stretches around the place, and the error at the place is
held against the error close by on either side. What a sound does, however sharp, goes on after it began, so the error
stays high on one side; where samples were lost, doubled or cut, it is high at the place alone. (Method: common in the
restoration of recordings, e.g. Godsill and Rayner, Digital Audio Restoration, 1998, chapter 5; from memory.)
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

ORDER = 32
STRETCH = 1024
NEAR = 160  # frames to either side whose error the place is held against
GUARD = 6
CONTEXT = STRETCH + ORDER + GUARD


def standing_out(samples: NDArray[np.float32], at: int) -> float:
    """How many times the error at ``at`` (give or take 3 frames) exceeds the error of its rougher side.

    samples : mono, with CONTEXT frames to either side of ``at``; 0 where there are not enough
    """
    if at < CONTEXT or at + CONTEXT > len(samples):
        return 0.0
    x = samples[at - CONTEXT : at + CONTEXT].astype(np.float64)
    middle = CONTEXT
    scale = np.abs(x).max()
    if scale == 0:
        return 0.0
    x = x / scale
    rows = np.lib.stride_tricks.sliding_window_view(x[:-1], ORDER)[:, ::-1]  # row k predicts x[k + ORDER]
    target = x[ORDER:]
    place = np.arange(ORDER, len(x))
    clean = np.abs(place - middle) > GUARD + ORDER
    error = np.abs(target - rows @ _fit(rows[clean], target[clean]))
    # Other breaks close by must not spoil the predictor: what stands out of a first fit is left out of a second.
    wild = np.flatnonzero(error > 12.0 * np.median(error))
    if 0 < len(wild) < len(error) // 8:
        for k in wild:
            clean[k : k + ORDER + 1] = False
        if clean.sum() > 6 * ORDER:
            error = np.abs(target - rows @ _fit(rows[clean], target[clean]))
    centre = middle - ORDER
    peak = float(error[centre - 3 : centre + 4].max())
    before = error[centre - GUARD - NEAR : centre - GUARD]
    after = error[centre + GUARD + ORDER : centre + GUARD + ORDER + NEAR]
    # 1.28 sigma is the 80 % quantile of the magnitude of a Gaussian: a few other breaks do not raise it
    rough = max(float(np.quantile(before, 0.8)), float(np.quantile(after, 0.8))) / 1.28
    return peak / (rough + 1e-9)


def _fit(rows: F64, target: F64) -> F64:
    gram = rows.T @ rows
    gram[np.diag_indices(ORDER)] += 1e-9 * np.trace(gram) / ORDER + 1e-15
    return np.asarray(np.linalg.solve(gram, rows.T @ target))
