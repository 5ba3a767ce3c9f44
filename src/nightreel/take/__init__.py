"""A recorded take as a document: facts, journal, tracks, marks, gaps, measured history; opened by every room."""

from nightreel.take.account import Account, compute_account, subtract
from nightreel.take.facts import FACTS_NAME, load_facts, write_facts
from nightreel.take.find import TAKES_FOLDER, ListedTake, find_take, list_takes, new_take_name
from nightreel.take.foreign import open_folder
from nightreel.take.journal import JOURNAL_NAME, Journal, Record, RecordKind, parse_journal
from nightreel.take.journal_file import JournalFile, read_journal
from nightreel.take.model import Alert, TakeFacts, TakeState, Track, TrackFile
from nightreel.take.opened import METERS_PATH, MissingPart, Take, open_take

__all__ = [
    "FACTS_NAME",
    "JOURNAL_NAME",
    "METERS_PATH",
    "TAKES_FOLDER",
    "Account",
    "Alert",
    "Journal",
    "JournalFile",
    "ListedTake",
    "MissingPart",
    "Record",
    "RecordKind",
    "Take",
    "TakeFacts",
    "TakeState",
    "Track",
    "TrackFile",
    "compute_account",
    "find_take",
    "list_takes",
    "load_facts",
    "new_take_name",
    "open_folder",
    "open_take",
    "parse_journal",
    "read_journal",
    "subtract",
    "write_facts",
]
