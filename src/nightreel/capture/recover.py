"""Make a take whole after a crash or a power cut: headers that state every whole frame, lines of equal length,
an account of what is missing.

Nothing that holds samples is ever cut; lines that got less than the others are filled with silence, which is listed
as a gap. Every step can be repeated: an interrupted recovery is simply run again. Its result is written last.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from nightreel import __version__
from nightreel.disk import Disk, RealDisk, replace_text
from nightreel.errors import AudioFileInvalid, DiskTrouble, NightreelError, TakeDamaged
from nightreel.take.account import Account, Part, compute_account, part_path, with_parts
from nightreel.take.facts import FACTS_NAME, facts_text, gap_json, load_facts
from nightreel.take.journal import Journal, RecordKind, next_seq
from nightreel.take.journal_file import JournalFile, read_journal
from nightreel.take.model import TakeFacts, TakeState, Track
from nightreel.timeline import Gap, GapCause, join_gaps
from nightreel.wave import WaveReader, repair


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """What was found and done.

    frames : of the take now
    confirmed_frames : of these, durable at the last checkpoint; what follows was written, but a power cut may have
        spoilt it (after a mere crash of the recorder it is sound)
    filled_frames : by line: silence put where a line got less than the others
    problems : files that could not be mended, with the reason
    changed : False when the take was whole already
    """

    folder: Path
    name: str
    frames: int
    rate_hz: int
    confirmed_frames: int
    filled_frames: dict[int, int]
    gaps: tuple[Gap, ...]
    problems: tuple[str, ...]
    changed: bool
    journal_bad_lines: int
    other_places: tuple[Path, ...]


def recover(folder: Path, *, disk: Disk | None = None) -> Recovery:
    """Recover one take folder. A take that was closed in good order is only looked at.

    Raises TakeMissing where there is no take, TakeDamaged where neither account nor journal says what it holds,
    DiskTrouble.
    """
    folder = Path(folder)
    disk = disk or RealDisk()
    journal = read_journal(folder)
    account = compute_account(journal)
    facts = _facts(folder, account)
    if facts.state is not TakeState.RECORDING and _is_whole(folder, facts):
        return _report(folder, facts, account, journal, filled=(), problems=(), changed=False)
    parts, present, problems = _extend_headers(folder, facts, account, disk)
    frames = max((part.first_frame + max(present[part.number].values(), default=0) for part in parts), default=0)
    parts = [*parts[:-1], replace(parts[-1], end_frame=frames)]
    filled = _missing_ends(facts.tracks, parts, present)
    with _reopened(folder, journal, disk) as book:
        for gap in filled:  # what will be silence is listed before it is
            book.append(RecordKind.GAP, gap.first_frame, {k: v for k, v in gap_json(gap).items() if k != "first_frame"})
        if filled:
            book.sync()
        _fill(folder, facts.tracks, parts, present, disk)
        recovered = replace(
            facts,
            state=TakeState.RECOVERED,
            frames=frames,
            gaps=_within(join_gaps([*facts.gaps, *filled]), frames),
            # A mark may be safe although the samples of its moment were not yet: it stays, at the last frame.
            marks=tuple(replace(mark, frame=min(mark.frame, max(0, frames - 1))) for mark in facts.marks),
            tracks=tuple(with_parts(track, parts, frames) for track in facts.tracks),
            stop_reason=facts.stop_reason or "recovered after a crash",
            nightreel=__version__,
        )
        book.append(RecordKind.RECOVERED, frames, {"confirmed": min(frames, account.checkpoint_frame)})
        book.sync()
    replace_text(folder / FACTS_NAME, facts_text(recovered), disk=disk)
    return _report(folder, recovered, account, journal, filled=filled, problems=problems, changed=True)


def _facts(folder: Path, account: Account) -> TakeFacts:
    """What take.json says, or the journal where that is older or damaged."""
    try:
        stated = load_facts(folder)
    except TakeDamaged:
        if account.facts is None:
            raise
        return account.facts
    if stated.state is TakeState.RECORDING and account.facts is not None:
        return account.facts
    return stated


def _is_whole(folder: Path, facts: TakeFacts) -> bool:
    """Whether every file holds at least what the account promises."""
    for path, frames in {(f.path, f.frames) for t in facts.tracks for f in t.files}:
        try:
            with WaveReader(folder / path) as reader:
                if reader.frames_present < frames:
                    return False
        except NightreelError:
            return False
    return True


def _extend_headers(
    folder: Path, facts: TakeFacts, account: Account, disk: Disk
) -> tuple[list[Part], dict[int, dict[str, int]], tuple[str, ...]]:
    """Let every header state the whole frames that are there.

    Returns the parts, the frames of each part's files by path, and what could not be mended.
    """
    parts = _parts(folder, facts, account)
    present: dict[int, dict[str, int]] = {}
    problems = []
    for part in parts:
        present[part.number] = {}
        for path in _paths(facts.tracks, part):
            try:
                present[part.number][path] = repair(folder / path, disk=disk).frames
            except AudioFileInvalid as error:
                problems.append(str(error))
            except DiskTrouble as error:
                if (folder / path).exists():
                    raise  # the samples are there: a disk in trouble is no reason to list them as missing
                problems.append(str(error))
    return parts, present, tuple(problems)


def _parts(folder: Path, facts: TakeFacts, account: Account) -> list[Part]:
    """The journal's parts, save a last one whose files were not made yet when it all ended."""
    parts = list(account.parts)
    while len(parts) > 1 and not any((folder / path).is_file() for path in _paths(facts.tracks, parts[-1])):
        parts.pop()
    return parts


