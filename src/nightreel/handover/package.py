"""A package under construction at one destination: begun, resumed after an interruption, completed, never overwritten.

It grows in ``<name>.part``; ``progress.jsonl`` in it holds the plan's fingerprint and one line a finished file, each
durable before the next file begins. When every byte has been read back the folder takes its final name.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path
from typing import Any

from nightreel.disk import AppendFile, Digests, Disk, make_folder_new, write_new_text
from nightreel.errors import AlreadyThere, DiskTrouble
from nightreel.handover.bag import check_bag

PROGRESS_NAME = "progress.jsonl"
PART_SUFFIX = ".part"
FINGERPRINT_FIELD = "External-Identifier"


class State(Enum):
    ABSENT = auto()
    UNFINISHED = auto()
    COMPLETE = auto()


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A file that a former run finished."""

    digests: Digests
    clipped: int


class Package:
    """``folder`` is where it will stand, ``work`` where it grows."""

    def __init__(self, destination: Path, name: str, fingerprint: str, *, disk: Disk) -> None:
        self.folder = destination / name
        self.work = destination / (name + PART_SUFFIX)
        self._fingerprint = fingerprint
        self._disk = disk
        self._log: AppendFile | None = None
        self.done: dict[str, Done] = {}

    def find_state(self) -> State:
        """Raises AlreadyThere when something else than this very handover stands there."""
        if self.folder.exists() or self.folder.is_symlink():
            if self._stated_fingerprint() != self._fingerprint:
                raise AlreadyThere(
                    "something of this name exists already", where=str(self.folder), now="Choose another name (--name)"
                )
            return State.COMPLETE
        if not self.work.exists():
            return State.ABSENT
        lines = self._read_progress()
        if not lines and {path.name for path in self.work.iterdir()} <= {PROGRESS_NAME}:
            return State.UNFINISHED  # interrupted before its first word
        if not lines or lines[0].get("plan") != self._fingerprint:
            raise AlreadyThere(
                "an unfinished handover of something else stands there",
                where=str(self.work),
                now="Finish it as it was begun, or remove it, or choose another name (--name)",
            )
        return State.UNFINISHED

    def begin(self) -> int:
        """Make the folder, or go on where a former run was interrupted; returns the files that are done already."""
        if self.find_state() is State.ABSENT:
            make_folder_new(self.work, disk=self._disk)
        lines = self._read_progress()
        for line in lines[1:]:
            self._recall(line)
        path = self.work / PROGRESS_NAME
        self._log = AppendFile(path, new=not path.exists(), disk=self._disk)
        if lines:
            self._log.append(b"\n")  # ends a line that may be torn
        else:
            self._note({"plan": self._fingerprint})
        return len(self.done)

    def place_for(self, path: str) -> Path:
        """Where a file goes; its folders are made, and a half-made file of a former run is cleared away."""
        place = self.work / path
        missing = []
        folder = place.parent
        while not folder.exists():
            missing.append(folder)
            folder = folder.parent
        for folder in reversed(missing):
            make_folder_new(folder, disk=self._disk)
        if path not in self.done:
            self._disk.remove(place)
        return place

    def finish_file(self, path: str, digests: Digests, clipped: int = 0) -> None:
        """Note that a file is whole and durable."""
        self.done[path] = Done(digests=digests, clipped=clipped)
        fields = {"sha256": digests.sha256, "sha512": digests.sha512, "size_bytes": digests.size_bytes}
        self._note({"path": path, **fields, "clipped": clipped})

    def write_text(self, path: str, text: str) -> None:
        write_new_text(self.place_for(path), text, disk=self._disk)

    def complete(self, *, moved: Callable[[int], None] | None = None) -> int:
        """Read everything back, then give the package its name; returns its payload bytes.

        Raises DiskTrouble that names the wrong files; they will be made anew by the next run.
        """
        check = check_bag(self.work, moved=moved)
        if check.problems:
            for problem in check.problems:
                self._note({"wrong": problem.partition(": ")[0]})
            more = f" (and {len(check.problems) - 1} more)" if len(check.problems) > 1 else ""
            raise DiskTrouble(
                f"reading back found a fault: {check.problems[0]}{more}",
                where=str(self.work),
                now="Do not trust this disk. Run the same handover again to make the file anew, or use another disk",
            )
        self.close()
        if self.folder.exists():
            raise AlreadyThere(
                "something of this name exists already", where=str(self.folder), now="Choose another name"
            )
        self._disk.replace(self.work, self.folder)
        self._disk.sync_folder(self.folder.parent)
        self._disk.remove(self.folder / PROGRESS_NAME)
        return check.size_bytes

    def require_whole(self, *, moved: Callable[[int], None] | None = None) -> None:
        """Read a package that an earlier run completed; raises DiskTrouble that names the first wrong file."""
        self._disk.remove(self.folder / PROGRESS_NAME)  # left where a run ended between its last two steps
        check = check_bag(self.folder, moved=moved)
        if check.problems:
            raise DiskTrouble(
                f"it was complete once and is not any more: {check.problems[0]}",
                where=str(self.folder),
                now="Do not trust this disk. Choose another one, or another name (--name)",
            )

    def close(self) -> None:
        if self._log is not None:
            self._log.close()
            self._log = None

    def _note(self, line: dict[str, Any]) -> None:
        assert self._log is not None
        self._log.append(json.dumps(line, ensure_ascii=False).encode() + b"\n")
        self._log.sync()

    def _read_progress(self) -> list[dict[str, Any]]:
        """Whole lines; a torn one at the end is passed over."""
        try:
            text = (self.work / PROGRESS_NAME).read_text(encoding="utf-8", errors="replace")
        except OSError:
            return []
        lines = []
        for line in text.split("\n"):
            try:
                fields = json.loads(line)
            except ValueError:
                continue
            if isinstance(fields, dict):
                lines.append(fields)
        return lines

    def _recall(self, line: dict[str, Any]) -> None:
        """Believe a line only if the file has the size it says; its bytes are read back at the end anyway."""
        if "wrong" in line:
            self.done.pop(str(line["wrong"]), None)
            return
        try:
            path = str(line["path"])
            digests = Digests(
                sha256=str(line["sha256"]), sha512=str(line["sha512"]), size_bytes=int(line["size_bytes"])
            )
            if (self.work / path).stat().st_size == digests.size_bytes:
                self.done[path] = Done(digests=digests, clipped=int(line.get("clipped", 0)))
        except (KeyError, TypeError, ValueError, OSError):
            return

    def _stated_fingerprint(self) -> str:
        try:
            text = (self.folder / "bag-info.txt").read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return ""
        fields = dict(line.partition(": ")[::2] for line in text.split("\n"))
        return fields.get(FINGERPRINT_FIELD, "")
