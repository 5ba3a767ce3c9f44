"""The manual names every kind of finding, and nothing that does not exist."""

from __future__ import annotations

import re
from pathlib import Path

from nightreel.review import account, nights
from nightreel.review.findings import FAMILIES

MANUAL = Path(__file__).parents[3] / "docs" / "review.md"


def test_every_kind_of_finding_stands_in_the_manual_and_no_other() -> None:
    families = (account.FAMILY, *FAMILIES, nights.FAMILY)
    codes = [kind.code for family in families for kind in family.kinds]
    assert len(codes) == len(set(codes))
    told = re.findall(r"^\| `([a-z-]+)` \|", MANUAL.read_text(), flags=re.MULTILINE)
    assert sorted(told) == sorted(codes)


def test_every_family_states_its_method_and_where_its_figures_come_from() -> None:
    for family in FAMILIES:
        assert family.method
        assert family.source
        assert family.find is not None
