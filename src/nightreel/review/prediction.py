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
    """How many times the error at ``at`` (give or take 3 frames) exceeds the RMS error of its rougher side.

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
    a, b = rows[clean], target[clean]
    gram = a.T @ a
    gram[np.diag_indices(ORDER)] += 1e-9 * np.trace(gram) / ORDER + 1e-15
    weights = np.linalg.solve(gram, a.T @ b)
    error = np.abs(target - rows @ weights)
    centre = middle - ORDER
    peak = float(error[centre - 3 : centre + 4].max())
    before = error[centre - GUARD - NEAR : centre - GUARD]
    after = error[centre + GUARD + ORDER : centre + GUARD + ORDER + NEAR]
    rough = max(float(np.sqrt(np.mean(before**2))), float(np.sqrt(np.mean(after**2))))
    return peak / (rough + 1e-9)
