"""The one visual language of page, paper and report: colours by their job, type sizes, and the scale of the ribbons.

Two themes share the hues: *dim* for a dark room, *bright* for daylight and paper. A colour is never the only sign.
``PAIRS`` names every pair that is used together; a test computes their contrast (WCAG 2.2, 1.4.3 and 1.4.11).
The ribbon's scale runs from dark to light in equal steps of OKLab, so that it reads in grey and for colour-blind
eyes as well.

Sources: W3C WCAG 2.2 (contrast); IEC 61966-2-1 (sRGB transfer); B. Ottosson, 'A perceptual color space for image
processing', 2020 (OKLab).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Theme:
    """Colours by their job, as ``#rrggbb``."""

    ground: str  # what everything stands on
    panel: str  # a surface lifted from the ground
    text: str
    quiet: str  # text of second rank
    rule: str  # lines between rows: decoration, not needed to understand
    edge: str  # outlines that carry meaning
    lantern: str  # attention, the current one
    tide: str  # proven, sound
    rust: str  # broken


DIM: Final = Theme(
    ground="#10161a",
    panel="#1a2329",
    text="#e8e2d4",
    quiet="#9aa3a3",
    rule="#2c373d",
    edge="#7b8687",
    lantern="#f2b950",
    tide="#58b8aa",
    rust="#e2704f",
)
BRIGHT: Final = Theme(
    ground="#f6f2e8",
    panel="#ebe5d6",
    text="#10161a",
    quiet="#505a5a",
    rule="#d3ccba",
    edge="#6c7576",
    lantern="#875a00",
    tide="#12665b",
    rust="#7a1c0c",
)
PRINT: Final = Theme(
    ground="#ffffff",
    panel="#eeeeee",
    text="#000000",
    quiet="#444444",
    rule="#bbbbbb",
    edge="#555555",
    lantern="#7a5200",
    tide="#0f5a50",
    rust="#6e1408",
)
THEMES: Final[Mapping[str, Theme]] = MappingProxyType({"dim": DIM, "bright": BRIGHT, "print": PRINT})

TEXT_CONTRAST: Final = 4.5  # WCAG 2.2, 1.4.3, text below 18 pt
SHAPE_CONTRAST: Final = 3.0  # WCAG 2.2, 1.4.11, parts of pictures needed to understand them
PAIRS: Final[tuple[tuple[str, str, float], ...]] = (
    *(
        (front, back, TEXT_CONTRAST)
        for front in ("text", "quiet", "lantern", "tide", "rust")
        for back in ("ground", "panel")
    ),
    ("edge", "ground", SHAPE_CONTRAST),
    ("edge", "panel", SHAPE_CONTRAST),
)

BODY_PX: Final = 16
SMALLEST_PX: Final = 14
BODY_PT: Final = 10.5
SMALLEST_PT: Final = 9.0
FONTS: Final = 'system-ui, -apple-system, "Segoe UI", Roboto, "Noto Sans", "DejaVu Sans", sans-serif'

SHADES: Final = 32
# Lightness, chroma and hue (degrees) of the scale's corner points in OKLCh: night blue, tide, lantern, pale light.
_CORNERS: Final = (
    (0.17, 0.045, 262.0),
    (0.42, 0.085, 225.0),
    (0.66, 0.100, 170.0),
    (0.84, 0.130, 92.0),
    (0.97, 0.045, 92.0),
)


def css_tokens(theme: Theme) -> str:
    """The theme as CSS custom properties: ``--ground:#10161a;--panel:...``."""
    return "".join(f"--{field.name}:{getattr(theme, field.name)};" for field in fields(theme))


def linear_rgb(colour: str) -> Floats:
    """``#rrggbb`` as linear light, three values from 0 to 1 (IEC 61966-2-1)."""
    if len(colour) != 7 or not colour.startswith("#"):
        raise ArgumentInvalid(f"'{colour}' is not a colour", now="Write it as #rrggbb")
    coded = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)], dtype=np.float64) / 255.0
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def hex_colour(linear: Floats) -> str:
    """Linear light as ``#rrggbb``; what lies outside 0 to 1 is clipped."""
    light = np.clip(linear, 0.0, 1.0)
    coded = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(float(part) * 255):02x}" for part in coded)


def relative_luminance(colour: str) -> float:
    """0 (black) to 1 (white), as WCAG 2.2 defines it."""
    return float(linear_rgb(colour) @ np.array([0.2126, 0.7152, 0.0722]))


def contrast(front: str, back: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2)."""
    lighter, darker = sorted((relative_luminance(front), relative_luminance(back)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


# OKLab's two matrices (Ottosson 2020): linear sRGB to cone responses, their cube roots to lightness and two axes.
_TO_CONES: Final = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_TO_LAB: Final = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def oklab(linear: Floats) -> Floats:
    """Linear sRGB (..., 3) as OKLab lightness, a, b (..., 3)."""
    lab: Floats = np.cbrt(linear @ _TO_CONES.T) @ _TO_LAB.T
    return lab


def linear_from_oklab(lab: Floats) -> Floats:
    linear: Floats = (lab @ np.linalg.inv(_TO_LAB).T) ** 3 @ np.linalg.inv(_TO_CONES).T
    return linear


@cache
def ribbon_shades() -> tuple[str, ...]:
    """``SHADES`` colours from the floor (dark) to full scale (light), equally far from each other in OKLab."""
    corners = np.array(_CORNERS)
    fine = np.linspace(0.0, 1.0, 2001)
    at = np.linspace(0.0, 1.0, len(corners))
    lightness, chroma, hue = (np.interp(fine, at, corners[:, k]) for k in range(3))
    path = np.stack(
        [lightness, chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))],
        axis=1,
    )
    walked = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    even = np.linspace(0.0, walked[-1], SHADES)
    shades = np.stack([np.interp(even, walked, path[:, k]) for k in range(3)], axis=1)
    return tuple(hex_colour(row) for row in linear_from_oklab(shades))


def shade_index(level_dbfs: Floats, *, floor_dbfs: float, ceiling_dbfs: float) -> NDArray[np.int64]:
    """Which of the shades each level has; silence and everything below the floor has the darkest (0)."""
    span = ceiling_dbfs - floor_dbfs
    if span <= 0:
        raise ArgumentInvalid(
            "a ribbon's ceiling has to lie above its floor", where=f"{floor_dbfs} to {ceiling_dbfs} dBFS"
        )
    place = (np.clip(level_dbfs, floor_dbfs, ceiling_dbfs) - floor_dbfs) / span
    return np.minimum((place * SHADES).astype(np.int64), SHADES - 1)
