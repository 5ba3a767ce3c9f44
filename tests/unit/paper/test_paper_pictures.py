"""Pictures of signals: valid SVG whose geometry follows the data."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from nightreel.errors import ArgumentInvalid
from nightreel.paper import look, pictures

SVG = "{http://www.w3.org/2000/svg}"


def strokes(svg: str) -> list[tuple[str, float, float]]:
    """(colour, x, width) of every run of the strip, by x."""
    runs = []
    for path in ET.fromstring(svg).iter(f"{SVG}path"):
        if path.get("stroke-width") == str(pictures.RIBBON_HEIGHT):
            for x, h in re.findall(r"M([\d.]+) [\d.]+h([\d.]+)", path.get("d", "")):
                runs.append((path.get("stroke", ""), float(x), float(h)))
    return sorted(runs, key=lambda run: run[1])


def test_a_ribbon_covers_its_whole_width_without_holes_or_overlaps() -> None:
    levels = np.random.default_rng(3).uniform(-70, 3, 5000)
    runs = strokes(pictures.ribbon(levels, label="Kick"))
    ends = [x + w for _, x, w in runs]
    assert runs[0][1] == 0
    assert ends[-1] == pytest.approx(600, abs=0.02)
    assert [r[1] for r in runs[1:]] == pytest.approx(ends[:-1], abs=0.02)


def test_a_ribbon_shows_the_highest_level_of_each_column() -> None:
    levels = np.full(6000, -50.0)
    levels[3003] = 0.0  # one window of 100 ms among ten in its column
    runs = strokes(pictures.ribbon(levels, label="Kick"))
    loud = [r for r in runs if r[0] == look.ribbon_shades()[-1]]
    assert [(x, w) for _, x, w in loud] == [(300.0, 1.0)]


def test_fewer_windows_than_columns_are_stretched() -> None:
    runs = strokes(pictures.ribbon([-60.0, 0.0, -60.0], label="x"))
    assert [(x, w) for _, x, w in runs] == [(0, 200), (200, 200), (400, 200)]


def test_silence_nan_and_no_data_are_drawn() -> None:
    assert strokes(pictures.ribbon([-np.inf, np.nan], label="x"))[0][0] == look.ribbon_shades()[0]
    assert strokes(pictures.ribbon([], label="x")) == []


def test_a_gap_of_a_moment_is_still_seen() -> None:
    svg = ET.fromstring(pictures.ribbon([-20.0] * 10, label="x", gaps=[(0.5, 0.500001)]))
    (gap,) = [r for r in svg.iter(f"{SVG}rect") if r.get("class") == "gap"]
    assert float(gap.get("width", "0")) >= 1.5


def test_labels_are_escaped_and_read_aloud() -> None:
    svg = ET.fromstring(pictures.ribbon([-20.0], label='<Kick> "In" & Out'))
    assert svg.get("aria-label") == '<Kick> "In" & Out'
    assert svg.get("role") == "img"


def test_a_spectrum_puts_a_line_where_its_frequency_is() -> None:
    hz = np.array([20.0, 200.0, 2000.0, 19_999.0])
    svg = ET.fromstring(pictures.spectrum(hz, [-100.0, 0.0, -50.0, -100.0], label="hum", marks_hz=[50.0, 1e6]))
    (line,) = svg.iter(f"{SVG}polyline")
    points = [tuple(map(float, p.split(","))) for p in line.get("points", "").split()]
    assert [p[0] for p in points] == [0, 86, 173, 259]
    assert points[1][1] == 0  # the ceiling is the top
    assert len([p for p in svg.iter(f"{SVG}path") if p.get("stroke-dasharray")]) == 1


def test_a_waveform_stays_inside_its_picture() -> None:
    svg = ET.fromstring(pictures.waveform([-9.0, -0.5], [9.0, 0.5], label="x"))
    (shape,) = svg.iter(f"{SVG}polygon")
    ys = [float(p.split(",")[1]) for p in shape.get("points", "").split()]
    assert min(ys) >= 0
    assert max(ys) <= 60


def test_wrong_shapes_are_refused() -> None:
    with pytest.raises(ArgumentInvalid):
        pictures.ribbon(np.zeros((2, 2)), label="x")
    with pytest.raises(ArgumentInvalid):
        pictures.waveform([0.0], [0.0, 1.0], label="x")
    with pytest.raises(ArgumentInvalid):
        pictures.spectrum([20.0], [0.0, 1.0], label="x")


def test_the_key_names_its_ends() -> None:
    words = "".join(ET.fromstring(pictures.ribbon_key(floor_dbfs=-72)).itertext())
    assert "-72" in words
    assert "0 dBFS" in words
