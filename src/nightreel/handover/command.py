"""What ``nightreel handover`` does, as functions: open the take, plan, carry out, write the receipts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from nightreel.control import Client, socket_path
from nightreel.disk import Disk, make_folder_new
from nightreel.errors import ArgumentInvalid, NightreelError, RecorderBusy, RecorderGone, ShowMissing
from nightreel.handover.carry import Tell, carry_out, check_places
from nightreel.handover.model import Outcome, Plan, Request
from nightreel.handover.plan import make_plan
from nightreel.handover.receipt import write_receipts
from nightreel.handover.samples import widest_encoding
from nightreel.take import FACTS_NAME, TAKES_FOLDER, Take, find_take, open_folder, open_take
from nightreel.take.model import TakeFacts

HANDOVERS_FOLDER = "handovers"


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """``outcome`` is None where only the plan was asked for."""

    facts: TakeFacts
    plan: Plan
    outcome: Outcome | None
    receipts: tuple[Path, ...]


def run_handover(
    place: Path,
    take: str,
    request: Request,
    *,
    plan_only: bool = False,
    while_recording: bool = False,
    disk: Disk | None = None,
    tell: Tell = lambda what, done, total: None,
) -> Handover:
    """Hand a take over. Receipts stand beside each package, and in the show's ``handovers`` folder.

    Raises what planning, checking and carrying out raise, and RecorderBusy while a take of the same show is being
    recorded; nothing is written before the plan and the places are sound.
    """
    with open_place(place, take) as opened:
        plan = make_plan(opened.facts, request, opened.missing)
        if not plan_only and not while_recording:
            _require_no_recorder(opened)
        if plan_only:
            if request.destinations:
                check_places(opened, plan, disk=disk)
            return Handover(facts=opened.facts, plan=plan, outcome=None, receipts=())
        outcome = carry_out(opened, plan, disk=disk, tell=tell)
        folders = list(request.destinations)
        own = _handovers_folder(opened)
        if own is not None and own.resolve() not in {folder.resolve() for folder in folders}:
            folders.append(own)
        receipts = write_receipts(opened.facts, outcome, folders)
        return Handover(facts=opened.facts, plan=plan, outcome=outcome, receipts=receipts)


def open_place(place: Path, take: str) -> Take:
    """A show's take, a take folder, or a folder of sound files that Nightreel did not record."""
    if not place.is_dir():
        raise ShowMissing(
            "there is no such folder", where=str(place), now="Name a show, a take or a folder of sound files"
        )
    if (place / FACTS_NAME).is_file():
        return open_take(place)
    if (place / "show.toml").is_file() or (place / TAKES_FOLDER).is_dir():
        return open_take(find_take(place, take))
    opened = open_folder(place)
    opened.facts = replace(
        opened.facts, encoding=widest_encoding(opened)
    )  # so that no file of a mixed folder loses bits
    return opened


def parse_lines(text: str) -> tuple[range, ...]:
    """``1-4,7`` as ranges of line numbers; '' gives none, which means all. Raises ArgumentInvalid."""
    lines = []
    for piece in filter(None, (p.strip() for p in text.split(","))):
        first, dash, last = piece.partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()) or len(piece) > 12:
            raise ArgumentInvalid(f"'{piece}' names no lines", now="Write lines as 1-4,7")
        begin, end = int(first), int(last) if dash else int(first)
        if end < begin:
            raise ArgumentInvalid(f"'{piece}' runs backwards", now="Write lines as 1-4,7")
        lines.append(range(begin, end + 1))
    return tuple(lines)


def _require_no_recorder(take: Take) -> None:
    """Copying takes from the disk what the recorder needs of it: the running take comes first."""
    show = _show_folder(take)
    if show is None:
        return
    try:
        client = Client(socket_path(show), timeout_s=2.0)
    except RecorderGone:
        return  # nobody records here
    with client:
        try:
            state = str(client.ask("status").get("state", "it does not say more"))
        except NightreelError:
            state = "it does not answer"
    raise RecorderBusy(
        f"the recorder of this show is running ({state}), and copying would take disk and processor from it",
        where=str(show),
        now="Hand over when the take is stopped, or on another machine; --while-recording does it all the same",
    )


def _show_folder(take: Take) -> Path | None:
    show = take.folder.parent.parent
    return show if take.folder.parent.name == TAKES_FOLDER and (show / "show.toml").is_file() else None


def _handovers_folder(take: Take) -> Path | None:
    """The show's own folder for receipts, made when missing; None for takes outside of a show."""
    show = _show_folder(take)
    if show is None:
        return None
    folder = show / HANDOVERS_FOLDER
    if not folder.is_dir():
        make_folder_new(folder)
    return folder
