"""One audio file of a handover, written and checked: tracks as they were recorded or converted, and the mix."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

from nightreel.disk import Disk
from nightreel.errors import DiskTrouble
from nightreel.handover.flac import FlacWriter, compare_flac
from nightreel.handover.metadata import make_bext, make_cues, make_ixml, with_loudness
from nightreel.handover.model import Cut, FileKind, Plan, PlannedFile
from nightreel.handover.samples import (
    Dither,
    FloatArray,
    PackedTrack,
    float_blocks,
    is_as_recorded,
    needs_dither,
    packed_blocks,
)
from nightreel.signal.meters import LineMeters
from nightreel.take import Take
from nightreel.wave import Bext, WaveFormat, WaveReader, WaveWriter

Moved = Callable[[int], None]


def write_track(take: Take, plan: Plan, file: PlannedFile, path: Path, *, disk: Disk, moved: Moved) -> int:
    """Write the part of one line; returns how many samples were clipped. Raises DiskTrouble, AlreadyThere."""
    assert file.line is not None
    track = take.facts.track(file.line)
    assert track is not None
    with PackedTrack(take, track) as source:
        as_recorded = is_as_recorded(take, plan.rate_hz, plan.encoding)
        if plan.request.flac or not as_recorded:
            blocks = float_blocks(take, (file.line,), file.part.span, rate_hz=plan.rate_hz)
            dither = needs_dither(take, plan.rate_hz, stored=source.stored, wanted=plan.encoding)
            bext = make_bext(take, plan, file, source.original_bext)
            clipped = write_samples(take, plan, file, path, blocks, bext, dither=dither, disk=disk, moved=moved)
            if as_recorded:
                compare_flac(path, source, file, plan.encoding)
            return clipped
        bext = make_bext(take, plan, file, source.original_bext)
        kept = source.unknown_chunks if plan.request.cut is Cut.WHOLE else ()  # their places would be wrong in parts
        with _create(take, plan, file, path, bext, disk, kept) as writer:
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
    bext: Bext,
    *,
    dither: bool,
    disk: Disk,
    moved: Moved,
) -> int:
    """Write blocks of float32 (frames, channels) as WAVE or FLAC; returns how many samples were clipped."""
    noise = Dither(file.path, plan.encoding)
    channels = 2 if file.kind is FileKind.MIX else 1
    out: FlacWriter | WaveWriter
    if plan.request.flac:
        out = FlacWriter(take, plan, file, path, channels, disk)
    else:
        out = _create(take, plan, file, path, bext, disk)
    meters = LineMeters.start(rate_hz=plan.rate_hz, channels=2, programmes=[[1.0, 1.0]]) if channels == 2 else None
    with out:
        for block in blocks:
            out.write(noise.add(block) if dither else block)
            if meters is not None:
                meters.feed(block)
            moved(block.size * plan.encoding.sample_bytes)
        if meters is not None and isinstance(out, WaveWriter):
            out.update_bext(with_loudness(bext, meters.result().programmes[0]))
    return out.clipped


def _create(
    take: Take,
    plan: Plan,
    file: PlannedFile,
    path: Path,
    bext: Bext,
    disk: Disk,
    kept_chunks: Sequence[tuple[str, bytes]] = (),
) -> WaveWriter:
    channels = 2 if file.kind is FileKind.MIX else 1
    writer = WaveWriter.create(
        path,
        WaveFormat(rate_hz=plan.rate_hz, channels=channels, encoding=plan.encoding),
        bext=bext,
        ixml=make_ixml(take, plan, file),
        kept_chunks=kept_chunks,
        disk=disk,
    )
    writer.set_cues(make_cues(take, plan, file))
    return writer


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
