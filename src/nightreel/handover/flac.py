"""FLAC through libsndfile into files of ours, in blocks of integers (its float path is not exact)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from nightreel.disk import Disk, OpenFile
from nightreel.errors import NightreelError, ProofFailed
from nightreel.handover.metadata import label_of
from nightreel.handover.model import Plan, PlannedFile
from nightreel.handover.samples import FloatArray, PackedTrack, packed_blocks
from nightreel.take import Take
from nightreel.units import Encoding
from nightreel.wave import pack_counted

_SUBTYPES = {Encoding.PCM16: "PCM_16", Encoding.PCM24: "PCM_24"}


class FlacWriter:
    """A context manager, as WaveWriter is; ``clipped`` counts samples beyond full scale."""

    def __init__(self, take: Take, plan: Plan, file: PlannedFile, path: Path, channels: int, disk: Disk) -> None:
        import soundfile

        self.clipped = 0
        self._encoding = plan.encoding
        self._disk = disk
        self._file = disk.create(path)
        self._stream = _Stream(self._file)
        self._out = soundfile.SoundFile(
            self._stream, "w", plan.rate_hz, channels, subtype=_SUBTYPES[plan.encoding], format="FLAC"
        )
        self._out.title = f"{file.part.title}: {label_of(take, file)}"
        self._out.album = take.facts.show
        self._out.date = f"{take.facts.started_at:%Y-%m-%d}"
        self._out.comment = f"{take.facts.name}, from frame {file.part.span.first_frame} of the take"

    def write(self, block: FloatArray) -> None:
        packed, clipped = pack_counted(block, self._encoding)
        self.clipped += clipped
        size = self._encoding.sample_bytes
        integers = np.zeros((block.size, 4), np.uint8)
        integers[:, 4 - size :] = packed.reshape(-1, size)
        self._guard(lambda: self._out.write(integers.view("<i4").reshape(block.shape)))

    def __enter__(self) -> FlacWriter:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._guard(self._out.close)
            self._file.sync()
        finally:
            self._file.close()
        self._disk.sync_folder(self._file.path.parent)

    def _guard(self, act: Callable[[], object]) -> None:
        """libsndfile only hears that a write came out short: the reason is kept by the stream."""
        try:
            act()
        except (RuntimeError, AssertionError):
            if self._stream.trouble is None:
                raise
        if self._stream.trouble is not None:
            raise self._stream.trouble


class _Stream:
    """The few calls that libsndfile makes on a file, over one of ours, so that faults can be put in between."""

    def __init__(self, file: OpenFile) -> None:
        self._file = file
        self._at = 0
        self.trouble: NightreelError | None = None

    def seek(self, offset: int, whence: int = 0) -> int:
        base = (0, self._at, self._file.size_bytes())[whence]
        self._at = base + offset
        return self._at

    def tell(self) -> int:
        return self._at

    def read(self, size_bytes: int = -1) -> bytes:
        data = self._file.read_at(self._at, size_bytes if size_bytes >= 0 else self._file.size_bytes() - self._at)
        self._at += len(data)
        return data

    def write(self, data: bytes) -> int:
        if self.trouble is not None:
            return 0
        try:
            self._file.write_at(self._at, data)
        except NightreelError as error:
            self.trouble = error
            return 0
        self._at += len(data)
        return len(data)

    def flush(self) -> None:
        pass


def compare_flac(path: Path, source: PackedTrack, file: PlannedFile, encoding: Encoding) -> None:
    """FLAC loses nothing: decoded it is what the take holds."""
    import soundfile

    with soundfile.SoundFile(path) as held:
        for block in packed_blocks(source, file.part.span):
            decoded = held.read(block.size // encoding.sample_bytes, dtype="int32")
            bytes_held = decoded.astype("<i4").view(np.uint8).reshape(-1, 4)[:, 4 - encoding.sample_bytes :]
            if not np.array_equal(bytes_held.reshape(-1), block):
                raise ProofFailed(
                    "the FLAC file decodes to something else than what was recorded",
                    where=str(path),
                    now="Hand over as WAVE, and report this",
                )
