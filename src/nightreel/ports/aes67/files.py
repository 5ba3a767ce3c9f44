"""Session descriptions in files: a folder of ``*.sdp`` is a set of flows in the order of their names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from nightreel.errors import NetworkTrouble
from nightreel.ports.aes67.sdp import StreamDescription, parse

MOST_BYTES = 65_536


def load_streams(path: Path) -> tuple[StreamDescription, ...]:
    """The streams of one SDP file, or of every one in a folder, sorted by name (2 before 10).

    Raises NetworkTrouble naming file, line and remedy.
    """
    files = sorted(path.glob("*.sdp"), key=natural_order) if path.is_dir() else [path]
    if not files:
        raise NetworkTrouble("no .sdp file is in this folder", where=str(path), now="Put one file a flow there")
    return tuple(_load(file) for file in files)


def natural_order(path: Path) -> list[tuple[int, str]]:
    """Sorts 'desk 2' before 'desk 10': the order of the flows is the order of the channels."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"([0-9]+)", path.name) if part]


def find_descriptions(text: str, *, beside: Path) -> Path:
    """A file or folder as somebody typed it: from where the command was given, else from the show's folder."""
    here = Path(text).absolute()
    return here if here.exists() else beside / text


def _load(file: Path) -> StreamDescription:
    try:
        data = file.read_bytes()[: MOST_BYTES + 1]
    except OSError as error:
        raise NetworkTrouble(f"cannot be read: {error.strerror}", where=str(file), now="Check the path") from error
    if len(data) > MOST_BYTES:
        raise NetworkTrouble("is too long for a session description", where=str(file))
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise NetworkTrouble("is not text in UTF-8", where=str(file)) from error
    return parse(text, where=str(file))


def require_channels(streams: Sequence[StreamDescription], *, channels: int, rate_hz: int) -> None:
    """Raises NetworkTrouble where the flows carry too few channels or run at another rate than the show."""
    carried = sum(stream.channels for stream in streams)
    if carried < channels:
        raise NetworkTrouble(
            f"the flows carry {carried} channels, the show's patch needs {channels}",
            now="Add the missing flow's SDP file, or change the patch",
        )
    wrong = next((stream for stream in streams if stream.rate_hz != rate_hz), None)
    if wrong is not None:
        raise NetworkTrouble(
            f"'{wrong.name}' runs at {wrong.rate_hz} Hz, the show at {rate_hz} Hz",
            now="Set the show's rate to the desk's",
        )
