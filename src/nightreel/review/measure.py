"""One pass over a line's samples: meters (unless the take brings them), spectra and joints, in bounded memory.

Lines that share a file are read together, so that a polyphonic file is read once. Samples that are NaN or infinite are
counted and measured as zero: one bad sample must not hide the rest of a line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.review.joints import JointsBuilder
from nightreel.review.material import SILENT_DB, LineLevels, LineMaterial, Reader
from nightreel.review.spectra import SpectraBuilder
from nightreel.signal.meters import LineMeters, MeterResult
from nightreel.take.model import Track
from nightreel.timeline import Span

F32 = NDArray[np.float32]
GROUP = 16  # lines measured side by side: the meters' kernels run sixteen channels at once
CHUNK_FRAMES = 1 << 16
Progress = Callable[[int], None]  # told how many line-frames were done since the last call


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """What the watch measured during the take: one channel of a result."""

    result: MeterResult
    channel: int


def measure_lines(
    tracks: Sequence[Track],
    read: Reader,
    *,
    rate_hz: int,
    frames: int,
    saved: Sequence[Saved] | None = None,
    progress: Progress = lambda _: None,
) -> tuple[LineMaterial, ...]:
    """Measure some lines over ``frames`` frames of the take; blocking, mostly without the interpreter lock.

    saved : one for each track, where the take brings its meters
    """
    lines = [track.line for track in tracks]
    meters = None if saved else LineMeters.start(rate_hz=rate_hz, channels=len(tracks))
    spectra = SpectraBuilder(rate_hz, lines=len(tracks))
    joints = [JointsBuilder(rate_hz) for _ in tracks]
    not_finite = np.zeros(len(tracks), np.int64)
    at = 0
    while at < frames:
        count = min(CHUNK_FRAMES, frames - at)
        block = read(lines, at, count)
        finite = np.isfinite(block)
        if not finite.all():
            not_finite += count - finite.sum(axis=0)
            block = np.where(finite, block, np.float32(0.0))
        if meters is not None:
            meters.feed(block)
        rows = np.ascontiguousarray(block.T)
        spectra.feed(rows)
        for k in range(len(tracks)):
            joints[k].feed(rows[k])
        at += count
        progress(count * len(tracks))
    shapes = spectra.results()
    result = meters.result() if meters is not None else None
    out = []
    for k, track in enumerate(tracks):
        if result is not None:
            levels = line_levels(result, k)
        else:
            assert saved is not None
            levels = line_levels(saved[k].result, saved[k].channel)
        out.append(
            LineMaterial(
                track=track,
                frames=frames,
                levels=levels,
                spectra=shapes[k],
                joints=joints[k].result(),
                not_finite=int(not_finite[k]),
            )
        )
    return tuple(out)


def line_levels(result: MeterResult, channel: int) -> LineLevels:
    """One channel of a meter result, with silence in the histories as -200 dB so that arithmetic stays finite."""
    c = channel
    return LineLevels(
        peak_dbfs=float(result.peak_dbfs[c]),
        true_peak_dbtp=float(result.true_peak_dbtp[c]),
        rms_dbfs=float(result.rms_dbfs[c]),
        dc=float(result.dc[c]),
        integrated_lufs=float(result.integrated_lufs[c]),
        loudness_range_lu=float(result.loudness_range_lu[c]),
        overs=int(result.overs[c]),
        at_full_scale=int(result.samples_at_full_scale[c]),
        over_spans=_spans(result.over_spans[c]),
        zero_spans=_spans(result.zero_spans[c]),
        zero_frames=int(result.zero_frames[c]),
        history_peak_db=_history(result.history_peak_dbfs[:, c]),
        history_rms_db=_history(result.history_rms_dbfs[:, c]),
    )


def _spans(spans: Sequence[Span]) -> tuple[Span, ...]:
    return tuple(Span(first_frame=s.first_frame, frames=s.frames) for s in spans)


def _history(levels: NDArray[np.floating]) -> F32:
    return np.maximum(np.nan_to_num(np.asarray(levels, np.float32), nan=SILENT_DB, neginf=SILENT_DB), SILENT_DB)