def _paths(tracks: Sequence[Track], part: Part) -> tuple[str, ...]:
    """Each file of the part once."""
    return tuple(dict.fromkeys(part_path(t.files[0].path, part.number) for t in tracks if t.files))


def _missing_ends(
    tracks: Sequence[Track], parts: Sequence[Part], present: dict[int, dict[str, int]]
) -> tuple[Gap, ...]:
    """Where a line got less than its part has."""
    gaps = []
    for part in parts:
        assert part.end_frame is not None
        wanted = part.end_frame - part.first_frame
        for track in tracks:
            if not track.files:
                continue
            there = present[part.number].get(part_path(track.files[0].path, part.number), 0)
            if there < wanted:
                gaps.append(
                    Gap(
                        first_frame=part.first_frame + there,
                        frames=wanted - there,
                        cause=GapCause.RESTARTED,
                        channels=(track.channel,),
                    )
                )
    return tuple(gaps)


def _fill(
    folder: Path, tracks: Sequence[Track], parts: Sequence[Part], present: dict[int, dict[str, int]], disk: Disk
) -> None:
    """Make all files of a part equally long. What an earlier part holds beyond its end stands in the next as well."""
    for part in parts:
        assert part.end_frame is not None
        for path in _paths(tracks, part):
            there = present[part.number].get(path)
            if there is not None and there != part.end_frame - part.first_frame:
                repair(folder / path, frames=part.end_frame - part.first_frame, disk=disk)


def _within(gaps: Sequence[Gap], frames: int) -> tuple[Gap, ...]:
    return tuple(
        replace(gap, frames=min(gap.end_frame, frames) - gap.first_frame) for gap in gaps if gap.first_frame < frames
    )


@contextmanager
def _reopened(folder: Path, journal: Journal, disk: Disk) -> Iterator[JournalFile]:
    book = JournalFile.reopen(folder, seq=next_seq(journal.records), disk=disk)
    try:
        yield book
    finally:
        book.close()


def _report(
    folder: Path,
    facts: TakeFacts,
    account: Account,
    journal: Journal,
    *,
    filled: Sequence[Gap],
    problems: tuple[str, ...],
    changed: bool,
) -> Recovery:
    by_channel: dict[int, int] = {}
    for gap in filled:
        by_channel[gap.channels[0]] = by_channel.get(gap.channels[0], 0) + gap.frames
    return Recovery(
        folder=folder,
        name=facts.name,
        frames=facts.frames,
        rate_hz=facts.rate_hz,
        confirmed_frames=min(facts.frames, account.checkpoint_frame),
        filled_frames={t.line: by_channel[t.channel] for t in facts.tracks if t.channel in by_channel},
        gaps=facts.gaps,
        problems=problems,
        changed=changed,
        journal_bad_lines=len(journal.bad_lines),
        other_places=tuple(Path(p) for p in account.destinations if Path(p) != folder),
    )
