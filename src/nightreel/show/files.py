"""The show folder: load it, start one, and edit its two documents without hurting what people wrote in them.

A show is ``show.toml`` (settings) and ``inputs.csv`` (lines) in one folder; docs/formats/show.md describes both.
Everything is checked before anything is written, and what is to be written is read back in memory and compared with
what was asked for. A file is replaced in one step; of two edited files the input list goes first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path

from nightreel.disk import make_folder_new, replace_text, write_new_text
from nightreel.errors import AlreadyThere, ArgumentInvalid, DiskTrouble, NotAShow, ShowInvalid, ShowMissing
from nightreel.show import document, inputs
from nightreel.show.document import Settings, edit_settings, read_settings
from nightreel.show.inputs import Inputs, edit_inputs, read_inputs, tidy
from nightreel.show.model import Line, Link, Medium, SetSong, Show, find_problems
from nightreel.show.text import TextForm, TextUnreadable, decode
from nightreel.units import RATES_HZ, Encoding

SETTINGS_FILE = document.FILE
INPUTS_FILE = inputs.FILE
LARGEST_BYTES = 16_000_000  # a document of a show is a few kB; more is another file under its name

_EMPTY_SETTINGS = """\
# A Nightreel show. Edit freely: comments and keys of your own are kept.
# The lines stand beside this file in inputs.csv. What every key means: docs/formats/show.md

