"""The shared look, held against WCAG 2.2 and against simulated colour blindness."""

from __future__ import annotations

import numpy as np
import pytest

from nightreel.errors import ArgumentInvalid
from nightreel.paper import look

# Machado, Oliveira and Fernandes, 'A physiologically-based model for simulation of color vision deficiency',
# IEEE TVCG 15(6), 2009, severity 1.0; the figures are from memory, each row checked to sum to 1 below.
MACHADO = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def cie_lab(linear: np.ndarray) -> np.ndarray:
    """CIE 15 L*a*b* with the D65 white of IEC 61966-2-1: a measure that the product itself does not use."""
    xyz = linear @ np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]).T
    ratio = xyz / np.array([0.9505, 1.0, 1.089])
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def shades_linear() -> np.ndarray:
    return np.array([look.linear_rgb(colour) for colour in look.ribbon_shades()])


def test_contrast_of_black_on_white_is_21_and_of_a_colour_on_itself_1() -> None:
    # WCAG 2.2, definition of contrast ratio: 'can range from 1 to 21'.
    assert look.contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert look.contrast("#58b8aa", "#58b8aa") == pytest.approx(1.0)


def test_contrast_agrees_with_the_grey_at_the_aa_border() -> None:
    # #767676 on white is the lightest grey that passes 4.5:1, #777777 fails (a much-published consequence of WCAG).
    assert look.contrast("#767676", "#ffffff") >= 4.5 > look.contrast("#777777", "#ffffff")


@pytest.mark.parametrize("name", look.THEMES)
@pytest.mark.parametrize(("front", "back", "least"), look.PAIRS)
def test_every_pair_in_use_meets_wcag_2_2_aa(name: str, front: str, back: str, least: float) -> None:
    theme = look.THEMES[name]
    assert look.contrast(getattr(theme, front), getattr(theme, back)) >= least


def test_the_ribbon_steps_are_even_in_oklab() -> None:
    steps = np.linalg.norm(np.diff(look.oklab(shades_linear()), axis=0), axis=1)
    assert steps.max() / steps.min() < 1.25  # rounding to 8 bits is worth some percent of so small a step


def test_the_ribbon_rises_in_lightness_for_every_eye_and_in_grey() -> None:
    linear = shades_linear()
    lightness = cie_lab(linear)[:, 0]
    assert np.all(np.diff(lightness) > 0.8)
    for name, matrix in MACHADO.items():
        m = np.array(matrix)
        assert m.sum(axis=1) == pytest.approx(np.ones(3), abs=2e-6), name
        seen = cie_lab(np.clip(linear @ m.T, 0, 1))
        assert np.all(np.diff(seen[:, 0]) > 0.5), name
        # Four shades apart (8 of 60 dB) are told apart at a glance: ten times a just noticeable difference.
        apart = np.linalg.norm(seen[4:] - seen[:-4], axis=1)
        assert apart.min() > 6.0, name


def test_proven_attention_and_broken_stay_apart_in_lightness_or_hue_for_colour_blind_eyes() -> None:
    for theme in look.THEMES.values():
        colours = np.array([look.linear_rgb(c) for c in (theme.tide, theme.lantern, theme.rust, theme.text)])
        for name, matrix in MACHADO.items():
            seen = cie_lab(np.clip(colours @ np.array(matrix).T, 0, 1))
            apart = np.linalg.norm(seen[:, None] - seen[None], axis=2)
            least = apart[~np.eye(len(seen), dtype=bool)].min()
            assert least > 10.0, (theme, name, least)


def test_shades_cover_floor_and_ceiling_and_silence() -> None:
    levels = np.array([-np.inf, -90.0, -60.0, -30.0, 0.0, 3.0])
    index = look.shade_index(levels, floor_dbfs=-60.0, ceiling_dbfs=0.0)
    assert index.tolist() == [0, 0, 0, look.SHADES // 2, look.SHADES - 1, look.SHADES - 1]
    with pytest.raises(ArgumentInvalid):
        look.shade_index(levels, floor_dbfs=0.0, ceiling_dbfs=0.0)


def test_a_colour_must_be_written_in_full() -> None:
    with pytest.raises(ArgumentInvalid):
        look.linear_rgb("#fff")


def test_hex_and_linear_are_inverses() -> None:
    for colour in ("#000000", "#ffffff", "#58b8aa", "#0102fe"):
        assert look.hex_colour(look.linear_rgb(colour)) == colour


def test_type_is_never_smaller_than_the_look_allows() -> None:
    assert look.SMALLEST_PX >= 14
    assert look.SMALLEST_PT >= 9.0
