"""What ``nightreel review`` does, as a function: open, review, compare, write the reports. Demo and tests use it
too."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from nightreel.disk import replace_text, write_new_bytes
from nightreel.errors import ArgumentInvalid, NightreelError
from nightreel.review.account import foreign_findings
from nightreel.review.engine import review_take
from nightreel.review.foreign import ForeignFolder, open_foreign
from nightreel.review.material import Material
from nightreel.review.model import Review, ranked
from nightreel.review.nights import NightsCompared, compare_nights
from nightreel.review.page import review_page
from nightreel.review.record import review_as_json
from nightreel.review.songs import find_songs
from nightreel.review.store import FolderStore
from nightreel.show.files import load_show
from nightreel.show.model import Show
from nightreel.take.facts import FACTS_NAME
from nightreel.take.find import TAKES_FOLDER, find_take
from nightreel.take.opened import Take, open_take
from nightreel.timeline import Song

Tell = Callable[[int, int], None]
STORE = Path("measured") / "review"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    review: Review
    reports: tuple[Path, ...]
    nights: NightsCompared | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A place opened for review; ``home`` is where reports may go without being asked for (None for foreign
    folders)."""

    take: Take
    home: Path | None
    show: Show | None = None
    foreign: ForeignFolder | None = None


def run_review(
    place: Path,
    take: str = "last",
    *,
    out: Path | None = None,
    against: Path | None = None,
    against_take: str = "last",
    show: Path | None = None,
    pdf: bool = False,
    workers: int = 0,
    tell: Tell | None = None,
) -> Outcome:
    """Review a take of a show, a take folder, or a folder of files; reports go to ``out`` or into the take.

    against : a second place to compare with; show : a show folder whose input list names the lines of a folder of files
    """
    say: Tell = tell or (lambda done, total: None)
    with ExitStack() as stack:
        opened = open_place(place, take, show)
        stack.callback(opened.take.close)
        review, material = _review_one(opened, out, workers, say)
        nights = None
        if against is not None:
            other = open_place(against, against_take, show)
            stack.callback(other.take.close)
            if other.take.folder.resolve() == opened.take.folder.resolve():
                raise ArgumentInvalid("a take cannot be compared with itself", now="Name a take of another night")
            other_review, other_material = _review_one(other, None, workers, say)
            nights = compare_nights(material, other_material, songs_here=review.songs, songs_there=other_review.songs)
            review = replace(review, findings=ranked([*review.findings, *nights.findings]))
        reports = _write_reports(review, material, out or opened.home, pdf=pdf)
    return Outcome(review=review, reports=reports, nights=nights)


def open_place(place: Path, take: str = "last", show_folder: Path | None = None) -> Opened:
    """A show folder's take, a take folder, or a folder of sound files that Nightreel did not record."""
    if (place / FACTS_NAME).is_file():
        return Opened(take=open_take(place), home=place, show=_show_of(place))
    if (place / "show.toml").is_file() or (place / TAKES_FOLDER).is_dir():
        folder = find_take(place, take)
        return Opened(take=open_take(folder), home=folder, show=_show_of(folder))
    show = load_show(show_folder) if show_folder else None
    foreign = open_foreign(place, show)
    return Opened(take=foreign.take, home=None, show=show, foreign=foreign)


def _show_of(take_folder: Path) -> Show | None:
    """The show a take lies in; a show that cannot be read does not stop the review of its take."""
    root = take_folder.resolve().parent.parent
    try:
        return load_show(root) if (root / "show.toml").is_file() else None
    except NightreelError:
        return None


def _review_one(opened: Opened, out: Path | None, workers: int, tell: Tell) -> tuple[Review, Material]:
    base = out if out is not None and opened.home is None else opened.home
    store = FolderStore(base / STORE, opened.take.folder) if base else None
    foreign = opened.foreign
    review, material = review_take(
        opened.take,
        workers=workers,
        tell=tell,
        store=store,
        file_facts=foreign.files if foreign else (),
        notes=foreign.notes if foreign else (),
    )
    if foreign:
        review = replace(
            review, findings=ranked([*review.findings, *foreign_findings(opened.take, foreign.files, foreign.broken())])
        )
    if not review.songs:
        titles = [song.title for song in opened.show.set_list] if opened.show else []
        review = replace(review, songs=_found_songs(material, titles))
    return review, material


def _found_songs(material: Material, titles: list[str]) -> tuple[Song, ...]:
    return find_songs(material, titles)


def _write_reports(review: Review, material: Material, folder: Path | None, *, pdf: bool) -> tuple[Path, ...]:
    if folder is None:
        return ()
    folder.mkdir(parents=True, exist_ok=True)
    reports = [folder / "review.html", folder / "review.json"]
    replace_text(reports[0], review_page(review, material))
    replace_text(reports[1], review_as_json(review))
    if pdf:
        from nightreel.review.sheet import review_pdf

        reports.append(folder / "review.pdf")
        document = review_pdf(review)
        reports[2].unlink(missing_ok=True)
        write_new_bytes(reports[2], document)
    return tuple(reports)
