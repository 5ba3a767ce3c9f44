"""Two sheets for the desk: what to switch before the take is played, and how to get back. Text and HTML."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from nightreel.disk import make_folder_new, replace_text, write_new_text
from nightreel.paper import html
from nightreel.show.model import AtSoundcheck, Show
from nightreel.soundcheck.cautions import BACK_TO_LIVE, BEFORE_PLAYING, HEARING
from nightreel.soundcheck.plan import LinePlan, ReturnPlan

FOLDER = "sheets"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """``gestures`` are the few moves that do most of it; ``rows`` name every line."""

    title: str
    stem: str
    cautions: tuple[str, ...]
    gestures: tuple[str, ...]
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()

    def as_text(self) -> str:
        widths = [max(len(row[k]) for row in (self.headers, *self.rows)) for k in range(len(self.headers))]
        lines = [self.title, "=" * len(self.title), ""]
        lines += [_fill(f"Caution: {text}") for text in self.cautions] + [""]
        lines += [_fill(f"{number}. {text}") for number, text in enumerate(self.gestures, 1)] + [""]
        for count, row in enumerate((self.headers, *self.rows)):
            lines.append("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
            if count % 5 == 0:
                lines.append("-" * min(100, sum(widths) + 2 * len(widths)))
        lines += ["", *map(_fill, self.notes)]
        return "\n".join(lines).rstrip() + "\n"

    def as_html(self, subtitle: str) -> str:
        body = "".join(html.caution(text) for text in self.cautions)
        body += "<ol>" + "".join(f"<li>{html.text(text)}</li>" for text in self.gestures) + "</ol>"
        body += html.table(self.headers, self.rows, numeric=(0,))
        body += "".join(f"<p>{html.text(note)}</p>" for note in self.notes)
        return html.page(self.title, body, subtitle=subtitle)


def switch_sheet(show: Show, plan: ReturnPlan) -> Sheet:
    """What to do at the desk before playing."""
    words = {
        AtSoundcheck.RETURNED: "input to {port}",
        AtSoundcheck.LIVE: "leave on stage",
        AtSoundcheck.SILENT: "leave; nothing is sent",
    }
    rows = tuple(
        (
            str(line.line),
            line.name,
            words[line.use].format(port=f"return {line.return_port}"),
            line.socket or "-",
            line.why + (f"; note: {line.warning}" if line.warning else ""),
        )
        for line in plan.lines
    )
    gestures = [
        "Store what the desk has now as a scene or snapshot of its own: it is the way back.",
        "Mute in-ear transmitters, wedges and amplifiers.",
        *(f"Switch {text}." for text in _runs(plan.returned, to="input to return")),
    ]
    live = [line for line in plan.lines if line.use is AtSoundcheck.LIVE]
    if live:
        gestures.append(f"Leave on the stage: {_numbers(live)}.")
    gestures.append("Unmute the loudspeakers one by one while playback is low; in-ears last.")
    return Sheet(
        title=f"{show.name}: to the soundcheck",
        stem="soundcheck-switch",
        cautions=BEFORE_PLAYING,
        gestures=tuple(gestures),
        headers=("line", "name", "at the desk", "stage socket", "why"),
        rows=rows,
        notes=(HEARING,),
    )


def back_sheet(show: Show, plan: ReturnPlan) -> Sheet:
    """How to get back to live, and how to prove it."""
    rows = tuple((str(line.line), line.name, f"input to {line.socket or 'its stage socket'}") for line in plan.returned)
    return Sheet(
        title=f"{show.name}: back to live",
        stem="soundcheck-back-to-live",
        cautions=BACK_TO_LIVE,
        gestures=(
            "Stop playback (one key) and see that nothing sounds.",
            "Mute in-ear transmitters, wedges and amplifiers.",
            f"Recall the inputs from the scene you stored, or switch back: {_numbers(plan.returned)}.",
            "Prove it: nightreel soundcheck SHOW --back-to-live --through DEVICE. It names every line still returned.",
            "Have somebody speak into one microphone of each group.",
        ),
        headers=("line", "name", "at the desk"),
        rows=rows,
    )


def write_sheets(show_folder: Path, sheets: Sequence[Sheet], subtitle: str) -> tuple[Path, ...]:
    """Put each as .txt and .html into the show's ``sheets/``; an older one of the same name is replaced."""
    folder = show_folder / FOLDER
    if not folder.is_dir():
        make_folder_new(folder)
    paths = []
    for sheet in sheets:
        for path, text in (
            (folder / f"{sheet.stem}.txt", sheet.as_text()),
            (folder / f"{sheet.stem}.html", sheet.as_html(subtitle)),
        ):
            (replace_text if path.exists() else write_new_text)(path, text)
            paths.append(path)
    return tuple(paths)


def _fill(text: str) -> str:
    return textwrap.fill(text, 100, subsequent_indent="   ")


def _runs(lines: Sequence[LinePlan], *, to: str) -> list[str]:
    """Neighbouring lines whose returns are neighbours as one gesture: 'lines 1 to 8: input to return usb:1 to 8'."""
    texts: list[str] = []
    run: list[LinePlan] = []
    for line in [*lines, None]:
        last = run[-1] if run else None
        joins = (
            line is not None
            and last is not None
            and line.return_port is not None
            and last.return_port is not None
            and line.line == last.line + 1
            and line.return_port.number == last.return_port.number + 1
        )
        if run and not joins:
            first, end = run[0].return_port, run[-1].return_port
            if len(run) == 1:
                texts.append(f"line {run[0].line}: {to} {first}")
            elif end is not None:
                texts.append(f"lines {run[0].line} to {run[-1].line}: {to} {first} to {end.number}, in order")
            run = []
        if line is not None:
            run.append(line)
    return texts


def _numbers(lines: Sequence[LinePlan]) -> str:
    """'lines 1-8, 12'."""
    parts: list[str] = []
    numbers = [line.line for line in lines]
    start = 0
    for k in range(1, len(numbers) + 1):
        if k == len(numbers) or numbers[k] != numbers[k - 1] + 1:
            parts.append(str(numbers[start]) if k - start == 1 else f"{numbers[start]}-{numbers[k - 1]}")
            start = k
    return ("line " if len(numbers) == 1 else "lines ") + ", ".join(parts)
