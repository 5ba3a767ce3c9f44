"""WAVE files as source and sink: a set of mono or multichannel files read as one, or written from one stream.

A file source waits for its reader and loses nothing. Files may be of unequal length: where one has ended (or has lost
its end in a crash) the others go on, and its channels stand in a gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

import numpy as np

from nightreel.errors import AlreadyThere, ArgumentInvalid, AudioFileInvalid
from nightreel.ports.protocols import Block, EndOfFrames, FloatArray
from nightreel.timeline import Gap, GapCause
from nightreel.units import Encoding, format_rate
from nightreel.wave import WaveFormat, WaveReader, WaveWriter

BLOCK_FRAMES = 4800


class FileSource:
    """A FrameSource over WAVE files: the channels of the first, then those of the second, and so on.

    Opened at once, so that a broken file is known before anything starts: raises AudioFileInvalid (also for files of
    different rates), DiskTrouble, ArgumentInvalid without any file.
    """

    def __init__(self, paths: Sequence[Path], *, block_frames: int = BLOCK_FRAMES) -> None:
        if not paths:
            raise ArgumentInvalid("there is no sound file to read", now="Name WAVE files or a folder that has some")
        self._block_frames = block_frames
        self._position = 0
        self._files = ExitStack()
        try:
            self._readers = [self._files.enter_context(WaveReader(path)) for path in paths]
            self._rate_hz = _agreed_rate_hz(self._readers)
        except BaseException:
            self._files.close()
            raise
        self._frames = max(reader.frames_present for reader in self._readers)

    @classmethod
    def of_folder(cls, folder: Path, *, block_frames: int = BLOCK_FRAMES) -> FileSource:
        """Every ``.wav`` of a folder in the order of their names; ArgumentInvalid when there is none."""
        paths = sorted(path for path in folder.glob("*") if path.suffix.lower() == ".wav")
        if not paths:
            raise ArgumentInvalid("there is no WAVE file in it", where=str(folder), now="Name a folder that has some")
        return cls(paths, block_frames=block_frames)

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def channels(self) -> int:
        return sum(reader.format.channels for reader in self._readers)

    @property
    def frames(self) -> int:
        """Of the longest file."""
        return self._frames

    @property
    def clock(self) -> str:
        return "files"

    def start(self) -> None:
        pass

    def read(self, *, timeout_s: float) -> Block | None:
        first = self._position
        wanted = min(self._block_frames, self._frames - first)
        if wanted <= 0:
            raise EndOfFrames
        samples: FloatArray = np.zeros((wanted, self.channels), dtype=np.float32)
        gaps = []
        channel = 0
        for reader in self._readers:
            end_channel = channel + reader.format.channels
            there = max(0, min(wanted, reader.frames_present - first))
            if there:
                samples[:there, channel:end_channel] = reader.read(first, there)
            if there < wanted:
                gaps.append(
                    Gap(
                        first_frame=first + there,
                        frames=wanted - there,
                        cause=GapCause.UNKNOWN,
                        channels=tuple(range(channel, end_channel)),
                    )
                )
            channel = end_channel
        self._position += wanted
        return Block(first_frame=first, samples=samples, gaps=tuple(gaps))

    def stop(self) -> None:
        self._files.close()


class FileSink:
    """A FrameSink into new WAVE files: one multichannel file, or a mono file per channel.

    paths : one, or as many as there are channels; none may exist yet

    Raises ArgumentInvalid for another number of paths, on start AlreadyThere and DiskTrouble.
    """

    def __init__(
        self, paths: Sequence[Path], *, rate_hz: int, channels: int, encoding: Encoding = Encoding.PCM24
    ) -> None:
        if len(paths) not in (1, channels):
            raise ArgumentInvalid(f"{channels} channels need 1 file or {channels}, not {len(paths)}")
        self._paths = tuple(paths)
        self._rate_hz = rate_hz
        self._channels = channels
        self._encoding = encoding
        self._writers: list[WaveWriter] = []

    @property
    def rate_hz(self) -> int:
        return self._rate_hz

    @property
    def channels(self) -> int:
        return self._channels

    @property
    def underruns(self) -> int:
        return 0

    def start(self) -> None:
        each = self._channels // len(self._paths)
        form = WaveFormat(rate_hz=self._rate_hz, channels=each, encoding=self._encoding)
        for path in self._paths:  # before any is created
            if path.exists():
                raise AlreadyThere("there is a file already", where=str(path), now="Choose another folder or name")
        self._writers = []
        for path in self._paths:
            self._writers.append(WaveWriter.create(path, form))

    def write(self, samples: FloatArray) -> None:
        if samples.ndim != 2 or samples.shape[1] != self._channels:
            raise ArgumentInvalid(f"what is written needs shape (frames, {self._channels}), got {samples.shape}")
        each = self._channels // len(self._paths)
        for place, writer in enumerate(self._writers):
            writer.write(np.ascontiguousarray(samples[:, place * each : (place + 1) * each]))

    def flush(self) -> None:
        for writer in self._writers:
            writer.checkpoint()

    def stop(self) -> None:
        for writer in self._writers:
            writer.close()


def _agreed_rate_hz(readers: Sequence[WaveReader]) -> int:
    first = readers[0]
    for reader in readers[1:]:
        if reader.format.rate_hz != first.format.rate_hz:
            raise AudioFileInvalid(
                f"it runs at {format_rate(reader.format.rate_hz)}, '{first.path.name}' at "
                f"{format_rate(first.format.rate_hz)}",
                where=str(reader.path),
                now="Files that are read together need one rate",
            )
    return first.format.rate_hz
