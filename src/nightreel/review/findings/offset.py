"""A constant offset (DC) on a line: it eats room, thumps at every edit, and tells of a faulty converter or direct box.

Judged by the median of the means of windows of about 1.4 s, so that a long low note does not count; it has to be
there in the quiet as well as in the loud.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from nightreel.review.findings.family import Family, Kind
from nightreel.review.material import Material
from nightreel.review.model import Evidence, Finding, Severity

LEAST_DBFS = -52.0  # 0.25 % of full scale; converters stay far below, cutting at such an offset begins to be heard
SERIOUS_DBFS = -40.0


def find(material: Material) -> Iterable[Finding]:
    for line, measured in material.lines.items():
        means = measured.spectra.mean[material.spectrum_windows_clear(line)]
        if len(means) < 3:
            offset, steady = measured.levels.dc, True
        else:
            offset = float(np.median(means))
            steady = float(np.mean(np.sign(means) == np.sign(offset))) > 0.9 and float(
                np.quantile(np.abs(means), 0.1)
            ) > 0.4 * abs(offset)
        level = 20 * np.log10(abs(offset) + 1e-12)
        if level < LEAST_DBFS or not steady:
            continue
        yield Finding(
            kind="offset",
            severity=Severity.FIX if level > SERIOUS_DBFS else Severity.NOTE,
            lines=(line,),
            confidence=0.95,
            evidence=(
                Evidence(name="offset", value=offset * 100, unit="% of full scale"),
                Evidence(name="level", value=float(level), unit="dBFS"),
            ),
            what=f"{measured.label} carries a constant offset (DC) of {offset * 100:.2f} % of full scale.",
            remedy="A high-pass filter at 20 Hz takes it away before editing or mixing. Have the converter channel "
            "or the "
            "direct box looked at: try the line on another input.",
        )


FAMILY = Family(
    name="offset",
    kinds=(Kind("offset", "A constant offset (DC)"),),
    method="Median of the means of 1.4 s windows; steady in sign and size",
    source="-52 dBFS: own choice; common practice, no published source",
    find=find,
)
