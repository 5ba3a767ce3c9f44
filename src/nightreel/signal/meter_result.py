"""What the line meters say, and how it follows from what they accumulated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.signal import events
from nightreel.signal.loudness import integrated_lufs, loudness_range_lu, lufs_from_power, sliding_mean
from nightreel.signal.spectra import LineSpectra
from nightreel.signal.state import MOMENTARY_SUBS, Accumulated
from nightreel.timeline import Span

_SHORT_TERM_HOPS = 30
_BLOCK_HOPS = 4

FloatArray = NDArray[np.float64]
Spans = tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammeResult:
    """Loudness of a group of channels measured together, by the weights given at the start."""

    integrated_lufs: float
    max_momentary_lufs: float
    max_short_term_lufs: float
    loudness_range_lu: float
    true_peak_dbtp: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Places of one kind on one channel in order of time: all of them, or the 1024 weightiest. Arrays have one length.

    first_frame, frames : where; weight : how much it stands out; first, second : see :class:`MeterResult`
    """

    first_frame: NDArray[np.int64]
    frames: NDArray[np.int64]
    weight: FloatArray
    first: FloatArray
    second: FloatArray

    def __len__(self) -> int:
        return len(self.first_frame)

    @property
    def spans(self) -> Spans:
        pairs = zip(self.first_frame.tolist(), self.frames.tolist(), strict=True)
        return tuple(Span(first_frame=start, frames=length) for start, length in pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterResult:
    """What was measured. Arrays have one entry a channel; -inf dB is digital silence, or too short to measure.

    peak_dbfs, true_peak_dbtp, rms_dbfs : full scale is a magnitude of 1.0 (an RMS of 1.0 is 0 dBFS)
    dc : mean of the samples
    integrated_lufs, max_momentary_lufs, max_short_term_lufs, loudness_range_lu : of each channel as a programme of
        its own with weight 1 (ITU-R BS.1770-5, EBU Tech 3341, 3342)
    samples_at_full_scale : samples at or beyond full scale
    overs : runs of them; over_spans lists the longest 1024 of each channel in order of time
    zero_runs, zero_frames : runs of exact zeros of 1 ms or more, and frames in them; zero_spans lists the longest 1024
    flat_tops : tops cut off below full scale; flat_places: weight frames, first the signed level of the top (linear)
    flat_levels : (channels, 160) how many at each level, in steps of 0.25 dB down from full scale
    repeats : runs that equal what was up to 4096 frames before; repeat_places: weight frames, first the distance back
    joints : single places where the samples do not join; joint_places: weight how far the third difference stands out
        of its surroundings, first its size
    outs : cut off and back within a second, both steeply; out_places: weight frames, first and second the magnitude
        before and the lowest inside
    not_numbers : samples that were NaN, infinite or absurd; measured as zero
    history_peak_dbfs, history_rms_dbfs : float32 (windows, channels), 100 ms each; window i begins at frame
        history_first_frame + i * history_frames (the first and last may be cut by the ends of the span)
    spectra : third octaves over time and more, one a channel: see :class:`nightreel.signal.spectra.LineSpectra`; empty
        where they were not asked for
    programmes : of the groups asked for at the start
    """

    rate_hz: int
    channels: int
    span: Span
    peak_dbfs: FloatArray
    true_peak_dbtp: FloatArray
    rms_dbfs: FloatArray
    dc: FloatArray
    integrated_lufs: FloatArray
    max_momentary_lufs: FloatArray
    max_short_term_lufs: FloatArray
    loudness_range_lu: FloatArray
    samples_at_full_scale: NDArray[np.int64]
    overs: NDArray[np.int64]
    over_spans: tuple[Spans, ...]
    zero_runs: NDArray[np.int64]
    zero_frames: NDArray[np.int64]
    zero_spans: tuple[Spans, ...]
    flat_tops: NDArray[np.int64]
    flat_places: tuple[Places, ...]
    flat_levels: NDArray[np.int64]
    repeats: NDArray[np.int64]
    repeat_places: tuple[Places, ...]
    joints: NDArray[np.int64]
    joint_places: tuple[Places, ...]
    outs: NDArray[np.int64]
    out_places: tuple[Places, ...]
    not_numbers: NDArray[np.int64]
    history_first_frame: int
    history_frames: int
    history_peak_dbfs: NDArray[np.float32]
    history_rms_dbfs: NDArray[np.float32]
    spectra: tuple[LineSpectra, ...]
    programmes: tuple[ProgrammeResult, ...] = ()

    @property
    def frames(self) -> int:
        return self.span.frames

    @property
    def crest_db(self) -> FloatArray:
        """Peak over RMS; 0 for digital silence."""
        with np.errstate(invalid="ignore"):
            return np.nan_to_num(self.peak_dbfs - self.rms_dbfs, nan=0.0)

    @property
    def flat_spans(self) -> tuple[Spans, ...]:
        return tuple(places.spans for places in self.flat_places)

    @property
    def repeat_spans(self) -> tuple[Spans, ...]:
        return tuple(places.spans for places in self.repeat_places)

    def level_percentiles_dbfs(self, percents: Sequence[float] = (1, 5, 10, 50, 90, 95, 99)) -> FloatArray:
        """Short-time levels (RMS of 100 ms) that so many per cent of the windows do not exceed; (percents, channels).

        The low ones are the noise floor. Windows of digital silence are left out; -inf where nothing is left.
        """
        levels = np.full((len(percents), self.channels), -np.inf)
        for c in range(self.channels):
            heard = self.history_rms_dbfs[np.isfinite(self.history_rms_dbfs[:, c]), c]
            if len(heard):
                levels[:, c] = np.percentile(heard, percents)
        return levels


def db_of(amplitude: NDArray[np.floating]) -> NDArray[np.float32]:
    """Levels of magnitudes, float32; zero gives -inf."""
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(amplitude), dtype=np.float32)


