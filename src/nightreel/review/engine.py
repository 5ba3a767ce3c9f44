"""From a take to a review: measure every line in parallel, let every family of findings look, rank what they say.

Threads do the measuring: all heavy work is inside compiled kernels and FFTs that leave the interpreter lock free, and
results need not be copied between processes. Memory is one chunk a thread plus the kept histories (a few MB a line).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

import nightreel
from nightreel.errors import NightreelError
from nightreel.review import account as accounting
from nightreel.review.findings import FAMILIES
from nightreel.review.levels import floor_db
from nightreel.review.material import FileFact, LineMaterial, Material, Reader
from nightreel.review.measure import GROUP, Saved, measure_lines
from nightreel.review.model import LineFigures, Review, ranked
from nightreel.take.model import Track
from nightreel.take.opened import Take


class LineStore(Protocol):
    """Keeps what was measured on a line, so that an interrupted review goes on where it was."""

    def load(self, track: Track) -> LineMaterial | None: ...

    def save(self, material: LineMaterial) -> None: ...


@dataclass(slots=True)
class Progress:
    """Counts line-frames; ``tell(done, total)`` is called from worker threads."""

    total: int
    tell: Callable[[int, int], None] = lambda done, total: None
    done: int = field(init=False, default=0)

    def add(self, line_frames: int) -> None:
        self.done += line_frames
        self.tell(self.done, self.total)


def review_take(
    take: Take,
    *,
    workers: int = 0,
    tell: Callable[[int, int], None] = lambda done, total: None,
    store: LineStore | None = None,
    file_facts: Sequence[FileFact] = (),
    notes: Sequence[str] = (),
) -> tuple[Review, Material]:
    """The review of an open take, and the material it rests on (for the pictures of the report).

    workers : threads; 0 takes one a core
    tell : progress, in frames times lines
    """
    material, more_notes = gather(take, workers=workers, tell=tell, store=store, file_facts=file_facts)
    return judge(take, material, notes=(*notes, *more_notes)), material


def gather(
    take: Take,
    *,
    workers: int = 0,
    tell: Callable[[int, int], None] = lambda done, total: None,
    store: LineStore | None = None,
    file_facts: Sequence[FileFact] = (),
) -> tuple[Material, tuple[str, ...]]:
    """Measure every line that can be read."""
    facts = take.facts
    notes: list[str] = []
    unreadable = {m.line: m.why for m in take.missing if m.span.frames == facts.frames and facts.frames}
    tracks = [t for t in facts.tracks if t.line not in unreadable]
    saved = _saved_meters(take, notes)
    progress = Progress(total=facts.frames * max(len(tracks), 1), tell=tell)
    lines: dict[int, LineMaterial] = {}
    open_tracks = []
    for track in tracks:
        known = store.load(track) if store else None
        if known is not None:
            lines[track.line] = known
            progress.add(facts.frames)
        else:
            open_tracks.append(track)
    with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
        jobs = [
            pool.submit(
                measure_lines,
                group,
                take.read,
                rate_hz=facts.rate_hz,
                frames=facts.frames,
                saved=[saved[t.line] for t in group] if saved else None,
                progress=progress.add,
            )
            for group in _groups(open_tracks, workers or os.cpu_count() or 1)
        ]
        try:
            for job in as_completed(jobs):
                for measured in job.result():
                    lines[measured.track.line] = measured
                    if store:
                        store.save(measured)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    ordered = {t.line: lines[t.line] for t in facts.tracks if t.line in lines}
    material = Material(
        facts=facts, lines=ordered, read=_finite(take.read), files=tuple(file_facts), unreadable=unreadable
    )
    return material, tuple(notes)


def _finite(read: Reader) -> Reader:
    """What is no number reads as zero, as it was measured."""

    def finite(lines: Sequence[int], first_frame: int, frames: int) -> NDArray[np.float32]:
        block = read(lines, first_frame, frames)
        return block if np.isfinite(block).all() else np.where(np.isfinite(block), block, np.float32(0.0))

    return finite


def judge(take: Take, material: Material, *, notes: Sequence[str] = ()) -> Review:
    """All families in order; then what others explain is dropped, and the rest ranked."""
    findings = [f for family in FAMILIES if family.find for f in family.find(material) if f.confidence >= 0.5]
    account, account_findings = accounting.compute_account(take, material)
    facts = take.facts
    return Review(
        take=facts.name,
        show=facts.show,
        folder=str(take.folder),
        rate_hz=facts.rate_hz,
        frames=facts.frames,
        started_at=facts.started_at,
        reviewed_with=nightreel.__version__,
        figures=tuple(_figures(material, track) for track in facts.tracks),
        findings=ranked([*account_findings, *findings]),
        account=account,
        songs=facts.songs,
        marks=facts.marks,
        notes=tuple(notes),
    )


def _saved_meters(take: Take, notes: list[str]) -> dict[int, Saved]:
    """The watch's meters, where they cover the whole take; otherwise the files are measured again."""
    try:
        meters = take.measured()
    except NightreelError as error:
        notes.append(f"The measurements saved with the take cannot be read ({error.what}); measured again.")
        return {}
    if meters is None:
        return {}
    result = meters.result()
    windows = -(-take.frames * 10 // take.rate_hz)
    history = result.history_peak_dbfs
    if history.shape[1] != len(take.facts.tracks) or abs(history.shape[0] - windows) > 1:
        return {}
    return {track.line: Saved(result=result, channel=k) for k, track in enumerate(take.facts.tracks)}


def _groups(tracks: Sequence[Track], workers: int) -> list[list[Track]]:
    """Jobs of up to sixteen lines; tracks that share a file stay next to each other, so that it is read once a job."""
    ordered = sorted(tracks, key=lambda t: (tuple(part.path for part in t.files), t.line))
    size = max(1, min(GROUP, -(-len(ordered) // workers)))
    return [list(ordered[k : k + size]) for k in range(0, len(ordered), size)]


def _figures(material: Material, track: Track) -> LineFigures:
    measured = material.lines.get(track.line)
    if measured is None:
        silent = float("-inf")
        return LineFigures(
            line=track.line,
            name=track.name,
            role=track.role,
            frames=0,
            peak_dbfs=silent,
            true_peak_dbtp=silent,
            rms_dbfs=silent,
            floor_dbfs=silent,
            integrated_lufs=silent,
            loudness_range_lu=0.0,
            dc=0.0,
            overs=0,
            active_share=0.0,
            unreadable=material.unreadable.get(track.line, "not read"),
        )
    levels = measured.levels
    floor = floor_db(levels.history_rms_db, material.in_gap(track.line))
    active = material.active(track.line)
    return LineFigures(
        line=track.line,
        name=track.name,
        role=track.role,
        frames=measured.frames,
        peak_dbfs=levels.peak_dbfs,
        true_peak_dbtp=levels.true_peak_dbtp,
        rms_dbfs=levels.rms_dbfs,
        floor_dbfs=floor if floor > -199 else float("-inf"),
        integrated_lufs=levels.integrated_lufs,
        loudness_range_lu=levels.loudness_range_lu,
        dc=levels.dc,
        overs=levels.overs,
        active_share=float(active.mean()) if len(active) else 0.0,
    )
