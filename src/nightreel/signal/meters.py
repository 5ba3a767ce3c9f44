"""Everything that is measured of a line while it passes: one mergeable set of meters for watch, review and cluster.

    meters = LineMeters.start(rate_hz=48_000, channels=64)
    meters.feed(block)                # (frames, 64), any size, as often as wanted
    whole = meters.merge(next_part)   # of a part that was started at ``meters.end_frame``
    result = whole.result()

A :class:`LineMeters` is a monoid over adjacent spans of frames: every way to cut the same samples into parts and
blocks gives the same result (counts, spans and peaks to the bit, sums to rounding). What makes it so: a part keeps
its first 1.5 s as raw samples. They warm up the filters for what follows, and at a merge they are simply fed to the
part on the left, which knows what came before them.

Windows lie on the take's own grid: 10 ms and 100 ms counted from frame 0 of the take, whatever frame a part starts at.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid, TakeDamaged
from nightreel.signal import events
from nightreel.signal.loudness import integrated_lufs, loudness_range_lu, lufs_from_power, sliding_mean
from nightreel.signal.spectra import LineSpectra, window_frames_for
from nightreel.signal.state import MOMENTARY_SUBS, Accumulated, Setting
from nightreel.timeline import Span

FULL_SCALE_24_BIT = 8_388_607 / 8_388_608
# 0.3 s for the filters to forget their start (below 1e-16 of it is left) and 0.4 s for a loudness window; an out of a
# second and what goes around it; a window of the spectra, if that is longer.
HEAD_HOPS = 15
MOST_CHANNELS = 4_096

_SHORT_TERM_HOPS = 30
_BLOCK_HOPS = 4
# What NumPy, zipfile and json raise on bytes that are not what they should be.
_UNREADABLE = (
    ValueError, KeyError, IndexError, TypeError, OSError, EOFError, RuntimeError, zipfile.BadZipFile, zlib.error,
    struct.error, ArgumentInvalid,
)  # fmt: skip
_FORMAT = "nightreel line meters"
_VERSION = 1

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


@dataclass(frozen=True, slots=True, kw_only=True)
class RecentLevels:
    """The last whole 100 ms windows: for the live watch. Arrays (windows, channels), float32."""

    first_frame: int
    window_frames: int
    peak_dbfs: NDArray[np.float32]
    rms_dbfs: NDArray[np.float32]
    samples_at_full_scale: NDArray[np.int64]  # (channels,), since the start


class LineMeters:
    """Meters of one span of frames of all its channels; see the module. Not for several threads at once."""

    def __init__(self, setting: Setting, first_frame: int) -> None:
        self._setting = setting
        self._first_frame = first_frame
        sub = setting.sub_frames
        least = max(HEAD_HOPS * setting.hop_frames, window_frames_for(setting.rate_hz))
        head_frames = -(-(first_frame + least) // sub) * sub - first_frame
        self._head = np.zeros((head_frames, setting.channels), np.float32)
        self._head_frames = 0
        self._body: Accumulated | None = None
        self._pending = np.zeros((sub, setting.channels), np.float32)  # the body is fed whole 10 ms only
        self._pending_frames = 0

    @classmethod
    def start(
        cls,
        *,
        rate_hz: int,
        channels: int,
        first_frame: int = 0,
        full_scale: float = FULL_SCALE_24_BIT,
        programmes: Sequence[Sequence[float]] = (),
        spectra: bool = False,
    ) -> LineMeters:
        """Meters that have seen nothing yet.

        full_scale : magnitude from which a sample is at full scale; the largest positive value of the encoding
        programmes : groups of channels measured together, each as one weight a channel (BS.1770-5 Table 3)
        spectra : keep the long-term spectra too; they double the work

        Raises ArgumentInvalid for a rate, a channel count or weights that make no sense.
        """
        if not 1_000 <= rate_hz <= 1_000_000:
            raise ArgumentInvalid(f"a rate of {rate_hz} Hz cannot be measured", now="Use 1000 to 1000000 Hz")
        if not 1 <= channels <= MOST_CHANNELS or first_frame < 0 or not full_scale > 0:
            raise ArgumentInvalid(
                f"cannot measure {channels} channels from frame {first_frame} on with full scale {full_scale}",
                now=f"Give 1 to {MOST_CHANNELS} channels, a frame from 0 on and a positive full scale",
            )
        if any(len(weights) != channels for weights in programmes):
            raise ArgumentInvalid("a programme needs one weight for each channel", now="Use 0 for channels left out")
        weights = np.array([list(w) for w in programmes], dtype=np.float64).reshape(len(programmes), channels)
        return cls(
            Setting(rate_hz=rate_hz, channels=channels, full_scale=full_scale, weights=weights, spectra=spectra),
            first_frame,
        )

    @property
    def rate_hz(self) -> int:
        return self._setting.rate_hz

    @property
    def channels(self) -> int:
        return self._setting.channels

    @property
    def first_frame(self) -> int:
        return self._first_frame

    @property
    def frames(self) -> int:
        return self._head_frames + (self._body.frames if self._body is not None else 0) + self._pending_frames

    @property
    def end_frame(self) -> int:
        return self._first_frame + self.frames

    def feed(self, block: NDArray[np.float32]) -> None:
        """Measure the frames that follow.

        block : float32 (frames, channels), full scale 1.0, any number of frames

        Raises ArgumentInvalid for another shape. NaN and infinity are counted and measured as zero.
        """
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ArgumentInvalid(
                f"a block of shape {block.shape} does not fit meters of {self.channels} channels",
                now="Feed arrays of shape (frames, channels)",
            )
        samples = np.ascontiguousarray(block, dtype=np.float32)
        if self._body is None:
            take = min(len(samples), len(self._head) - self._head_frames)
            self._head[self._head_frames : self._head_frames + take] = samples[:take]
            self._head_frames += take
            samples = samples[take:]
            if self._head_frames == len(self._head):
                self._body = self._warmed_up()
                self._body.restart()
        if len(samples) and self._body is not None:
            self._feed_body(self._body, samples)

    def merge(self, right: LineMeters) -> LineMeters:
        """Meters of both spans; neither is changed. Raises ArgumentInvalid where `right` does not follow directly."""
        if right.first_frame != self.end_frame or not right._setting.same_as(self._setting):
            raise ArgumentInvalid(
                f"meters from frame {right.first_frame} on cannot follow meters up to frame {self.end_frame}",
                now="Merge neighbouring parts of one measurement, in order",
            )
        both = LineMeters(self._setting, self._first_frame)
        both._head[:] = self._head
        both._head_frames = self._head_frames
        both._body = self._body.copy() if self._body is not None else None
        both._pending[:] = self._pending
        both._pending_frames = self._pending_frames
        both.feed(right._head[: right._head_frames])
        if right._body is not None:
            assert both._body is not None  # the right part's head alone fills ours, and ends on the grid
            assert not both._pending_frames
            both._body.absorb(right._body)
            both._pending[:] = right._pending
            both._pending_frames = right._pending_frames
        return both

    def result(self) -> MeterResult:
        """All figures of the span, taken as standing between silences; feeding may go on afterwards."""
        whole = self._warmed_up()
        if self._body is not None:
            whole.absorb(self._body)
            whole.feed(self._pending[: self._pending_frames])
        whole.close()
        return _result(whole)

    def recent(self, windows: int = 1) -> RecentLevels:
        """Levels of the last whole 100 ms windows, cheaply; fewer where there are not so many yet."""
        body = self._body if self._body is not None else self._warmed_up()
        hop = self._setting.hop_frames
        ready = body.end_frame // hop - body.base_hop
        rows = slice(max(0, ready - windows), max(0, ready))
        return RecentLevels(
            first_frame=(body.base_hop + rows.start) * hop,
            window_frames=hop,
            peak_dbfs=_db(body.arrays["hop_peak"][rows]),
            rms_dbfs=_db(np.sqrt(body.arrays["hop_squares"][rows] / hop)),
            samples_at_full_scale=body.arrays["at_full_scale"].copy(),
        )

    def to_bytes(self) -> bytes:
        """For a file that :meth:`from_bytes` reads: a NumPy .npz archive (no pickle) with the facts as JSON."""
        facts = {
            "format": _FORMAT,
            "version": _VERSION,
            "rate_hz": self.rate_hz,
            "channels": self.channels,
            "full_scale": self._setting.full_scale,
            "spectra": self._setting.spectra,
            "first_frame": self._first_frame,
            "body_frames": self._body.frames if self._body is not None else -1,
        }
        arrays: dict[str, Any] = {
            "facts": np.frombuffer(json.dumps(facts).encode(), np.uint8),
            "weights": self._setting.weights,
            "head": self._head[: self._head_frames],
            "pending": self._pending[: self._pending_frames],
        }
        if self._body is not None:
            arrays.update((f"body_{name}", array) for name, array in self._body.saved().items())
        buffer = io.BytesIO()
        np.savez(buffer, **arrays)
        return buffer.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> LineMeters:
        """Raises TakeDamaged for anything that :meth:`to_bytes` did not write."""
        try:
            with np.load(io.BytesIO(data), allow_pickle=False) as archive:
                facts = json.loads(bytes(archive["facts"]))
                if facts["format"] != _FORMAT or facts["version"] != _VERSION:
                    raise ValueError(f"version {facts['version']} of '{facts['format']}'")
                weights = archive["weights"]
                self = cls.start(
                    rate_hz=facts["rate_hz"],
                    channels=facts["channels"],
                    first_frame=facts["first_frame"],
                    full_scale=facts["full_scale"],
                    programmes=[list(row) for row in weights],
                    spectra=facts["spectra"],
                )
                head = archive["head"]
                self._head[: len(head)] = head
                self._head_frames = len(head)
                pending = archive["pending"]
                self._pending[: len(pending)] = pending
                self._pending_frames = len(pending)
                if facts["body_frames"] >= 0:
                    saved = {name[5:]: archive[name] for name in archive.files if name.startswith("body_")}
                    first = self._first_frame + self._head_frames
                    self._body = Accumulated.restored(self._setting, first, facts["body_frames"], saved)
        except _UNREADABLE as cause:
            raise TakeDamaged(
                f"the saved measurements cannot be read ({cause})", now="Measure the take's files anew"
            ) from cause
        return self

    def _feed_body(self, body: Accumulated, samples: NDArray[np.float32]) -> None:
        """Whole 10 ms go on, what is left over waits."""
        sub = self._setting.sub_frames
        if self._pending_frames:
            take = min(len(samples), sub - self._pending_frames)
            self._pending[self._pending_frames : self._pending_frames + take] = samples[:take]
            self._pending_frames += take
            samples = samples[take:]
            if self._pending_frames < sub:
                return
            body.feed(self._pending)
            self._pending_frames = 0
        whole = len(samples) // sub * sub
        body.feed(samples[:whole])
        self._pending_frames = len(samples) - whole
        self._pending[: self._pending_frames] = samples[whole:]

    def _warmed_up(self) -> Accumulated:
        start = Accumulated.start(self._setting, self._first_frame)
        start.feed(self._head[: self._head_frames])
        return start


def _db(amplitude: NDArray[np.floating]) -> NDArray[np.float32]:
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(amplitude), dtype=np.float32)


def _result(whole: Accumulated) -> MeterResult:
    setting, a = whole.setting, whole.arrays
    c, hop = setting.channels, setting.hop_frames
    frames = max(1, whole.frames)
    hops = whole.hops
    edges = np.clip(np.arange(whole.base_hop, whole.base_hop + hops + 1) * hop, whole.first_frame, whole.end_frame)
    squares = a["hop_squares"][:hops]
    rms = np.sqrt(squares / np.maximum(1, np.diff(edges))[:, None])
    first_whole = -(-whole.first_frame // hop) - whole.base_hop
    loud = a["hop_loud"][first_whole : max(first_whole, whole.end_frame // hop - whole.base_hop)] / hop
    momentary = a["most_momentary"] / (MOMENTARY_SUBS * setting.sub_frames)
    with np.errstate(divide="ignore"):
        highest = a["hop_peak"][:hops].max(axis=0, initial=0.0).astype(np.float64)
        peak = 20.0 * np.log10(highest)
        true_peak = 20.0 * np.log10(np.maximum(highest, whole.between_samples.ravel()[:c]))
        total_rms = 10.0 * np.log10(squares.sum(axis=0) / frames)
    blocks, short = sliding_mean(loud, _BLOCK_HOPS), sliding_mean(loud, _SHORT_TERM_HOPS)

    def places(kind: int) -> tuple[Places, ...]:
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
    programmes = []
    for row, weights in enumerate(setting.weights):
        group_blocks, group_short = blocks @ weights, short @ weights
        programmes.append(
            ProgrammeResult(
                integrated_lufs=integrated_lufs(group_blocks),
                max_momentary_lufs=float(lufs_from_power(momentary[c + row])),
                max_short_term_lufs=float(lufs_from_power(group_short.max(initial=0.0))),
                loudness_range_lu=loudness_range_lu(group_short),
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
        integrated_lufs=np.array([integrated_lufs(blocks[:, i]) for i in range(c)]),
        max_momentary_lufs=lufs_from_power(momentary[:c]),
        max_short_term_lufs=lufs_from_power(short.max(axis=0, initial=0.0)),
        loudness_range_lu=np.array([loudness_range_lu(short[:, i]) for i in range(c)]),
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
        history_peak_dbfs=_db(a["hop_peak"][:hops]),
        history_rms_dbfs=_db(rms),
        spectra=whole.spectra.result() if whole.spectra else (),
        programmes=tuple(programmes),
    )
