"""Two nights compared, line by line: gain, tone, noise, lines that changed places, and songs that are the same.

Gain: the difference of the levels in use, taken song by song where both nights have the song, so that its
uncertainty is known; where both floors are steady noise, their difference is a second witness. Lines: every line of
one night is held against every line of the other by the shape of its spectrum and the way its level moves; two that
fit far better crosswise than straight have been swapped. All differences are *tonight minus the other night*.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.family import Family, Kind
from nightreel.review.findings.silent import is_dead
from nightreel.review.levels import floor_db
from nightreel.review.material import LineMaterial, Material
from nightreel.review.model import Evidence, Finding, Severity
from nightreel.review.spectra import CENTRES_HZ
from nightreel.timeline import Song

F64 = NDArray[np.float64]

LEAST_GAIN_DB = 3.0
TONE_DB = 6.0
NOISE_DB = 8.0
SWAP_GAIN_DB = 5.0  # how much better, in dB of mean spectral distance, the crossed pairing must be
SWAP_RATIO = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class LineChange:
    """One line, tonight against the other night. ``uncertainty_db`` is one standard error of ``gain_db``."""

    line: int
    name: str
    gain_db: float
    uncertainty_db: float
    floor_db: float
    tone_db: float
    songs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SongMatch:
    """Song ``here`` (number tonight) is song ``there``; ``likeness`` 0 to 1."""

    here: int
    there: int
    name: str
    likeness: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NightsCompared:
    lines: tuple[LineChange, ...]
    swapped: tuple[tuple[int, int], ...]
    songs: tuple[SongMatch, ...]
    findings: tuple[Finding, ...]


def compare_nights(
    here: Material, there: Material, *, songs_here: tuple[Song, ...], songs_there: tuple[Song, ...]
) -> NightsCompared:
    """Lines are paired by number; a line that only one night has is left out."""
    common = [n for n in here.lines if n in there.lines and not is_dead(here, n) and not is_dead(there, n)]
    matches = match_songs(here, there, songs_here, songs_there)
    swapped = find_swapped(here, there, common)
    crossed = {n for pair in swapped for n in pair}
    changes = tuple(
        _line_change(here, there, n, _spans(matches, songs_here, songs_there)) for n in common if n not in crossed
    )
    findings = [_swap_finding(here, there, a, b) for a, b in swapped]
    for change in changes:
        findings += _change_findings(here.lines[change.line], change, there.facts.name)
    return NightsCompared(lines=changes, swapped=swapped, songs=matches, findings=tuple(findings))


def match_songs(
    here: Material, there: Material, songs_here: tuple[Song, ...], songs_there: tuple[Song, ...]
) -> tuple[SongMatch, ...]:
    """By name where names agree; otherwise by which lines play when, which survives another tempo and another order."""
    out: list[SongMatch] = []
    free = {s.number: s for s in songs_there}
    for song in songs_here:
        same = next((s for s in free.values() if s.name.casefold() == song.name.casefold()), None)
        if same and not song.name.startswith("Song "):
            out.append(SongMatch(here=song.number, there=same.number, name=song.name, likeness=1.0))
            del free[same.number]
    rest = [s for s in songs_here if s.number not in {m.here for m in out}]
    pictures = {s.number: _picture(there, here, s) for s in free.values()}
    scored = sorted(
        ((_alike(_picture(here, there, a), pictures[b.number]), a, b) for a in rest for b in free.values()),
        key=lambda x: -x[0],
    )
    used: set[int] = set()
    for likeness, a, b in scored:
        if likeness < 0.6 or a.number in used or b.number not in free:
            continue
        used.add(a.number)
        del free[b.number]
        name = b.name if not b.name.startswith("Song ") else a.name
        out.append(SongMatch(here=a.number, there=b.number, name=name, likeness=likeness))
    return tuple(sorted(out, key=lambda m: m.here))


def _picture(material: Material, other: Material, song: Song) -> F64:
    """(lines, 64): how loud each line is, relative to its own top, along the song; tempo falls out of it."""
    step = material.history_frames
    first, end = song.span.first_frame // step, max(song.span.end_frame // step, song.span.first_frame // step + 64)
    rows = []
    for n in sorted(set(material.lines) & set(other.lines)):
        history = material.lines[n].levels.history_rms_db[first:end].astype(np.float64)
        if len(history) < 64:
            history = np.pad(history, (0, 64 - len(history)), constant_values=-200.0)
        top = float(np.quantile(material.lines[n].levels.history_rms_db, 0.99))
        relative = np.clip(history - top, -40, 0)
        rows.append([float(np.mean(part)) for part in np.array_split(relative, 64)])
    return np.array(rows)


def _alike(a: F64, b: F64) -> float:
    if a.size == 0 or a.shape != b.shape:
        return 0.0
    x, y = a - a.mean(), b - b.mean()
    scale = float(np.sqrt((x**2).sum() * (y**2).sum()))
    return float((x * y).sum() / scale) if scale > 0 else 0.0


def _spans(
    matches: tuple[SongMatch, ...], songs_here: tuple[Song, ...], songs_there: tuple[Song, ...]
) -> list[tuple[Song, Song]]:
    a, b = {s.number: s for s in songs_here}, {s.number: s for s in songs_there}
    return [(a[m.here], b[m.there]) for m in matches]


def _line_change(here: Material, there: Material, line: int, songs: list[tuple[Song, Song]]) -> LineChange:
    differences = []
    for a, b in songs:
        x, y = _used(here, line, a), _used(there, line, b)
        if len(x) >= 30 and len(y) >= 30:
            differences.append(float(np.median(x) - np.median(y)))
    if len(differences) >= 2:
        gain = float(np.median(differences))
        uncertainty = float(np.std(differences, ddof=1) / np.sqrt(len(differences)))
    else:
        x, y = _used(here, line, None), _used(there, line, None)
        gain = float(np.median(x) - np.median(y)) if len(x) and len(y) else 0.0
        uncertainty = 3.0  # one night's playing against another's (common practice)
    floors = [floor_db(m.lines[line].levels.history_rms_db, m.in_gap(line)) for m in (here, there)]
    tone = _shape(here, line) - _shape(there, line)
    return LineChange(
        line=line,
        name=here.lines[line].track.name,
        gain_db=gain,
        uncertainty_db=max(uncertainty, 0.3),
        floor_db=floors[0] - floors[1],
        tone_db=float(np.sqrt(np.mean(tone**2))),
        songs=len(differences),
    )


def _used(material: Material, line: int, song: Song | None) -> NDArray[np.float32]:
    history = material.lines[line].levels.history_rms_db
    use = material.active(line)
    if song is not None:
        step = material.history_frames
        part = slice(song.span.first_frame // step, song.span.end_frame // step)
        return history[part][use[part]]
    return history[use]


def _shape(material: Material, line: int) -> F64:
    """Third-octave levels of the loud windows from 50 Hz to 10 kHz, without their mean: the tone, whatever the gain."""
    spectra = material.lines[line].spectra
    bands = spectra.bands_db[material.spectrum_windows_clear(line)].astype(np.float64)
    use = (CENTRES_HZ > 50) & (CENTRES_HZ < 10_000)
    if len(bands) == 0:
        return np.zeros(int(use.sum()))
    total = 10 * np.log10(np.sum(10 ** (bands / 10), axis=1) + 1e-20)
    loud = bands[total >= np.quantile(total, 0.6)][:, use]
    mean = np.clip(loud.mean(axis=0), loud.mean(axis=0).max() - 50, None)
    return np.asarray(mean - mean.mean())


def find_swapped(here: Material, there: Material, lines: list[int]) -> tuple[tuple[int, int], ...]:
    """Pairs (a, b) whose signals changed places between the nights."""
    shapes_here = {n: _character(here, n) for n in lines}
    shapes_there = {n: _character(there, n) for n in lines}

    def far(a: int, b: int) -> float:
        return float(np.sqrt(np.mean((shapes_here[a] - shapes_there[b]) ** 2)))

    found: list[tuple[float, int, int]] = []
    for k, a in enumerate(lines):
        for b in lines[k + 1 :]:
            straight, crossed = far(a, a) + far(b, b), far(a, b) + far(b, a)
            if straight - crossed > 2 * SWAP_GAIN_DB and straight > SWAP_RATIO * crossed:
                found.append((crossed / straight, a, b))
    used: set[int] = set()
    out = []
    for _, a, b in sorted(found):
        if not used & {a, b}:
            used |= {a, b}
            out.append((a, b))
    return tuple(out)


def _character(material: Material, line: int) -> F64:
    """Tone and movement: the spectral shape, and how far the level's quantiles lie under its top."""
    history = material.lines[line].levels.history_rms_db
    quantiles = np.quantile(np.clip(history - np.quantile(history, 0.99), -60, 0), (0.5, 0.75, 0.9))
    return np.concatenate((_shape(material, line), quantiles))


