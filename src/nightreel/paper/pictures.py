"""Small pictures of signals as SVG text: the ribbon of a line's levels, a waveform, a spectrum.

Each is a self-standing ``<svg>`` element with a title for screen readers, drawn in ``currentColor`` (so that it
follows the page's theme) except for the ribbon's own scale. Positions along time are fractions of the whole, 0 to 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightreel.errors import ArgumentInvalid
from nightreel.paper import look

Floats = NDArray[np.float64]

RIBBON_HEIGHT: Final = 20
_NOTCH_PX: Final = 7  # room above the strip for the triangles of overs


def ribbon(
    levels_dbfs: ArrayLike,
    *,
    label: str,
    columns: int = 600,
    floor_dbfs: float = -60.0,
    ceiling_dbfs: float = 0.0,
    gaps: Sequence[tuple[float, float]] = (),
    overs: Sequence[float] = (),
    marks: Sequence[float] = (),
) -> str:
    """Levels over time as a strip from dark (floor) to light (ceiling).

    Parameters
    ----------
    levels_dbfs : (windows,), equally long windows in order; -inf for silence. Shown is the highest of each column
    label : what a screen reader says
    gaps : (from, to) as fractions of the strip: cut out, the paper shows
    overs : fractions; a white notch with a triangle above it
    marks : fractions; a hairline through the strip
    """
    levels = np.asarray(levels_dbfs, dtype=np.float64)
    if levels.ndim != 1:
        raise ArgumentInvalid(f"a ribbon needs one row of levels, got shape {levels.shape}")
    width = columns
    height = RIBBON_HEIGHT + _NOTCH_PX
    parts = [_open(width, height, "ribbon", label, stretch=True)]
    if levels.size:
        drawn = min(columns, levels.size)
        starts = np.arange(drawn) * levels.size // drawn
        highest = np.maximum.reduceat(np.where(np.isnan(levels), -np.inf, levels), starts)
        shade = look.shade_index(highest, floor_dbfs=floor_dbfs, ceiling_dbfs=ceiling_dbfs)
        parts.append(_strip(shade, width))
    y = _NOTCH_PX
    parts.append(
        f'<rect x=".5" y="{y}" width="{width - 1}" height="{RIBBON_HEIGHT}" fill="none" stroke="currentColor" '
        'stroke-opacity=".5" vector-effect="non-scaling-stroke"/>'
    )
    for first, last in gaps:
        x = _clip(first) * width
        # A gap shorter than a pixel would vanish: draw at least 1.5 so that it is seen.
        wide = max((_clip(last) - _clip(first)) * width, 1.5)
        parts.append(
            f'<rect class="gap" x="{_n(x)}" y="{y - 1}" width="{_n(wide)}" height="{RIBBON_HEIGHT + 2}" '
            'fill="var(--ground,#fff)"/>'
        )
    for place in marks:
        parts.append(_hairline(_clip(place) * width, light_px=1))
    for place in overs:
        x = _clip(place) * width
        parts.append(_hairline(x, light_px=2) + f'<path d="M{_n(x - 4)} 0h8l-4 {_NOTCH_PX - 1}z" fill="currentColor"/>')
    parts.append("</svg>")
    return "".join(parts)


def ribbon_key(*, floor_dbfs: float = -60.0, ceiling_dbfs: float = 0.0) -> str:
    """The scale itself with its figures, to stand once above a set of ribbons."""
    width, cell = 320, 10
    parts = [_open(width + 20, 44, "key", f"Scale from {floor_dbfs:g} to {ceiling_dbfs:g} dBFS", fixed=True)]
    for k, colour in enumerate(look.ribbon_shades()):
        parts.append(f'<rect x="{k * cell + 6}" width="{cell}" height="16" fill="{colour}"/>')
    steps = 4
    for k in range(steps + 1):
        level = floor_dbfs + (ceiling_dbfs - floor_dbfs) * k / steps
        anchor = "start" if k == 0 else "end" if k == steps else "middle"
        x = 6 + width * k / steps
        words = f"{level:g} dBFS" if k == steps else f"{level:g}"
        parts.append(
            f'<text x="{_n(x)}" y="34" font-size="14" text-anchor="{anchor}" fill="currentColor">{words}</text>'
        )
    parts.append("</svg>")
    return "".join(parts)


def waveform(
    lows: ArrayLike, highs: ArrayLike, *, label: str, width: int = 240, height: int = 60, marks: Sequence[float] = ()
) -> str:
    """The outline of a signal: ``lows`` and ``highs`` (columns,), full scale 1.0. Full scale is the picture's edge."""
    low = np.asarray(lows, dtype=np.float64)
    high = np.asarray(highs, dtype=np.float64)
    if low.shape != high.shape or low.ndim != 1:
        raise ArgumentInvalid(f"a waveform needs two equal rows, got shapes {low.shape} and {high.shape}")
    parts = [_open(width, height, "waveform", label, fixed=True)]
    middle = height / 2
    parts.append(f'<path d="M0 {_n(middle)}h{width}" stroke="currentColor" stroke-opacity=".35"/>')
    if low.size:
        x = (np.arange(low.size) + 0.5) * width / low.size
        top = middle - np.clip(np.nan_to_num(high), -1, 1) * (middle - 1)
        bottom = middle - np.clip(np.nan_to_num(low), -1, 1) * (middle - 1)
        there = " ".join(f"{_n(a)},{_n(b)}" for a, b in zip(x, top, strict=True))
        back = " ".join(f"{_n(a)},{_n(b)}" for a, b in zip(x[::-1], bottom[::-1], strict=True))
        parts.append(f'<polygon points="{there} {back}" fill="currentColor" stroke="currentColor" stroke-width=".6"/>')
    for place in marks:
        parts.append(f'<path d="M{_n(_clip(place) * width)} 0v{height}" stroke="currentColor" stroke-dasharray="3 2"/>')
    parts.append("</svg>")
    return "".join(parts)


