"""What ``nightreel review`` does, as a function: open, review, write the reports. The demo and tests use it too."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from nightreel.disk import replace_text
from nightreel.review.engine import review_take
from nightreel.review.model import Review
from nightreel.review.page import review_page
from nightreel.review.record import review_as_json
from nightreel.take.facts import FACTS_NAME
from nightreel.take.find import TAKES_FOLDER, find_take
from nightreel.take.opened import Take, open_take


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    review: Review
    reports: tuple[Path, ...]


def run_review(
    place: Path,
    take: str = "last",
    *,
    out: Path | None = None,
    against: Path | None = None,
    pdf: bool = False,
    workers: int = 0,
    tell: Callable[[int, int], None] | None = None,
) -> Outcome:
    """Review a take of a show, a take folder, or a folder of files; reports go to ``out`` or into the take."""
    with open_place(place, take) as opened:
        review, material = review_take(opened, workers=workers, tell=tell or (lambda done, total: None))
        folder = out or (opened.folder if (opened.folder / FACTS_NAME).is_file() else None)
        if folder is None:
            return Outcome(review=review, reports=())
        folder.mkdir(parents=True, exist_ok=True)
        reports = [folder / "review.html", folder / "review.json"]
        replace_text(reports[0], review_page(review, material))
        replace_text(reports[1], review_as_json(review))
        return Outcome(review=review, reports=tuple(reports))


def open_place(place: Path, take: str = "last") -> Take:
    """A show folder's take, a take folder, or a folder of sound files that Nightreel did not record."""
    if (place / FACTS_NAME).is_file():
        return open_take(place)
    if (place / "show.toml").is_file() or (place / TAKES_FOLDER).is_dir():
        return open_take(find_take(place, take))
    from nightreel.take import open_folder

    return open_folder(place)
