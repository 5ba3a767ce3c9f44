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
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid, TakeDamaged
from nightreel.signal.meter_result import MeterResult, Places, ProgrammeResult, compute_result, db_of
from nightreel.signal.spectra import window_frames_for
from nightreel.signal.state import Accumulated, Setting

__all__ = ["FULL_SCALE", "LineMeters", "MeterResult", "Places", "ProgrammeResult", "RecentLevels"]

FULL_SCALE = 32_767 / 32_768  # largest value of 16 bits: what reaches it is at full scale in files of any depth
# 0.3 s for the filters to forget their start (below 1e-16 of it is left) and 0.4 s for a loudness window; an out of a
# second and what goes around it; a window of the spectra, if that is longer.
HEAD_HOPS = 15
MOST_CHANNELS = 4_096

# What NumPy, zipfile and json raise on bytes that are not what they should be.
_UNREADABLE = (
    ValueError, KeyError, IndexError, TypeError, OSError, EOFError, RuntimeError, zipfile.BadZipFile, zlib.error,
    struct.error, ArgumentInvalid,
)  # fmt: skip
_FORMAT = "nightreel line meters"
_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class RecentLevels:
    """The last whole 100 ms windows: for the live watch. Arrays (windows, channels), float32."""

    first_frame: int
    window_frames: int
    peak_dbfs: NDArray[np.float32]
    rms_dbfs: NDArray[np.float32]
    samples_at_full_scale: NDArray[np.int64]  # (channels,), since the start


@lru_cache(maxsize=1)
def _compile() -> None:
    """Compile the kernels, or load them from the cache, before the first samples come and not while they do."""
    setting = Setting(rate_hz=48_000, channels=1, full_scale=1.0, weights=np.zeros((0, 1)), spectra=False)
    Accumulated.start(setting, 0).feed(np.zeros((1, 1), np.float32))


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
        self._opening: Accumulated | None = None  # what the whole head gave, so that it need not be fed again
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
        full_scale: float = FULL_SCALE,
        programmes: Sequence[Sequence[float]] = (),
        spectra: bool = False,
    ) -> LineMeters:
        """Meters that have seen nothing yet. The very first call on a machine compiles kernels: some ten seconds.

        full_scale : magnitude from which a sample is at full scale; where the encoding is known, its largest value
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
        _compile()
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
        # One kind of array, or the kernel would be compiled anew for read-only and for unaligned ones.
        samples = np.require(block, np.float32, ["C", "A", "W"])
        if self._body is None:
            take = min(len(samples), len(self._head) - self._head_frames)
            self._head[self._head_frames : self._head_frames + take] = samples[:take]
            self._head_frames += take
            samples = samples[take:]
            if self._head_frames == len(self._head):
                self._body = self._warmed_up()
                self._opening = self._body.copy()
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
        both._opening = self._opening
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
        whole = self._opening.copy() if self._opening is not None else self._warmed_up()
        if self._body is not None:
            whole.absorb(self._body)
            whole.feed(self._pending[: self._pending_frames])
        whole.close()
        return compute_result(whole)

    def recent(self, windows: int = 1) -> RecentLevels:
        """Levels of the last whole 100 ms windows, cheaply; fewer where there are not so many yet."""
        body = self._body if self._body is not None else self._warmed_up()
        hop = self._setting.hop_frames
        ready = body.end_frame // hop - body.base_hop
        rows = slice(max(0, ready - windows), max(0, ready))
        return RecentLevels(
            first_frame=(body.base_hop + rows.start) * hop,
            window_frames=hop,
            peak_dbfs=db_of(body.arrays["hop_peak"][rows]),
            rms_dbfs=db_of(np.sqrt(body.arrays["hop_squares"][rows] / hop)),
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