def spectrum(
    frequency_hz: ArrayLike,
    level_db: ArrayLike,
    *,
    label: str,
    width: int = 260,
    height: int = 96,
    floor_db: float = -100.0,
    ceiling_db: float = 0.0,
    marks_hz: Sequence[float] = (),
) -> str:
    """Level against frequency from 20 Hz to 20 kHz, logarithmic; dashed lines at ``marks_hz``."""
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    level = np.asarray(level_db, dtype=np.float64)
    if frequency.shape != level.shape or frequency.ndim != 1:
        raise ArgumentInvalid(f"a spectrum needs two equal rows, got shapes {frequency.shape} and {level.shape}")
    foot = 18
    tall = height - foot
    parts = [_open(width, height, "spectrum", label, fixed=True)]

    def x_of(hz: float) -> float:
        return width * math.log10(hz / 20.0) / 3.0

    for hz, words, anchor in (
        (20.0, "20 Hz", "start"),
        (200.0, "200", "middle"),
        (2000.0, "2k", "middle"),
        (20000.0, "20k", "end"),
    ):
        x = _n(x_of(hz))
        parts.append(
            f'<path d="M{x} 0v{tall}" stroke="currentColor" stroke-opacity=".3"/>'
            f'<text x="{x}" y="{height - 3}" font-size="14" text-anchor="{anchor}" fill="currentColor">{words}</text>'
        )
    inside = (frequency >= 20.0) & (frequency <= 20_000.0)
    if np.any(inside):
        column = np.minimum((np.log10(frequency[inside] / 20.0) / 3.0 * width).astype(np.int64), width - 1)
        highest = np.full(width, -np.inf)
        np.maximum.at(highest, column, np.nan_to_num(level[inside], nan=-np.inf))
        filled = np.flatnonzero(highest > -np.inf)
        share = (np.clip(highest[filled], floor_db, ceiling_db) - floor_db) / (ceiling_db - floor_db)
        points = " ".join(f"{k},{_n(tall * (1 - s))}" for k, s in zip(filled, share, strict=True))
        parts.append(f'<polyline points="{points}" fill="none" stroke="currentColor" stroke-width="1.4"/>')
    for hz in marks_hz:
        if 20.0 <= hz <= 20_000.0:
            parts.append(f'<path d="M{_n(x_of(hz))} 0v{tall}" stroke="currentColor" stroke-dasharray="3 2"/>')
    parts.append("</svg>")
    return "".join(parts)


def _hairline(x: float, *, light_px: int) -> str:
    """White with a black edge: seen on every shade of the scale."""
    line = f'<path d="M{_n(x)} {_NOTCH_PX}v{RIBBON_HEIGHT}" vector-effect="non-scaling-stroke"'
    return f'{line} stroke="#000" stroke-width="{light_px + 2}"/>{line} stroke="#fff" stroke-width="{light_px}"/>'


def _strip(shade: NDArray[np.int64], width: int) -> str:
    """One path per shade, drawn as thick strokes: a run of equal columns costs some ten characters."""
    edges = np.flatnonzero(np.diff(shade)) + 1
    first = np.concatenate([[0], edges])
    end = np.concatenate([edges, [shade.size]])
    colours = look.ribbon_shades()
    scale = width / shade.size
    runs: dict[int, list[str]] = {}
    middle = _NOTCH_PX + RIBBON_HEIGHT / 2
    for a, b in zip(first, end, strict=True):
        runs.setdefault(int(shade[a]), []).append(f"M{_n(a * scale)} {_n(middle)}h{_n((b - a) * scale)}")
    return "".join(
        f'<path d="{"".join(d)}" stroke="{colours[k]}" stroke-width="{RIBBON_HEIGHT}" shape-rendering="crispEdges"/>'
        for k, d in sorted(runs.items())
    )


def _open(width: int, height: int, kind: str, label: str, *, stretch: bool = False, fixed: bool = False) -> str:
    aspect = ' preserveAspectRatio="none"' if stretch else ""
    size = f' width="{width}" height="{height}"' if fixed else ""
    words = escape(label, quote=True)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{kind}" viewBox="0 0 {width} {height}"{size}{aspect} '
        f'role="img" aria-label="{words}"><title>{words}</title>'
    )


def _clip(fraction: float) -> float:
    return min(max(float(fraction), 0.0), 1.0)


def _n(value: float) -> str:
    """A coordinate with at most two decimals."""
    return f"{value:.2f}".rstrip("0").rstrip(".") or "0"
