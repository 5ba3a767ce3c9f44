"""What a destination is told, and what it tells. Values, save for the event that says when a record is safe."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightreel.capture.model import DestinationState
from nightreel.take.journal import RecordKind
from nightreel.timeline import Gap, Mark


@dataclass(frozen=True, slots=True, kw_only=True)
class DestinationStatus:
    """A snapshot for people. ``free_bytes`` None where it could not be asked."""

    name: str
    folder: Path
    state: DestinationState
    trouble: str
    behind_s: float
    free_bytes: int | None
    seconds_left: float | None
    checkpoint_frame: int
    checkpoint_age_s: float
    slowest_sync_s: float
    written_frames: int
    hole_frames: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """What a destination needs to close its take."""

    end_frame: int
    reason: str
    marks: tuple[Mark, ...]
    source_gaps: tuple[Gap, ...]
    meters: bytes = b""
    source_report: str = ""


class Posted:
    """A journal record on its way; ``durable`` is set when it is safe at this destination."""

    def __init__(self, kind: RecordKind, frame: int, data: Mapping[str, Any]) -> None:
        self.kind = kind
        self.frame = frame
        self.data = data
        self.durable = threading.Event()
