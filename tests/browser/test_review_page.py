"""The report in a real browser: nothing comes from outside, it zooms by key and click, and works without script."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from tests.unit.review.test_review_places import RATE, sound, write_take

from nightreel.review.command import run_review
from nightreel.timeline import Gap, GapCause, Mark

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take with a gap on one line, overs on another, a dead one, and two marks."""
    take = tmp_path_factory.mktemp("show") / "evening-1"
    loud, gappy = sound(30, 1) * np.float32(20), sound(30, 2)
    gappy[480_000:500_000] = 0
    lines = {
        "Fiddle <b>": np.clip(loud, -1, 1 - 2**-23),
        "Cello": gappy,
        "Flute": np.zeros(30 * RATE, np.float32),
        "Ñandú & Söhne": sound(30, 4),
    }
    write_take(
        take,
        lines,
        gaps=(Gap(first_frame=480_000, frames=20_000, cause=GapCause.NETWORK_LOSS, channels=(1,)),),
        marks=(Mark(frame=RATE, name="Harbour", song=1), Mark(frame=15 * RATE, name="Low Tide", song=2)),
    )
    run_review(take)
    return take / "review.html"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture
def page(browser: Browser, report: Path) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1366, "height": 768})
    page = context.new_page()
    errors: list[str] = []
    requests: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
    page.on("request", lambda request: requests.append(request.url))
    page.goto(report.as_uri())
    yield page
    context.close()
    assert errors == []
    assert requests == [report.as_uri()]


def test_it_shows_the_verdict_every_line_and_every_finding(page: Page) -> None:
    assert "stop" in page.get_by_role("status").first.inner_text()
    table = page.get_by_role("table", name="Level of each line over the take")
    assert table.get_by_role("row").count() == 5
    assert "Ñandú & Söhne" in table.inner_text()
    assert "Fiddle <b>" in table.inner_text()
    findings = page.get_by_role("region", name="Findings")
    assert "network loss" in findings.inner_text()
    assert "Flute' is dead" in findings.inner_text()
    assert page.locator("svg.ribbon[aria-label*='Cello']").count() == 1


def test_a_place_of_a_finding_zooms_to_it_and_says_so(page: Page) -> None:
    findings = page.get_by_role("region", name="Findings")
    gap = findings.get_by_role("listitem").filter(has_text="network loss")
    gap.get_by_role("button").first.click()
    view = page.locator("#view")
    assert view.inner_text().startswith("0:0")
    first, end = view.inner_text().split(" to ")
    assert first < "0:10.000" < end
    assert page.locator("#ribbons.zoomed").count() == 1
    assert "current" in (gap.get_attribute("class") or "")


def test_the_ribbons_work_by_keyboard(page: Page) -> None:
    page.get_by_role("table", name="Level of each line over the take").focus()
    page.keyboard.press("+")
    page.keyboard.press("+")
    before = page.locator("#view").inner_text()
    page.keyboard.press("ArrowRight")
    assert page.locator("#view").inner_text() != before
    page.keyboard.press("0")
    assert page.locator("#view").inner_text() == "whole take"


def test_the_zoomed_ribbon_of_a_silent_line_is_darker_than_that_of_a_played_one(page: Page) -> None:
    page.get_by_role("button", name="Zoom in").click()

    def lightness(line: int) -> float:
        return float(
            page.evaluate(
                """line => {
                    const c = document.querySelector(`.strip[data-line="${line}"] canvas`);
                    const d = c.getContext("2d").getImageData(0, c.height - 4, c.width, 1).data;
                    let sum = 0;
                    for (let i = 0; i < d.length; i += 4) sum += d[i] + d[i + 1] + d[i + 2];
                    return sum / d.length;
                }""",
                line,
            )
        )

    assert lightness(3) < lightness(4)


def test_a_song_can_be_chosen(page: Page) -> None:
    page.get_by_label("Song").select_option(label="Low Tide")
    assert page.locator("#view").inner_text() == "0:15.000 to 0:30.000"


@pytest.mark.parametrize("width", [820, 1366])
def test_nothing_hangs_out_of_the_page(browser: Browser, report: Path, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 1180})
    page.goto(report.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_without_script_everything_but_the_zoom_is_there(browser: Browser, report: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(report.as_uri())
    assert page.locator("svg.ribbon").count() == 4
    assert page.locator("svg.ribbon").first.is_visible()
    context.close()