def _swap_finding(here: Material, there: Material, a: int, b: int) -> Finding:
    first, second = here.lines[a], here.lines[b]
    return Finding(
        kind="night-swapped",
        severity=Severity.STOPS,
        lines=(a, b),
        confidence=0.85,
        what=f"{first.label} and {second.label} have changed places against the take '{there.facts.name}'.",
        remedy="Listen to both. If so: exchange them in the patch, or in the input list if tonight's order is the "
        "new one.",
    )


def _change_findings(measured: LineMaterial, change: LineChange, other: str) -> list[Finding]:
    found = []
    gain_sure = abs(change.gain_db) >= LEAST_GAIN_DB and abs(change.gain_db) > 2.5 * change.uncertainty_db
    evidence = (
        Evidence(name="gain", value=change.gain_db, unit="dB"),
        Evidence(name="standard error", value=change.uncertainty_db, unit="dB"),
        Evidence(name="floor", value=change.floor_db, unit="dB"),
        Evidence(name="tone", value=change.tone_db, unit="dB RMS"),
        Evidence(name="songs compared", value=change.songs),
    )
    if gain_sure:
        more = "more" if change.gain_db > 0 else "less"
        found.append(
            Finding(
                kind="night-gain",
                severity=Severity.NOTE,
                lines=(change.line,),
                confidence=0.75,
                evidence=evidence,
                what=f"{measured.label} carries {abs(change.gain_db):.1f} dB {more} than in '{other}' "
                f"(give or take {change.uncertainty_db:.1f} dB).",
                remedy=f"Before playing '{other}' back, bring this return {'up' if change.gain_db > 0 else 'down'} by "
                f"{abs(change.gain_db):.0f} dB, or set the preamp back.",
            )
        )
    if change.tone_db > TONE_DB:
        found.append(
            Finding(
                kind="night-tone",
                severity=Severity.NOTE,
                lines=(change.line,),
                confidence=0.7,
                evidence=evidence,
                what=f"{measured.label} sounds different from '{other}': its tone differs by {change.tone_db:.0f} "
                f"dB RMS.",
                remedy="Another microphone, another place for it, a filter or a tone control: look before using "
                "that take's "
                "settings.",
            )
        )
    if change.floor_db - (change.gain_db if gain_sure else 0.0) > NOISE_DB:
        found.append(
            Finding(
                kind="night-noise",
                severity=Severity.NOTE,
                lines=(change.line,),
                confidence=0.7,
                evidence=evidence,
                what=f"{measured.label} is noisier than in '{other}': its floor is {change.floor_db:.0f} dB higher.",
                remedy="Look at cable, battery and gain structure of this line before the next show.",
            )
        )
    return found


def change_table(changes: Mapping[int, LineChange] | tuple[LineChange, ...]) -> str:
    """Plain text, one row a line."""
    values = changes.values() if isinstance(changes, Mapping) else changes
    rows = [f"{'line':>4}  {'name':<24}{'gain dB':>9}{'+/-':>6}{'floor dB':>10}{'tone dB':>9}"]
    rows += [
        f"{c.line:>4}  {c.name[:23]:<24}{c.gain_db:>+9.1f}{c.uncertainty_db:>6.1f}{c.floor_db:>+10.1f}{c.tone_db:>9.1f}"
        for c in values
    ]
    return "\n".join(rows)


FAMILY = Family(
    name="nights",
    kinds=(
        Kind("night-swapped", "Two lines have changed places against another night"),
        Kind("night-gain", "A line's gain differs from another night's"),
        Kind("night-tone", "A line's tone differs from another night's"),
        Kind("night-noise", "A line is noisier than in another night"),
    ),
    method="Levels in use song by song, spectral shape of loud windows, floors",
    source="own choice; common practice, no published source",
    find=None,
)