def compute_result(whole: Accumulated) -> MeterResult:
    """The figures of a span that was accumulated from its first frame on and closed."""
    setting, a = whole.setting, whole.arrays
    c, hop = setting.channels, setting.hop_frames
    frames = max(1, whole.frames)
    hops = whole.hops
    edges = np.clip(np.arange(whole.base_hop, whole.base_hop + hops + 1) * hop, whole.first_frame, whole.end_frame)
    squares = a["hop_squares"][:hops]
    rms = np.sqrt(squares / np.maximum(1, np.diff(edges))[:, None])
    first_whole = -(-whole.first_frame // hop) - whole.base_hop
    loud = a["hop_loud"][first_whole : max(first_whole, whole.end_frame // hop - whole.base_hop)]
    momentary = a["most_momentary"] / (MOMENTARY_SUBS * setting.sub_frames)
    with np.errstate(divide="ignore"):
        highest = a["hop_peak"][:hops].max(axis=0, initial=0.0).astype(np.float64)
        peak = 20.0 * np.log10(highest)
        true_peak = 20.0 * np.log10(np.maximum(highest, whole.between_samples.ravel()[:c]))
        total_rms = 10.0 * np.log10(squares.sum(axis=0) / frames)

    def loudness(weights: FloatArray) -> tuple[float, float, float]:
        """Integrated, highest short-term and range of one programme; one at a time, for long takes are large."""
        powers = loud @ weights / hop
        short = sliding_mean(powers, _SHORT_TERM_HOPS)
        highest_short = float(lufs_from_power(short.max(initial=0.0)))
        return integrated_lufs(sliding_mean(powers, _BLOCK_HOPS)), highest_short, loudness_range_lu(short)

    def places(kind: int | np.int64) -> tuple[Places, ...]:
        found = []
        for channel in range(c):
            where, details = whole.events(kind, channel)
            found.append(
                Places(
                    first_frame=where[:, 0],
                    frames=where[:, 1],
                    weight=details[:, 0],
                    first=details[:, 1],
                    second=details[:, 2],
                )
            )
        return tuple(found)

    count = a["count"]
    alone = np.array([loudness(weights) for weights in np.eye(c)]).reshape(-1, 3)
    programmes = []
    for row, weights in enumerate(setting.weights):
        integrated, highest_short, loudness_range = loudness(weights)
        programmes.append(
            ProgrammeResult(
                integrated_lufs=integrated,
                max_momentary_lufs=float(lufs_from_power(momentary[c + row])),
                max_short_term_lufs=highest_short,
                loudness_range_lu=loudness_range,
                true_peak_dbtp=float(true_peak[weights > 0].max(initial=-np.inf)),
            )
        )
    return MeterResult(
        rate_hz=setting.rate_hz,
        channels=c,
        span=Span(first_frame=whole.first_frame, frames=whole.frames),
        peak_dbfs=peak,
        true_peak_dbtp=true_peak,
        rms_dbfs=total_rms,
        dc=a["sum_of_samples"] / frames,
        integrated_lufs=alone[:, 0],
        max_momentary_lufs=lufs_from_power(momentary[:c]),
        max_short_term_lufs=alone[:, 1],
        loudness_range_lu=alone[:, 2],
        samples_at_full_scale=a["at_full_scale"].copy(),
        overs=count[events.OVER].copy(),
        over_spans=tuple(p.spans for p in places(events.OVER)),
        zero_runs=count[events.ZERO].copy(),
        zero_frames=a["total"][events.ZERO].copy(),
        zero_spans=tuple(p.spans for p in places(events.ZERO)),
        flat_tops=count[events.FLAT].copy(),
        flat_places=places(events.FLAT),
        flat_levels=a["flat_levels"].copy(),
        repeats=count[events.REPEAT].copy(),
        repeat_places=places(events.REPEAT),
        joints=count[events.JOINT].copy(),
        joint_places=places(events.JOINT),
        outs=count[events.OUT].copy(),
        out_places=places(events.OUT),
        not_numbers=a["not_numbers"].copy(),
        history_first_frame=whole.base_hop * hop,
        history_frames=hop,
        history_peak_dbfs=db_of(a["hop_peak"][:hops]),
        history_rms_dbfs=db_of(rms),
        spectra=whole.spectra.result() if whole.spectra else (),
        programmes=tuple(programmes),
    )
