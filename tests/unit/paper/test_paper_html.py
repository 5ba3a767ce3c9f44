"""The page frame: self-contained, escaped, readable on screen and paper."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from nightreel.paper import html, pictures

HOSTILE = '<script>alert("x")</script>&\'"'


class Balance(HTMLParser):
    """Fails on a tag that closes out of order; collects names."""

    VOID = frozenset({"meta", "br", "hr", "img", "rect", "path", "polygon", "polyline"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.seen.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: object) -> None:
        self.seen.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag


def full_page(theme: str = "auto") -> str:
    body = (
        html.verdict(HOSTILE, state="good")
        + html.caution(HOSTILE)
        + html.facts({HOSTILE: HOSTILE})
        + html.table([HOSTILE, "level"], [[HOSTILE, pictures.ribbon([-20.0], label=HOSTILE)]], raw=[1], caption=HOSTILE)
    )
    return html.page(HOSTILE, body, subtitle=HOSTILE, footer=HOSTILE, theme=theme)


@pytest.mark.parametrize("theme", ["auto", "dim", "bright"])
def test_a_page_is_well_formed_and_holds_no_markup_from_data(theme: str) -> None:
    page = full_page(theme)
    walk = Balance()
    walk.feed(page)
    assert not walk.open
    assert "script" not in walk.seen
    assert "alert(" in page  # the words are there, as words


def test_a_page_asks_for_nothing_from_outside() -> None:
    page = full_page()
    outside = re.findall(r"(?:src|href|url)\s*[=(]\s*[\"']?(?!data:|#)([^\"')\s>]+)", page)
    assert outside == []
    assert "default-src 'none'" in page
    assert "@import" not in page
    assert "script-src" not in page


def test_a_caller_may_bring_a_script_of_its_own() -> None:
    page = html.page("t", "<p>b</p>", script="document.title='x'")
    assert "script-src 'unsafe-inline'" in page
    assert "default-src 'none'" in page


def test_print_is_black_on_white_and_rows_stay_whole() -> None:
    page = full_page("dim")
    printed = page[page.index("@media print") :]
    assert "--ground:#ffffff" in printed
    assert "break-inside:avoid" in page


def test_headers_name_their_column_for_screen_readers() -> None:
    assert html.table(["a"], [[1]]).count('<th scope="col">') == 1
