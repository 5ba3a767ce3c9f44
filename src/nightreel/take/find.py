"""Takes in a show folder: listing, finding by name, naming the next one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from nightreel.disk import safe_name
from nightreel.errors import NightreelError, TakeMissing
from nightreel.take.facts import FACTS_NAME, load_facts
from nightreel.take.journal import JOURNAL_NAME
from nightreel.take.model import TakeFacts

TAKES_FOLDER = "takes"


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedTake:
    """A take folder; ``facts`` is None where ``take.json`` cannot be read, and ``problem`` says why."""

    folder: Path
    facts: TakeFacts | None
    problem: str = ""

    @property
    def name(self) -> str:
        return self.folder.name


def list_takes(show_folder: Path) -> tuple[ListedTake, ...]:
    """Every take of the show, oldest first; a folder without take.json and journal is none."""
    found: list[tuple[float, str, ListedTake]] = []
    root = Path(show_folder) / TAKES_FOLDER
    if not root.is_dir():
        return ()
    for folder in root.iterdir():
        if not (folder / FACTS_NAME).is_file() and not (folder / JOURNAL_NAME).is_file():
            continue
        try:
            facts = load_facts(folder)
            found.append((facts.started_at.timestamp(), folder.name, ListedTake(folder=folder, facts=facts)))
        except NightreelError as error:
            found.append(
                (folder.stat().st_mtime, folder.name, ListedTake(folder=folder, facts=None, problem=str(error)))
            )
    return tuple(take for _, _, take in sorted(found, key=lambda f: f[:2]))


def find_take(show_folder: Path, name: str = "last") -> Path:
    """The folder of a take: by its name, by a part that only one name has, or ``last`` for the newest.

    Raises TakeMissing, which lists what there is.
    """
    takes = list_takes(show_folder)
    names = [take.name for take in takes]
    if name == "last" and takes:
        return takes[-1].folder
    exact = [take for take in takes if take.name == name]
    close = exact or [take for take in takes if name and name in take.name]
    if len(close) == 1:
        return close[0].folder
    if close:
        raise TakeMissing(
            f"'{name}' fits {len(close)} takes", where=str(show_folder), now=f"Choose one: {_shorten(close)}"
        )
    remedy = f"There are: {_shorten(takes)}" if names else "Record one with `nightreel record`"
    what = "this show has no take yet" if not names else f"there is no take '{name}'"
    raise TakeMissing(what, where=str(show_folder), now=remedy)


def new_take_name(show_folder: Path, *, day: date, name: str) -> str:
    """``2026-11-28-evening-1``, counted up past every folder that stands there already."""
    root = Path(show_folder) / TAKES_FOLDER
    stem = f"{day.isoformat()}-{safe_name(name.strip().replace(' ', '-')) or 'take'}"
    number = 1
    while (root / f"{stem}-{number}").exists():
        number += 1
    return f"{stem}-{number}"


def _shorten(takes: tuple[ListedTake, ...] | list[ListedTake]) -> str:
    names = [take.name for take in takes]
    return ", ".join(names[-8:]) + (f" and {len(names) - 8} older" if len(names) > 8 else "")
