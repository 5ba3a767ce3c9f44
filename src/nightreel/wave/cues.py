"""Cue points with their labels, notes and lengths: the ``cue `` and ``LIST adtl`` chunks (RIFF 1991).

Position and sample offset both hold the frame index, as is common practice for one PCM data chunk.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from nightreel.wave.chunks import chunk_bytes

LAST_FRAME = 0xFFFFFFFF  # the field has 32 bits: 24.8 h at 48 kHz
_UTF8_CODE_PAGE = 65001
MOST_CUES = 100_000


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Cue:
    """A named place in a file; ``frames`` above 0 makes it a region."""

    frame: int
    label: str = ""
    note: str = ""
    frames: int = 0


def serialise_cues(cues: Sequence[Cue]) -> bytes:
    """Both chunks, whole, in frame order; b"" without cues. Cues beyond 32 bits cannot be told and are left out."""
    placed = [cue for cue in sorted(cues) if 0 <= cue.frame <= LAST_FRAME]
    if not placed:
        return b""
    points = struct.pack("<I", len(placed))
    texts = b"adtl"
    for number, cue in enumerate(placed, 1):
        points += struct.pack("<II4sIII", number, cue.frame, b"data", 0, 0, cue.frame)
        head = struct.pack("<I", number)
        if cue.label:
            texts += chunk_bytes("labl", head + _text_bytes(cue.label))
        if cue.note:
            texts += chunk_bytes("note", head + _text_bytes(cue.note))
        if cue.frames:
            length = min(cue.frames, LAST_FRAME)
            texts += chunk_bytes("ltxt", head + struct.pack("<I4sHHHH", length, b"rgn ", 0, 0, 0, _UTF8_CODE_PAGE))
    return chunk_bytes("cue ", points) + (chunk_bytes("LIST", texts) if len(texts) > 4 else b"")


def parse_cues(cue_data: bytes, adtl_data: bytes) -> tuple[Cue, ...]:
    """Cues in frame order from the data of both chunks; what is cut short is left out, nothing is raised.

    ``adtl_data`` is the data of the LIST chunk, b"" when there is none.
    """
    if len(cue_data) < 4:
        return ()
    (count,) = struct.unpack_from("<I", cue_data)
    count = min(count, (len(cue_data) - 4) // 24, MOST_CUES)
    frames: dict[int, int] = {}
    for at in range(4, 4 + 24 * count, 24):
        name, position, _, _, _, sample_offset = struct.unpack_from("<II4sIII", cue_data, at)
        frames.setdefault(name, sample_offset or position)
    labels, notes, lengths = _parse_adtl(adtl_data)
    return tuple(
        sorted(
            Cue(frame=frame, label=labels.get(name, ""), note=notes.get(name, ""), frames=lengths.get(name, 0))
            for name, frame in frames.items()
        )
    )


def _parse_adtl(data: bytes) -> tuple[dict[int, str], dict[int, str], dict[int, int]]:
    labels: dict[int, str] = {}
    notes: dict[int, str] = {}
    lengths: dict[int, int] = {}
    at = 4
    while data[:4] == b"adtl" and at + 12 <= len(data):
        name, size, cue = struct.unpack_from("<4sII", data, at)
        body = data[at + 12 : at + 8 + size]
        if name == b"labl":
            labels.setdefault(cue, _text(body))
        elif name == b"note":
            notes.setdefault(cue, _text(body))
        elif name == b"ltxt" and len(body) >= 4:
            lengths.setdefault(cue, struct.unpack_from("<I", body)[0])
        at += 8 + size + size % 2
    return labels, notes, lengths


def _text_bytes(text: str) -> bytes:
    return text.replace("\0", " ").encode(errors="replace") + b"\0"


def _text(body: bytes) -> str:
    raw = body.split(b"\0")[0]
    try:
        return raw.decode()
    except UnicodeDecodeError:
        return raw.decode("cp1252", "replace")
