"""Songs found from the lines themselves, where the take has no marks that name them.

The band plays where many lines are in use at once and stay so; talk and applause use few (a voice, the ambience). A
song lasts at least half a minute; a rest shorter than four seconds is part of it. Names come from the set list, in
order, where the count fits. (Method and figures: own choice, common practice; no published source.)
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nightreel.review.levels import bridged, runs
from nightreel.review.material import HISTORY_PER_S, Material
from nightreel.show.model import Role
from nightreel.timeline import Song, Span

LEAST_S = 30.0
REST_S = 4.0
SHARE = 0.45  # of the lines that play at once in the fullest passages
_BAND = (Role.MIC, Role.DIRECT, Role.WIRELESS, Role.PLAYBACK)


def find_songs(material: Material, titles: Sequence[str] = ()) -> tuple[Song, ...]:
    """Songs in playing order; none for a take without at least two lines of a band."""
    playing = _playing(material)
    if playing is None:
        return ()
    spans = [
        (first, end)
        for first, end in runs(bridged(playing, round(REST_S * HISTORY_PER_S)))
        if end - first >= LEAST_S * HISTORY_PER_S
    ]
    named = titles if len(titles) == len(spans) else [f"Song {k}" for k in range(1, len(spans) + 1)]
    step = material.history_frames
    return tuple(
        Song(
            number=k,
            name=named[k - 1],
            span=Span(
                first_frame=int(first) * step, frames=min(int(end) * step, material.facts.frames) - int(first) * step
            ),
        )
        for k, (first, end) in enumerate(spans, 1)
    )


def _playing(material: Material) -> NDArray[np.bool_] | None:
    lines = [n for n, m in material.lines.items() if m.role in _BAND and material.active(n).any()]
    if len(lines) < 2:
        return None
    size = max(len(material.active(n)) for n in lines)
    count = np.zeros(size)
    for n in lines:
        mask = bridged(material.active(n), HISTORY_PER_S)  # a drum sounds once a beat
        count[: len(mask)] += mask
    width = 2 * HISTORY_PER_S
    smooth = np.convolve(count, np.ones(width) / width, mode="same")
    full = float(np.quantile(smooth, 0.9))
    return np.asarray(smooth > max(SHARE * full, 1.0))