format = 1
name = ""
date = ""               # 2026-11-28
place = ""
tour = ""
rate_hz = 48000
encoding = "pcm24"      # pcm16, pcm24, pcm32 or float32
expected_length = ""    # 1h45m
"""
_EMPTY_INPUTS = ",".join(inputs.COLUMNS) + "\r\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowDocument:
    """A show as read, with notes: things that are no fault but good to know."""

    show: Show
    notes: tuple[str, ...]


def load_show(folder: Path) -> Show:
    """The show of a folder.

    Raises ShowMissing, NotAShow, DiskTrouble, or ShowInvalid that lists every problem with file, row, column, remedy.
    """
    return read_show(folder).show


def read_show(folder: Path) -> ShowDocument:
    """:func:`load_show`, with notes."""
    raw_settings, raw_inputs = _read_folder(folder)
    return _parse(raw_settings, raw_inputs, folder)


def create_show(
    folder: Path,
    *,
    name: str,
    date: date | None = None,
    place: str = "",
    tour: str = "",
    rate_hz: int = 48_000,
    encoding: Encoding = Encoding.PCM24,
    lines: Iterable[Line] = (),
    links: Iterable[Link] = (),
    media: Iterable[Medium] = (),
    set_list: Iterable[SetSong] = (),
    expected_length_s: float | None = None,
) -> Show:
    """Start a show in a new folder (or an empty one) and return it as it reads back.

    Raises ShowInvalid, ArgumentInvalid, AlreadyThere, DiskTrouble; nothing is written then, save that a disk which
    fails between the two files leaves a folder with an input list only.
    """
    if rate_hz not in RATES_HZ:
        raise ArgumentInvalid(
            f"{rate_hz} Hz is no sample rate we know", now=f"Choose one of {', '.join(map(str, RATES_HZ))}"
        )
    show = Show(
        name=name,
        date=date,
        place=place,
        tour=tour,
        rate_hz=rate_hz,
        encoding=encoding,
        lines=tuple(tidy(line) for line in lines),
        links=tuple(links),
        media=tuple(media),
        set_list=tuple(set_list),
        expected_length_s=expected_length_s,
    )
    settings, rows = _compose(_EMPTY_SETTINGS.encode(), _EMPTY_INPUTS.encode(), show, folder)
    if folder.is_dir():
        if any(folder.iterdir()):
            raise AlreadyThere(
                "a folder with something in it is there already", where=str(folder), now="Choose another folder"
            )
    elif folder.exists() or folder.is_symlink():
        raise AlreadyThere("something of this name is there already", where=str(folder), now="Choose another name")
    elif not folder.parent.is_dir():
        raise ShowMissing(
            f"the folder '{folder.parent}' does not exist", where=str(folder), now="Make it first, or choose another"
        )
    else:
        make_folder_new(folder)
    write_new_text(folder / INPUTS_FILE, rows)
    write_new_text(folder / SETTINGS_FILE, settings)
    return show


def save_show(folder: Path, show: Show) -> Show:
    """Edit both documents so that they say ``show``; only what differs is touched. Returns the show as it reads back.

    Raises what :func:`load_show` raises (documents with problems are not edited), and DiskTrouble.
    """
    raw_settings, raw_inputs = _read_folder(folder)
    _parse(raw_settings, raw_inputs, folder)
    show = replace(show, lines=tuple(tidy(line) for line in show.lines))
    settings, rows = _compose(raw_settings, raw_inputs, show, folder)
    if rows.encode() != raw_inputs:
        _put(folder / INPUTS_FILE, rows)
    if settings.encode() != raw_settings:
        _put(folder / SETTINGS_FILE, settings)
    return show


def save_lines(folder: Path, lines: Iterable[Line]) -> Show:
    """Edit the input list so that it says ``lines``; the settings stay. Raises what :func:`save_show` raises."""
    return save_show(folder, replace(load_show(folder), lines=tuple(lines)))


def _put(path: Path, text: str) -> None:
    if path.exists():
        replace_text(path, text)
    else:
        write_new_text(path, text)


def _read_folder(folder: Path) -> tuple[bytes, bytes]:
    if not folder.exists():
        raise ShowMissing(
            "there is no such folder", where=str(folder), now="Check the path, or start a show with 'nightreel new'"
        )
    if not folder.is_dir():
        raise NotAShow("this is a file, and a show is a folder", where=str(folder), now="Give the show's folder")
    if not (folder / SETTINGS_FILE).is_file():
        raise NotAShow(
            f"there is no {SETTINGS_FILE} in this folder, so it is not a show",
            where=str(folder),
            now="Give a show's folder, or start one with 'nightreel new'",
        )
    settings = _read_bytes(folder / SETTINGS_FILE)
    rows = folder / INPUTS_FILE
    return settings, _read_bytes(rows) if rows.exists() else b""


def _read_bytes(path: Path) -> bytes:
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise ShowInvalid(
                f"it has more than {LARGEST_BYTES:,} bytes, far more than a show's document",
                where=str(path),
                now="Look what it is, and put the right file in its place",
            )
        return path.read_bytes()
    except OSError as error:
        raise DiskTrouble(
            f"cannot be read: {error.strerror or error}", where=str(path), now="Check the drive and its permissions"
        ) from error


def _parse(raw_settings: bytes, raw_inputs: bytes, folder: Path) -> ShowDocument:
    """Both documents as one sound show; raises ShowInvalid with all their problems."""
    problems: list[str] = []
    settings = Settings()
    notes: tuple[str, ...] = ()
    try:
        settings, found, notes = read_settings(decode(raw_settings)[0])
        problems += found
    except TextUnreadable as error:
        problems.append(f"{SETTINGS_FILE}: {error.args[0]}; save it again as UTF-8")
    rows = read_inputs(raw_inputs, [link.name for link in settings.links])
    problems += _contradictions(settings, rows, settings_sound=not problems)
    problems += rows.problems
    if problems:
        raise ShowInvalid(
            f"the show's documents have {len(problems)} problem{'s' if len(problems) > 1 else ''}",
            where=str(folder),
            now="Mend what is listed here; nothing was changed",
            problems=tuple(problems),
        )
    show = Show(lines=rows.lines, **{f.name: getattr(settings, f.name) for f in fields(settings)})
    return ShowDocument(show=show, notes=notes)


def _contradictions(settings: Settings, rows: Inputs, *, settings_sound: bool) -> list[str]:
    """What the model finds, with the rows that take part; left out where it only follows from something unreadable."""
    sentences = []
    for problem in find_problems(name=settings.name, rate_hz=settings.rate_hz, lines=rows.lines, links=settings.links):
        if (not problem.lines or problem.column in ("send", "return")) and not settings_sound:
            continue
        if problem.column == "partner" and rows.problems:
            continue
        if not problem.lines:
            sentences.append(f"{SETTINGS_FILE}: {problem.text}")
            continue
        numbers = [str(rows.row_of(place)) for place in problem.lines]
        where = f"row {numbers[0]}" if len(numbers) == 1 else f"rows {' and '.join(numbers)}"
        sentences.append(f"{INPUTS_FILE} {where}, column {problem.column}: {problem.text}")
    return sentences


def _compose(raw_settings: bytes, raw_inputs: bytes, show: Show, folder: Path) -> tuple[str, str]:
    """Both documents edited to say ``show``, proven by reading them back before they reach the disk."""
    text, form = decode(raw_settings) if raw_settings else ("", TextForm())
    settings = form.restore(edit_settings(text, show))
    rows = edit_inputs(raw_inputs, [link.name for link in show.links], show.lines)
    reread = _parse(settings.encode(), rows.encode(), folder).show
    by_number = {line.number: line for line in show.lines}
    if replace(reread, lines=()) != replace(show, lines=()) or {x.number: x for x in reread.lines} != by_number:
        raise ArgumentInvalid(
            "the show holds something its documents cannot say, such as a line break inside a port",
            where=str(folder),
            now="Look at the names and texts given",
        )
    return settings, rows
