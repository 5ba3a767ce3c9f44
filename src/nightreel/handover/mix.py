"""A stereo mix for listening: what happened on stage, within a minute of load-out, without anybody's taste.

Every line whose role belongs in it, at the level it was recorded, moved half of the way to the middle of all lines
(at most 10 dB either way): the balance of the night stays, what would drown the rest does not. Ambience lies 10 dB
lower. Stereo partners go left and right, all others to the middle (3 dB down on each side). The whole is then set to
the target loudness, or lower where its true peak would pass the headroom: nothing is limited or compressed. The way of
balancing is ours (no published source); loudness and true peak are measured by ITU-R BS.1770.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from nightreel.errors import NightreelError
from nightreel.handover.model import MixFigures, Plan
from nightreel.handover.samples import BLOCK_FRAMES, FloatArray, float_blocks
from nightreel.show.model import Role
from nightreel.signal.meters import LineMeters
from nightreel.take import Take
from nightreel.timeline import Span
from nightreel.units import Encoding

TARGET_LUFS = -18.0  # quiet enough that live dynamics reach it without a limiter (our choice, no published source)
HEADROOM_DBTP = -1.0  # EBU R 128
MOST_MOVE_DB = 10.0
AMBIENCE_DB = -10.0
FLOOR_LUFS = -60.0  # quieter lines are noise: they stay out
_CENTRE = 2.0**-0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class MixSetting:
    """Weights (lines, 2) without the gain of the whole, and that gain."""

    lines: tuple[int, ...]
    weights: FloatArray
    line_gains_db: Mapping[int, float]
    gain_db: float
    figures: MixFigures


def compute_line_gains(loudness_lufs: Mapping[int, float], roles: Mapping[int, Role]) -> dict[int, float]:
    """Gain in dB of each line that is loud enough to be heard; the others are left out."""
    heard = {line: level for line, level in loudness_lufs.items() if level > FLOOR_LUFS}
    steady = [level for line, level in heard.items() if roles[line] is not Role.AMBIENCE] or list(heard.values())
    if not heard:
        return {}
    middle = float(np.median(steady))
    return {
        line: float(np.clip((middle - level) / 2, -MOST_MOVE_DB, MOST_MOVE_DB))
        + (AMBIENCE_DB if roles[line] is Role.AMBIENCE else 0.0)
        for line, level in heard.items()
    }


def compute_weights(gains_db: Mapping[int, float], partners: Mapping[int, int | None]) -> FloatArray:
    """float32 (lines, 2) in the order of ``gains_db``; the lower number of a stereo pair is its left side.

    Partners get one gain, the mean of theirs, so that a pair keeps its picture.
    """
    weights = np.zeros((len(gains_db), 2), np.float32)
    for row, (line, gain_db) in enumerate(gains_db.items()):
        partner = partners.get(line)
        if partner is not None and partner in gains_db:
            gain_db = (gain_db + gains_db[partner]) / 2
            weights[row, 0 if line < partner else 1] = 10 ** (gain_db / 20)
        else:
            weights[row] = _CENTRE * 10 ** (gain_db / 20)
    return weights


def measure_mix(take: Take, plan: Plan, *, moved: Callable[[int], None] | None = None) -> MixSetting:
    """Balance the lines, and find the gain of the whole over all parts of the plan."""
    tracks = {track.line: track for track in take.facts.tracks}
    loudness = _loudness(take, plan, moved)
    gains = compute_line_gains(loudness, {line: tracks[line].role for line in plan.mixed_lines})
    weights = compute_weights(gains, {line: tracks[line].partner for line in gains})
    lines = tuple(gains)
    meters = LineMeters.start(rate_hz=plan.rate_hz, channels=2, programmes=[[1.0, 1.0]])
    for part in plan.parts:
        for block in _mixed(take, lines, weights, part.span, plan.rate_hz):
            meters.feed(block)
            if moved is not None:
                moved(len(block) * len(lines))
    programme = meters.result().programmes[0]
    gain_db = 0.0
    if np.isfinite(programme.integrated_lufs):
        gain_db = min(TARGET_LUFS - programme.integrated_lufs, HEADROOM_DBTP - programme.true_peak_dbtp)
    figures = MixFigures(
        gain_db=gain_db,
        integrated_lufs=programme.integrated_lufs + gain_db,
        true_peak_dbtp=programme.true_peak_dbtp + gain_db,
        line_gains_db=gains,
    )
    return MixSetting(lines=lines, weights=weights, line_gains_db=gains, gain_db=gain_db, figures=figures)


def mix_blocks(take: Take, setting: MixSetting, span: Span, *, rate_hz: int) -> Iterator[FloatArray]:
    """float32 (frames, 2) of one part, at its final level."""
    gain = np.float32(10 ** (setting.gain_db / 20))
    yield from _mixed(take, setting.lines, setting.weights * gain, span, rate_hz)


def _mixed(take: Take, lines: tuple[int, ...], weights: FloatArray, span: Span, rate_hz: int) -> Iterator[FloatArray]:
    if not lines:
        for first in range(0, span.frames, BLOCK_FRAMES):
            yield np.zeros((min(BLOCK_FRAMES, span.frames - first), 2), np.float32)
        return
    may_hold_nan = take.facts.encoding is Encoding.FLOAT32
    for block in float_blocks(take, lines, span, rate_hz=rate_hz):
        if may_hold_nan:
            block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
        yield np.ascontiguousarray(block @ weights)


def _loudness(take: Take, plan: Plan, moved: Callable[[int], None] | None) -> dict[int, float]:
    """Integrated loudness of each line: as the watch measured it, else measured here."""
    try:
        meters = take.measured()
    except NightreelError:
        meters = None
    everything = [track.line for track in take.facts.tracks]
    if meters is not None and meters.channels == len(everything) and meters.frames == take.frames:
        levels = meters.result().integrated_lufs
        return {line: float(levels[everything.index(line)]) for line in plan.mixed_lines}
    meters = LineMeters.start(rate_hz=take.rate_hz, channels=len(plan.mixed_lines))
    for part in plan.parts:
        for block in float_blocks(take, plan.mixed_lines, part.span, rate_hz=take.rate_hz):
            meters.feed(block)
            if moved is not None:
                moved(block.size)
    return dict(zip(plan.mixed_lines, meters.result().integrated_lufs.tolist(), strict=True))
