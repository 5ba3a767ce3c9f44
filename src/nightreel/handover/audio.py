"""One audio file of a handover, written and checked: tracks as they were recorded or converted, and the mix."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np

from nightreel import __version__
from nightreel.disk import Disk, OpenFile
from nightreel.errors import DiskTrouble, NightreelError, ProofFailed
from nightreel.handover.model import FileKind, Plan, PlannedFile
from nightreel.handover.plan import converted_frame
from nightreel.handover.samples import (
    Dither,
    FloatArray,
    PackedTrack,
    float_blocks,
    is_as_recorded,
    needs_dither,
    packed_blocks,
)
from nightreel.take import Take, Track
from nightreel.units import Encoding
from nightreel.wave import (
    Bext,
    Cue,
    FileSet,
    Ixml,
    IxmlTrack,
    WaveFormat,
    WaveReader,
    WaveWriter,
    bext_for,
    pack_counted,
)

Moved = Callable[[int], None]
_MODES = {1: "mono", 2: "stereo"}
_FLAC_SUBTYPES = {Encoding.PCM16: "PCM_16", Encoding.PCM24: "PCM_24"}


def write_track(take: Take, plan: Plan, file: PlannedFile, path: Path, *, disk: Disk, moved: Moved) -> int:
    """Write the part of one line; returns how many samples were clipped. Raises DiskTrouble, AlreadyThere."""
    assert file.line is not None
    track = take.facts.track(file.line)
    assert track is not None
    with PackedTrack(take, track) as source:
        as_recorded = is_as_recorded(take, plan.rate_hz, plan.encoding)
        if plan.request.flac or not as_recorded:
            blocks = float_blocks(take, (file.line,), file.part.span, rate_hz=plan.rate_hz)
            dither = needs_dither(take, plan.rate_hz, plan.encoding)
            clipped = write_samples(take, plan, file, path, blocks, dither=dither, disk=disk, moved=moved)
            if as_recorded:
                _compare_flac(path, source, file, plan.encoding)
            return clipped
        with _create(take, plan, file, path, disk) as writer:
            for block in packed_blocks(source, file.part.span):
                writer.write_packed(block.data)
                moved(block.size)
        _compare(path, source, file)
    return 0


def write_samples(
    take: Take,
    plan: Plan,
    file: PlannedFile,
    path: Path,
    blocks: Iterator[FloatArray],
    *,
    dither: bool,
    disk: Disk,
    moved: Moved,
) -> int:
    """Write blocks of float32 (frames, channels) as WAVE or FLAC; returns how many samples were clipped."""
    noise = Dither(file.path, plan.encoding)
    channels = 2 if file.kind is FileKind.MIX else 1
    out: _FlacWriter | WaveWriter
    if plan.request.flac:
        out = _FlacWriter(take, plan, file, path, channels, disk)
    else:
        out = _create(take, plan, file, path, disk)
    with out:
        for block in blocks:
            out.write(noise.add(block) if dither else block)
            moved(block.size * plan.encoding.sample_bytes)
    return out.clipped


def _create(take: Take, plan: Plan, file: PlannedFile, path: Path, disk: Disk) -> WaveWriter:
    channels = 2 if file.kind is FileKind.MIX else 1
    writer = WaveWriter.create(
        path,
        WaveFormat(rate_hz=plan.rate_hz, channels=channels, encoding=plan.encoding),
        bext=make_bext(take, plan, file),
        ixml=make_ixml(take, plan, file),
        disk=disk,
    )
    writer.set_cues(make_cues(take, plan, file))
    return writer


def make_bext(take: Take, plan: Plan, file: PlannedFile) -> Bext:
    """TimeReference is that of the take plus the frames before the part, at the rate of the file."""
    facts = take.facts
    first = file.part.span.first_frame
    what = _label(take, file)
    bext = bext_for(
        started_at=facts.started_at + timedelta(seconds=first / facts.rate_hz),
        time_reference_frames=converted_frame(facts.time_reference_frames + first, facts.rate_hz, plan.rate_hz),
        description=f"{facts.show}: {file.part.title}: {what}",
        history=_history(take, plan, file),
    )
    return replace(bext, originator_reference=f"NIGHTREEL{family_uid(take, file)[:20].upper()}")


def make_ixml(take: Take, plan: Plan, file: PlannedFile) -> Ixml:
    facts = take.facts
    together = [f.path for f in plan.files if f.part == file.part and f.kind is FileKind.TRACK]
    reference = converted_frame(facts.time_reference_frames + file.part.span.first_frame, facts.rate_hz, plan.rate_hz)
    track = facts.track(file.line) if file.line is not None else None
    if track is None:
        tracks = tuple(IxmlTrack(channel_index=n, interleave_index=n, name=f"Mix {s}") for n, s in ((1, "L"), (2, "R")))
        files = None
    else:
        tracks = (IxmlTrack(channel_index=track.line, interleave_index=1, name=track.name, function=track.role.value),)
        files = FileSet(
            total_files=len(together),
            family_uid=family_uid(take, file),
            family_name=f"{facts.name}: {file.part.title}",
            index=str(together.index(file.path) + 1),
        )
    return Ixml(
        project=facts.show,
        scene=file.part.title if file.part.is_song else "",
        take=facts.name,
        tracks=tracks,
        rate_hz=plan.rate_hz,
        bits=plan.encoding.sample_bytes * 8,
        timestamp_frames=reference,
        file_set=files,
        original_filename=Path(file.path).name,
        parent_filename=_parent(track),
    )


def make_cues(take: Take, plan: Plan, file: PlannedFile) -> tuple[Cue, ...]:
    """The marks inside the part, counted from its first frame."""
    facts, span = take.facts, file.part.span
    first = converted_frame(span.first_frame, facts.rate_hz, plan.rate_hz)
    return tuple(
        Cue(frame=converted_frame(mark.frame, facts.rate_hz, plan.rate_hz) - first, label=mark.name)
        for mark in facts.marks
        if span.first_frame <= mark.frame < span.end_frame
    )


def family_uid(take: Take, file: PlannedFile) -> str:
    """The same for all files of one part, different for every other: 32 hex digits."""
    facts, span = take.facts, file.part.span
    text = f"{facts.show}\n{facts.name}\n{facts.started_at.isoformat()}\n{span.first_frame}\n{span.frames}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _history(take: Take, plan: Plan, file: PlannedFile) -> str:
    """EBU R 98 lines: how it was recorded, then what was done."""
    facts = take.facts

    def line(rate_hz: int, encoding: Encoding, channels: int, text: str) -> str:
        kind = "FLOAT" if encoding is Encoding.FLOAT32 else "PCM"
        return f"A={kind},F={rate_hz},W={encoding.sample_bytes * 8},M={_MODES[channels]},T={text}"

    lines = [line(facts.rate_hz, facts.encoding, 1, f"Nightreel {facts.nightreel or __version__} recorded")]
    if file.kind is FileKind.MIX:
        lines = [line(plan.rate_hz, plan.encoding, 2, f"Nightreel {__version__} listening mix")]
    elif not is_as_recorded(take, plan.rate_hz, plan.encoding):
        lines.append(line(plan.rate_hz, plan.encoding, 1, f"Nightreel {__version__} converted"))
    return "\n".join(lines)


def _label(take: Take, file: PlannedFile) -> str:
    track = take.facts.track(file.line) if file.line is not None else None
    return f"{track.line} {track.name}" if track is not None else "listening mix"


def _parent(track: Track | None) -> str:
    return Path(track.files[0].path).name if track is not None and track.files else ""


def _compare(path: Path, source: PackedTrack, file: PlannedFile) -> None:
    """What the file holds is what the take holds, sample for sample."""
    with WaveReader(path) as reader:
        at, size = 0, reader.format.frame_bytes
        for block in packed_blocks(source, file.part.span):
            held = reader.packed[at : at + block.size]
            if not np.array_equal(held, block):
                wrong = int(np.argmax(held != block[: held.size])) if held.size else 0
                raise DiskTrouble(
                    f"frame {(at + wrong) // size} is not what was recorded",
                    where=str(path),
                    now="Do not trust this disk: use another one",
                )
            at += block.size


def _compare_flac(path: Path, source: PackedTrack, file: PlannedFile, encoding: Encoding) -> None:
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


class _FlacWriter:
    """FLAC through libsndfile into a file of ours, in blocks of integers (its float path is not exact)."""

    def __init__(self, take: Take, plan: Plan, file: PlannedFile, path: Path, channels: int, disk: Disk) -> None:
        import soundfile

        self.clipped = 0
        self._encoding = plan.encoding
        self._disk = disk
        self._file = disk.create(path)
        self._stream = _Stream(self._file)
        self._out = soundfile.SoundFile(
            self._stream, "w", plan.rate_hz, channels, subtype=_FLAC_SUBTYPES[plan.encoding], format="FLAC"
        )
        self._out.title = f"{file.part.title}: {_label(take, file)}"
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

    def __enter__(self) -> _FlacWriter:
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
