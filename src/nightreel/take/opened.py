"""A take opened for reading by line: memory-mapped, over segments, with what is missing named and read as zeros."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import ArgumentInvalid, NightreelError, TakeDamaged
from nightreel.take.account import compute_account, subtract
from nightreel.take.facts import load_facts
from nightreel.take.journal_file import read_journal
from nightreel.take.model import Alert, TakeFacts, TakeState, TrackFile
from nightreel.timeline import Span
from nightreel.wave import WaveReader

if TYPE_CHECKING:
    from nightreel.signal.meters import LineMeters

FloatArray = NDArray[np.float32]
METERS_PATH = "measured/meters.bin"


class FileReader(Protocol):
    """One sound file, read at any place by any thread."""

    @property
    def rate_hz(self) -> int: ...

    @property
    def channels(self) -> int: ...

    @property
    def frames(self) -> int:
        """Frames that are really there."""
        ...

    def read(self, first_frame: int, frames: int) -> FloatArray:
        """(frames, channels) float32."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingPart:
    """Frames of a line that ``take.json`` promises and the files do not hold; they read as zeros."""

    line: int
    path: str
    span: Span
    why: str


class WaveFileReader:
    """A WAVE file through our own memory-mapped reader."""

    def __init__(self, path: Path) -> None:
        self._reader = WaveReader(path)

    @property
    def wave(self) -> WaveReader:
        return self._reader

    @property
    def rate_hz(self) -> int:
        return self._reader.format.rate_hz

    @property
    def channels(self) -> int:
        return self._reader.format.channels

    @property
    def frames(self) -> int:
        return self._reader.frames_present

    def read(self, first_frame: int, frames: int) -> FloatArray:
        return self._reader.read(first_frame, frames)

    def close(self) -> None:
        self._reader.close()


class Take:
    """A take open for reading; a context manager. Reading is thread-safe."""

    def __init__(
        self,
        folder: Path,
        facts: TakeFacts,
        *,
        open_file: Callable[[Path], FileReader] = WaveFileReader,
        alerts: tuple[Alert, ...] = (),
    ) -> None:
        self.folder = folder
        self.facts = facts
        self.alerts = alerts
        self._stack = ExitStack()
        self._readers: dict[str, FileReader] = {}
        self._missing: list[MissingPart] = []
        with ExitStack() as undo:
            undo.callback(self.close)
            self._open_files(open_file)
            undo.pop_all()

    def _open_files(self, open_file: Callable[[Path], FileReader]) -> None:
        for track in self.facts.tracks:
            for part in track.files:
                unreadable = self._open_one(part, open_file)
                why = unreadable or "the file is shorter than its account"
                present = 0 if unreadable else min(part.frames, self._readers[part.path].frames)
                if present < part.frames:
                    span = Span(first_frame=part.first_frame + present, frames=part.frames - present)
                    self._missing.append(
                        MissingPart(
                            line=track.line,
                            path=part.path,
                            span=span,
                            why=why or "the file is shorter than its account",
                        )
                    )
            held = [Span(first_frame=part.first_frame, frames=part.frames) for part in track.files]
            listed = [gap.span for gap in self.facts.gaps_of(track)]
            for span in subtract([self.facts.span], [*held, *listed]):
                self._missing.append(MissingPart(line=track.line, path="", span=span, why="no file for it"))

    def _open_one(self, part: TrackFile, open_file: Callable[[Path], FileReader]) -> str:
        """Open a file once, whatever number of tracks share it; the reason where it cannot be read."""
        if part.path not in self._readers:
            try:
                reader = open_file(self.folder / part.path)
            except NightreelError as error:
                return error.what
            except OSError as error:
                return error.strerror or str(error)
            self._stack.callback(reader.close)
            self._readers[part.path] = reader
        reader = self._readers[part.path]
        if reader.rate_hz != self.facts.rate_hz:
            return f"the file has {reader.rate_hz} Hz, the take {self.facts.rate_hz} Hz"
        if part.channel >= reader.channels:
            return f"the file has {reader.channels} channels, channel {part.channel + 1} was asked for"
        return ""

    @property
    def frames(self) -> int:
        return self.facts.frames

    @property
    def rate_hz(self) -> int:
        return self.facts.rate_hz

    @property
    def lines(self) -> tuple[int, ...]:
        """Line numbers in track order."""
        return tuple(track.line for track in self.facts.tracks)

    @property
    def missing(self) -> tuple[MissingPart, ...]:
        """What the files do not hold although the account says so."""
        return tuple(self._missing)

    def read(self, lines: Sequence[int], first_frame: int, frames: int) -> FloatArray:
        """Samples of some lines.

        lines : line numbers, in the order of the columns wanted
        first_frame, frames : a span of the take; what lies outside the take, and what is missing, reads as zeros

        Returns float32 (frames, len(lines)). Raises ArgumentInvalid for a line the take does not have.
        """
        out = np.zeros((max(0, frames), len(lines)), dtype=np.float32)
        shared: dict[tuple[str, int, int], FloatArray] = {}
        for column, line in enumerate(lines):
            track = self.facts.track(line)
            if track is None:
                raise ArgumentInvalid(f"the take has no line {line}", where=self.facts.name)
            for part in track.files:
                self._read_part(part, out[:, column], first_frame, shared)
        return out

    def _read_part(
        self, part: TrackFile, out: FloatArray, first_frame: int, shared: dict[tuple[str, int, int], FloatArray]
    ) -> None:
        reader = self._readers.get(part.path)
        if reader is None or reader.rate_hz != self.facts.rate_hz or part.channel >= reader.channels:
            return
        first = max(first_frame, part.first_frame)
        end = min(first_frame + out.shape[0], part.first_frame + min(part.frames, reader.frames))
        if end <= first:
            return
        key = (part.path, first, end)
        block = shared.get(key)
        if block is None:
            block = reader.read(first - part.first_frame, end - first)
            if reader.channels > 1:
                shared[key] = block  # other lines of this call may want its other channels
        out[first - first_frame : end - first_frame, ...] = block[:, part.channel]

    def measured(self) -> LineMeters | None:
        """What the watch measured while recording, one channel a track in track order; None where there is nothing.

        Raises TakeDamaged where the file is there and cannot be understood.
        """
        from nightreel.signal.meters import LineMeters  # compiles kernels: only where somebody asks for them

        path = self.folder / METERS_PATH
        if not path.is_file():
            return None
        try:
            return LineMeters.from_bytes(path.read_bytes())
        except (OSError, ValueError, NightreelError) as error:
            raise TakeDamaged(
                "the measurements saved with the take cannot be read", where=str(path), now="Measure the take again"
            ) from error

    def close(self) -> None:
        self._stack.close()

    def __enter__(self) -> Take:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_take(folder: Path) -> Take:
    """Open a take folder. A running one is opened as far as its last checkpoint.

    Raises TakeMissing where there is no take, TakeDamaged where its account cannot be trusted.
    """
    folder = Path(folder)
    facts = load_facts(folder)
    account = compute_account(read_journal(folder))
    if facts.state is TakeState.RECORDING and account.facts is not None:
        facts = replace(account.facts, state=TakeState.RECORDING)
    return Take(folder, facts, alerts=account.alerts)
