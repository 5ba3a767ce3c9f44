"""A source whose every sample is known, shows for it, and the account of a recorded take against it.

Sample (frame, channel) of the signal is a 24-bit number made by mixing both, never zero: so a zero in a take is a
missing sample, and a sample at a wrong place or on a wrong line is seen at once.
"""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from nightreel.capture.model import RecordPlan, RecordRequest
from nightreel.capture.planning import make_plan
from nightreel.capture.sources import SourceSetup, SourceWish
from nightreel.errors import DeviceTrouble
from nightreel.ports.protocols import Block, EndOfFrames
from nightreel.show.files import create_show
from nightreel.show.model import Capacity, Line, Link, LinkKind, Port, SetSong, Show
from nightreel.take import open_take
from nightreel.timeline import Gap, GapCause

FloatArray = NDArray[np.float32]
RATE_HZ = 48_000


def known_samples(first_frame: int, frames: int, channels: int) -> FloatArray:
    """float32 (frames, channels), exact in 24 bits, never zero, never at full scale."""
    frame = np.arange(first_frame, first_frame + frames, dtype=np.uint64)[:, None]
    channel = np.arange(channels, dtype=np.uint64)[None, :]
    mixed = (frame * np.uint64(2_654_435_761) + channel * np.uint64(97_561_537_213)) >> np.uint64(3)
    number = (mixed % np.uint64(2**23 - 2)).astype(np.int64) + 1  # 1 to 2^23 - 2
    sign = np.where((frame + channel) % np.uint64(2) == 0, 1, -1)
    return (sign * number / 2**23).astype(np.float32)


class KnownSource:
    """A FrameSource of :func:`known_samples`.

    speed : multiple of real time, None does not wait
    frames : after which it ends; None never
    gaps : lost on the way, as a device or a network loses them
    fail_at : frames at which it raises DeviceTrouble once (a server killed)
    """

    def __init__(
        self,
        *,
        channels: int,
        rate_hz: int = RATE_HZ,
        frames: int | None = None,
        speed: float | None = None,
        block_frames: int = 480,
        gaps: Sequence[Gap] = (),
        fail_at: int | None = None,
    ) -> None:
        self.rate_hz = rate_hz
        self.channels = channels
        self.clock = "known samples"
        self._frames = frames
        self._speed = speed
        self._block_frames = block_frames
        self._gaps = gaps
        self._fail_at = fail_at
        self.position = 0
        self._began_s = 0.0

    def start(self) -> None:
        self._began_s = time.monotonic()

    def read(self, *, timeout_s: float) -> Block | None:
        wanted = self._block_frames
        if self._frames is not None:
            wanted = min(wanted, self._frames - self.position)
            if wanted <= 0:
                raise EndOfFrames
        if self._fail_at is not None and self.position >= self._fail_at:
            raise DeviceTrouble("the server has left")
        if self._speed is not None:
            due_s = self._began_s + (self.position + wanted) / (self.rate_hz * self._speed)
            left_s = due_s - time.monotonic()
            if left_s > timeout_s:
                time.sleep(timeout_s)
                return None
            time.sleep(max(0.0, left_s))
        samples = known_samples(self.position, wanted, self.channels)
        inside = []
        for gap in self._gaps:
            first, end = max(gap.first_frame, self.position), min(gap.end_frame, self.position + wanted)
            if first < end:
                columns = list(gap.channels) if gap.channels else slice(None)
                samples[first - self.position : end - self.position, columns] = 0.0
                inside.append(Gap(first_frame=first, frames=end - first, cause=gap.cause, channels=gap.channels))
        block = Block(first_frame=self.position, samples=samples, gaps=tuple(inside))
        self.position += wanted
        return block

    def stop(self) -> None:
        pass


def make_source(wish: SourceWish) -> SourceSetup:
    """For ``python:tests.recording:make_source:JSON`` in another process; see :func:`source_spec`."""
    settings = json.loads(wish.text or "{}")
    gaps = tuple(
        Gap(first_frame=g[0], frames=g[1], cause=GapCause.NETWORK_LOSS, channels=tuple(g[2:]))
        for g in settings.pop("gaps", [])
    )
    channels = settings.pop("channels", wish.channels)

    def open_known() -> KnownSource:
        return KnownSource(channels=channels, rate_hz=wish.rate_hz, gaps=gaps, **settings)

    return SourceSetup(open=open_known, waits=settings.get("speed") is None)


def source_spec(**settings: object) -> str:
    return f"python:tests.recording:make_source:{json.dumps(settings)}"


def make_show(folder: Path, *, lines: int = 4, songs: Sequence[str] = ("Tin Boats", "Low Water", "Cordage")) -> Show:
    """A show with its sends patched one to one."""
    return create_show(
        folder,
        name="Saltmarsh Lanterns, Harbour Arts",
        rate_hz=RATE_HZ,
        lines=[Line(number=n, name=f"Line {n}", send=Port(link="desk", number=n)) for n in range(1, lines + 1)],
        links=[Link(name="desk", kind=LinkKind.USB, capacity={RATE_HZ: Capacity(sends=lines, returns=lines)})],
        set_list=[SetSong(title=title) for title in songs],
    )


def plan_for(folder: Path, *, lines: int = 4, **wishes: object) -> RecordPlan:
    """A plan over a new show in ``folder``/show."""
    show_folder = folder / "show"
    if not show_folder.exists():
        make_show(show_folder, lines=lines)
    values: dict[str, object] = {"show": str(show_folder), "source": "python:none", "reserve_bytes": 0, **wishes}
    return make_plan(RecordRequest.from_dict(values))


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """The account of every sample of a take, line by line summed up.

    exact : equal to what was played at their place
    in_gaps : listed as missing
    unaccounted : neither
    """

    samples: int
    exact: int
    in_gaps: int
    unaccounted: int
    frames: int


def count_samples(take_folder: Path, *, first_frame: int = 0) -> Counted:
    """Compare a take with the known signal, which its frame 0 begins at ``first_frame`` of; every file is opened with
    libsndfile first, and all files of a part must be of one length."""
    lengths: dict[str, set[int]] = {}
    for path in sorted((take_folder / "tracks").iterdir()):
        part = path.stem.rpartition(" part ")[2] if " part " in path.stem else "1"
        lengths.setdefault(part, set()).add(soundfile.info(path).frames)
    assert all(len(found) == 1 for found in lengths.values()), f"lines of unequal length: {lengths}"
    exact = in_gaps = unaccounted = 0
    with open_take(take_folder) as take:
        assert not take.missing, take.missing
        tracks = take.facts.tracks
        channels = max(t.channel for t in tracks) + 1
        step = 1 << 16
        for first in range(0, take.frames, step):
            frames = min(step, take.frames - first)
            got = take.read([t.line for t in tracks], first, frames)
            sent = known_samples(first_frame + first, frames, channels)[:, [t.channel for t in tracks]]
            listed = np.zeros(got.shape, dtype=bool)
            for place, track in enumerate(tracks):
                for gap in take.facts.gaps_of(track):
                    listed[max(0, gap.first_frame - first) : max(0, gap.end_frame - first), place] = True
            right = got == sent
            in_gaps += int(np.count_nonzero(listed))
            exact += int(np.count_nonzero(right & ~listed))
            unaccounted += int(np.count_nonzero(~right & ~listed))
            assert not got[listed].any(), "a listed gap holds samples"
        return Counted(
            samples=take.frames * len(tracks),
            exact=exact,
            in_gaps=in_gaps,
            unaccounted=unaccounted,
            frames=take.frames,
        )
