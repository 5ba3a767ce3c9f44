"""A small take of the Saltmarsh Lanterns on disk: six lines, two songs, a gap, and sounds that differ."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from nightreel.show.model import Role
from nightreel.take import TakeFacts, TakeState, Track, TrackFile, write_facts
from nightreel.timeline import Gap, GapCause, Mark
from nightreel.units import Encoding
from nightreel.wave import WaveFormat, WaveWriter

FRAMES = 96_001
LINES = (
    (1, "Kick In", Role.MIC, None),
    (2, "Gitarre Süd", Role.MIC, None),
    (5, "Keys L", Role.DIRECT, 6),
    (6, "Keys R", Role.DIRECT, 5),
    (9, "Click/Count", Role.CLICK, None),
    (12, "Ambience", Role.AMBIENCE, None),
)
MARKS = (
    Mark(frame=1_000, name="Late Ferry", song=1),
    Mark(frame=30_001, name="applause"),
    Mark(frame=40_000, name="Salt: and <Light>?", song=2),
)


def facts_of(**changes: object) -> TakeFacts:
    """The account alone, for planning without files."""
    encoding = changes.get("encoding", Encoding.PCM24)
    assert isinstance(encoding, Encoding)
    values: dict[str, object] = {
        "name": "2026-11-28-evening-1",
        "show": "Saltmarsh Lanterns, Harbour Arts",
        "rate_hz": 48_000,
        "encoding": encoding,
        "started_at": datetime(2026, 11, 28, 20, 15, tzinfo=timezone(timedelta(hours=1))),
        "frames": FRAMES,
        "tracks": tuple(
            Track(
                line=line,
                name=name,
                role=role,
                channel=channel,
                partner=partner,
                files=(TrackFile(path=f"tracks/{line:02}.wav", first_frame=0, frames=FRAMES),),
            )
            for channel, (line, name, role, partner) in enumerate(LINES)
        ),
        "state": TakeState.CLOSED,
        "gaps": (Gap(first_frame=50_000, frames=480, cause=GapCause.NETWORK_LOSS),),
        "marks": MARKS,
        "time_reference_frames": 72_900 * 48_000,
    }
    return TakeFacts(**{**values, **changes})  # type: ignore[arg-type]


def sound_of(line: int) -> np.ndarray:
    """Noise and a tone, the same for a line at every call; float32 (frames, 1)."""
    random = np.random.default_rng(line)
    level = 0.02 * line
    tone = level * np.sin(2 * np.pi * 100 * line * np.arange(FRAMES) / 48_000)
    return (tone + random.uniform(-level, level, FRAMES)).astype(np.float32)[:, None]


def make_show(folder: Path, **changes: object) -> Path:
    """A show folder with the take in it (the show's own documents are not needed here)."""
    facts = facts_of(**changes)
    take = folder / "takes" / facts.name
    (take / "tracks").mkdir(parents=True)
    (folder / "show.toml").write_text("")
    for track in facts.tracks:
        fmt = WaveFormat(rate_hz=facts.rate_hz, channels=1, encoding=facts.encoding)
        with WaveWriter.create(take / track.files[0].path, fmt) as writer:
            writer.write(sound_of(track.line))
    write_facts(take, facts)
    return folder
