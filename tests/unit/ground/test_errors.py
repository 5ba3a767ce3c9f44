"""The error tree: stable codes, exit statuses, the same fields everywhere, all of them in the manual."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nightreel import errors

ROOT = Path(__file__).parents[3]


def family(kind: type[errors.NightreelError]) -> Iterator[type[errors.NightreelError]]:
    yield kind
    for child in kind.__subclasses__():
        yield from family(child)


TREE = [kind for kind in family(errors.NightreelError) if kind.__module__ == "nightreel.errors"]


def test_codes_are_unique() -> None:
    codes = [kind.code for kind in TREE]
    assert len(codes) == len(set(codes))


@pytest.mark.parametrize("kind", TREE, ids=lambda kind: kind.code)
def test_every_error_is_drawn_in_the_tree_and_explained_in_the_manual(kind: type[errors.NightreelError]) -> None:
    assert kind.__name__ in (errors.__doc__ or "")
    assert f"`{kind.code}`" in (ROOT / "docs" / "errors.md").read_text()


@pytest.mark.parametrize("kind", TREE, ids=lambda kind: kind.code)
def test_requests_exit_with_2_and_failures_with_1(kind: type[errors.NightreelError]) -> None:
    assert kind.exit_status == (2 if issubclass(kind, errors.RequestError) else 1)


def test_an_error_reads_as_what_where_and_what_now() -> None:
    error = errors.DiskTrouble("the drive is full", where="/takes", now="Free 3 GB or choose another medium")
    assert str(error) == "/takes: the drive is full. Free 3 GB or choose another medium."
    assert error.as_dict() == {
        "code": "disk-trouble",
        "what": "the drive is full",
        "where": "/takes",
        "now": "Free 3 GB or choose another medium",
    }


def test_a_show_names_all_its_problems_at_once() -> None:
    error = errors.ShowInvalid("two troubles", problems=("line 1: a", "line 2: b"))
    assert str(error).splitlines() == ["two troubles.", "  - line 1: a", "  - line 2: b"]
