"""What the findings look at: the take's facts, what was measured on each line, and a way to read samples again.

A finding module is a pure function of a :class:`Material`; reading goes through :attr:`Material.read`, which gives
zeros where the take has none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nightreel.review.joints import Joints
from nightreel.review.spectra import Spectra
from nightreel.show.model import ROLE_FACTS, Role, RoleFacts
from nightreel.take.model import TakeFacts, Track
from nightreel.timeline import Gap, Span

F32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

HISTORY_PER_S = 10  # level history: windows of 100 ms
SILENT_DB = -200.0  # stands for minus infinity in histories


class Reader(Protocol):
    def __call__(self, lines: Sequence[int], first_frame: int, frames: int) -> F32:
        """(frames, lines) float32; zeros where the take has no samples."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class LineLevels:
    """One line's share of the meters: whole-take figures, spans, and the level history in 100 ms windows (dBFS)."""

    peak_dbfs: float
    true_peak_dbtp: float
    rms_dbfs: float
    dc: float
    integrated_lufs: float
    loudness_range_lu: float
    overs: int  # runs at full scale, however short
    at_full_scale: int  # samples in them
    over_spans: tuple[Span, ...]  # the longest 256 of them
    zero_frames: int  # frames in runs of zeros of 1 ms or more
    zero_spans: tuple[Span, ...]  # the longest 256 of those
    history_peak_db: F32
    history_rms_db: F32


@dataclass(frozen=True, slots=True, kw_only=True)
class LineMaterial:
    """Everything measured on one line. ``frames`` are those its files really hold."""

    track: Track
    frames: int
    levels: LineLevels
    spectra: Spectra
    joints: Joints
    not_finite: int = 0  # samples that were NaN or infinite, read as zero

    @property
    def role(self) -> Role:
        return self.track.role

    @property
    def role_facts(self) -> RoleFacts:
        return ROLE_FACTS[self.track.role]

    @property
    def label(self) -> str:
        """How sentences call it: ``line 7 'Hi-hat'``."""
        return f"line {self.track.line} '{self.track.name}'"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFact:
    """One file of a line as it was found: ``trouble`` says why it cannot be read, '' when it can."""

    line: int
    path: str
    frames_stated: int
    frames_present: int
    rate_hz: int
    encoding: str
    channels: int
    trouble: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    facts: TakeFacts
    lines: Mapping[int, LineMaterial]
    read: Reader
    files: tuple[FileFact, ...] = ()
    unreadable: Mapping[int, str] = field(default_factory=dict)
    _masks: dict[tuple[str, int], Mask] = field(default_factory=dict, repr=False, compare=False)

    @property
    def rate_hz(self) -> int:
        return self.facts.rate_hz

    @property
    def history_frames(self) -> int:
        """Frames of one history window."""
        return self.facts.rate_hz // HISTORY_PER_S

    def gaps_of(self, line: int) -> tuple[Gap, ...]:
        track = self.facts.track(line)
        return self.facts.gaps_of(track) if track else ()

    def in_gap(self, line: int) -> Mask:
        """(history windows,) true where a gap touches the window or the one next to it."""
        key = ("gap", line)
        if key not in self._masks:
            mask = np.zeros(len(self.lines[line].levels.history_rms_db), np.bool_)
            for gap in self.gaps_of(line):
                first = max(0, gap.first_frame // self.history_frames - 1)
                mask[first : gap.end_frame // self.history_frames + 2] = True
            self._masks[key] = mask
        return self._masks[key]

    def active(self, line: int) -> Mask:
        """(history windows,) true where the line is in use: see :func:`nightreel.review.levels.active`."""
        from nightreel.review.levels import active

        key = ("active", line)
        if key not in self._masks:
            self._masks[key] = active(self.lines[line].levels.history_rms_db, self.in_gap(line))
        return self._masks[key]

    def spectrum_windows_clear(self, line: int) -> Mask:
        """(spectral windows,) true where no gap touches the window."""
        key = ("clear", line)
        if key not in self._masks:
            spectra = self.lines[line].spectra
            mask = np.ones(spectra.windows, np.bool_)
            for gap in self.gaps_of(line):
                first = gap.first_frame // spectra.window_frames
                mask[first : gap.end_frame // spectra.window_frames + 1] = False
            self._masks[key] = mask
        return self._masks[key]

    def span_s(self, first_s: float, end_s: float) -> Span:
        first = max(0, round(first_s * self.rate_hz))
        return Span(first_frame=first, frames=max(0, min(round(end_s * self.rate_hz), self.facts.frames) - first))
