"""Levels between nights: what the preamp gave at the recording against what it would give now. Pure.

Sends are usually picked off behind the preamp and before the channel's digital gain and processing (common practice, no
published source), so a take holds what the preamp gave that night. A trim makes the return what tonight's preamp would
deliver. Trims are shown, and applied only where the user says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from nightreel.show.model import Show
from nightreel.soundcheck.plan import ReturnPlan
from nightreel.take.model import TakeFacts

_WORTH_SAYING_DB = 0.5
_CEILING_DBTP = -0.5  # a trimmed line peaks no higher
_LOWEST_TRIM_DB = -60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """One line. ``trim_db`` is proposed, 0 where nothing is known; ``why`` says from what."""

    line: int
    name: str
    recorded_gain_db: float | None
    tonight_gain_db: float | None
    trim_db: float
    why: str
    warning: str = ""


def propose_trims(
    show: Show,
    facts: TakeFacts,
    plan: ReturnPlan,
    *,
    peaks_dbtp: Mapping[int, float] | None = None,
    drift_db: Mapping[int, float] | None = None,
) -> tuple[Trim, ...]:
    """A trim for every returned line.

    peaks_dbtp : true peak of each line in the take; a trim that would pass -0.5 dBTP is cut back and says so
    drift_db : measured change of a line's level since that night (tonight minus then), where gains are not noted
    """
    trims = []
    for planned in plan.returned:
        line, track = show.line(planned.line), facts.track(planned.line)
        if line is None or track is None:
            continue
        then, now = track.gain_db, line.gain_db
        measured = (drift_db or {}).get(line.number)
        if then is not None and now is not None:
            trim_db, why = now - then, f"preamp {then:+g} dB that night, {now:+g} dB tonight"
        elif measured is not None:
            trim_db, why = measured, "measured between the nights; preamp gains are not noted"
        else:
            trim_db, why = 0.0, "preamp gain not noted for both nights"
        trim_db, warning = _limited(trim_db, (peaks_dbtp or {}).get(line.number))
        trims.append(
            Trim(
                line=line.number,
                name=line.name,
                recorded_gain_db=then,
                tonight_gain_db=now,
                trim_db=round(trim_db, 2),
                why=why,
                warning=warning,
            )
        )
    return tuple(trims)


def _limited(trim_db: float, peak_dbtp: float | None) -> tuple[float, str]:
    trim_db = max(trim_db, _LOWEST_TRIM_DB)
    if peak_dbtp is None or not math.isfinite(peak_dbtp):
        if trim_db <= 0.0:
            return trim_db, ""
        return 0.0, f"{trim_db:+.1f} dB would be due; the take's peak is not known"
    most = max(0.0, _CEILING_DBTP - peak_dbtp)
    if trim_db > most:
        return most, f"{trim_db:+.1f} dB would clip: limited to {most:+.1f} dB, add the rest at the desk"
    return trim_db, ""


def trims_table(trims: tuple[Trim, ...], *, applied: bool) -> str:
    """What is proposed or applied, for people; '' where there is nothing to say."""
    due = [trim for trim in trims if abs(trim.trim_db) >= _WORTH_SAYING_DB or trim.warning]
    unknown = sum(1 for trim in trims if trim.recorded_gain_db is None or trim.tonight_gain_db is None)
    lines = []
    if due:
        lines.append("Levels since that night, " + ("applied:" if applied else "not applied (--apply-trims does):"))
        lines += [
            f"  {trim.line:>3} {trim.name[:24]:<24} {trim.trim_db:+6.1f} dB  {trim.warning or trim.why}"[:100]
            for trim in due
        ]
    if unknown:
        lines.append(f"  {unknown} lines have no preamp gain noted for both nights: they return as recorded.")
    return "\n".join(lines)
