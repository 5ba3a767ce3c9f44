"""Samples of one line on their way out: as recorded, byte for byte, or converted in rate and depth.

Conversion reads a second of the take before and after a part, so that parts put together again are what the whole
would have become. Rates by soxr at its very high quality; fewer bits with dither of triangular density, one step
either way (TPDF), seeded by the file's name so that the same handover can be made again bit for bit.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import NightreelError
from nightreel.handover.plan import converted_frame
from nightreel.take import Take, Track
from nightreel.timeline import Span
from nightreel.units import Encoding
from nightreel.wave import WaveReader, pack

FloatArray = NDArray[np.float32]
ByteArray = NDArray[np.uint8]
BLOCK_FRAMES = 1 << 17
CONTEXT_S = 1.0
WIDTHS = {Encoding.PCM16: 16, Encoding.PCM24: 24, Encoding.FLOAT32: 25, Encoding.PCM32: 32}  # what each can hold
_BITS = {Encoding.PCM16: 16, Encoding.PCM24: 24, Encoding.PCM32: 32}


class PackedTrack:
    """The stored bytes of one line over all its files; what is missing is zeros. A context manager.

    exact : every file stores its samples as the take says, so that bytes can be copied as they are
    stored : how the line's samples are stored, the widest of its files
    original_bext, unknown_chunks : of its first file, where that is a WAVE file
    """

    def __init__(self, take: Take, track: Track) -> None:
        self._take = take
        self._track = track
        self._encoding = take.facts.encoding
        self._readers: dict[str, WaveReader] = {}
        self.exact = True
        found: list[Encoding] = []
        for part in track.files:
            path = take.folder / part.path
            if not path.is_file():
                continue  # the take says that it is missing
            try:
                reader = WaveReader(path)
            except NightreelError:
                self.exact = False
                found.append(find_encoding(path) or self._encoding)
                continue
            self._readers[part.path] = reader
            found.append(reader.format.encoding)
        self.exact = self.exact and all(encoding is self._encoding for encoding in found)
        self.stored = max(found, key=WIDTHS.__getitem__, default=self._encoding)
        first = next(iter(self._readers.values()), None)
        self.original_bext = first.bext if first is not None else None
        self.unknown_chunks = first.unknown_chunks if first is not None and first.format.channels == 1 else ()

    def read(self, first_frame: int, frames: int) -> ByteArray:
        """uint8 (frames * sample bytes,) in the take's encoding."""
        size = self._encoding.sample_bytes
        if not self.exact:
            return pack(self._take.read([self._track.line], first_frame, frames), self._encoding)
        out = np.zeros((frames, size), np.uint8)
        for part in self._track.files:
            reader = self._readers.get(part.path)
            if reader is None or part.channel >= reader.format.channels:
                continue
            first = max(first_frame, part.first_frame)
            end = min(first_frame + frames, part.first_frame + min(part.frames, reader.frames_present))
            if end <= first:
                continue
            stored = reader.packed.reshape(-1, reader.format.channels, size)
            span = stored[first - part.first_frame : end - part.first_frame, part.channel]
            out[first - first_frame : end - first_frame] = span
        return out.reshape(-1)

    def close(self) -> None:
        for reader in self._readers.values():
            reader.close()

    def __enter__(self) -> PackedTrack:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def packed_blocks(track: PackedTrack, span: Span) -> Iterator[ByteArray]:
    """The part as recorded, in blocks."""
    for first in range(span.first_frame, span.end_frame, BLOCK_FRAMES):
        yield track.read(first, min(BLOCK_FRAMES, span.end_frame - first))


def float_blocks(take: Take, lines: tuple[int, ...], span: Span, *, rate_hz: int) -> Iterator[FloatArray]:
    """The part as float32 (frames, lines) at another rate; together exactly the frames that the plan states."""
    from_hz = take.rate_hz
    if rate_hz == from_hz:
        for first in range(span.first_frame, span.end_frame, BLOCK_FRAMES):
            yield take.read(lines, first, min(BLOCK_FRAMES, span.end_frame - first))
        return
    import soxr

    grid = from_hz // math.gcd(from_hz, rate_hz)  # input frames that fall on a whole output frame
    context = math.ceil(CONTEXT_S * from_hz)
    begin = max(0, span.first_frame - context) // grid * grid
    end = min(take.frames, span.end_frame + context)
    out_begin = converted_frame(span.first_frame, from_hz, rate_hz)
    to_skip = out_begin - begin * rate_hz // from_hz
    wanted = converted_frame(span.end_frame, from_hz, rate_hz) - out_begin
    stream = soxr.ResampleStream(from_hz, rate_hz, len(lines), dtype="float32", quality="VHQ")
    for first in range(begin, end, BLOCK_FRAMES):
        frames = min(BLOCK_FRAMES, end - first)
        block = stream.resample_chunk(take.read(lines, first, frames), last=first + frames >= end)
        block = np.asarray(block, np.float32).reshape(-1, len(lines))
        skipped = min(to_skip, len(block))
        to_skip -= skipped
        block = block[skipped:][:wanted]
        wanted -= len(block)
        if len(block):
            yield block
    if wanted:  # the resampler's last frames at the very end of the take
        yield np.zeros((wanted, len(lines)), np.float32)


class Dither:
    """Noise of triangular density, two steps wide, added before samples are rounded to fewer bits."""

    def __init__(self, name: str, encoding: Encoding) -> None:
        self._random = np.random.default_rng(zlib.crc32(name.encode()))
        self._step = np.float32(2.0 ** (1 - _BITS[encoding])) if encoding in _BITS else np.float32(0.0)

    def add(self, block: FloatArray) -> FloatArray:
        if not self._step:
            return block
        noise = self._random.random(block.shape, np.float32)
        noise -= self._random.random(block.shape, np.float32)
        noise *= self._step
        noise += block
        return noise


def is_as_recorded(take: Take, rate_hz: int, encoding: Encoding) -> bool:
    """Whether no sample changes on its way out."""
    return rate_hz == take.rate_hz and encoding is take.facts.encoding


def needs_dither(take: Take, rate_hz: int, *, stored: Encoding, wanted: Encoding) -> bool:
    """More bits, or float, at the same rate hold every sample as it is."""
    return rate_hz != take.rate_hz or WIDTHS[wanted] < WIDTHS[stored]


def find_encoding(path: Path) -> Encoding | None:
    """How a file of any kind stores its samples; None for what cannot be told (lossy kinds, broken files)."""
    import soundfile

    try:
        with WaveReader(path) as reader:
            return reader.format.encoding
    except NightreelError:
        pass
    try:
        subtype = soundfile.info(path).subtype
    except (RuntimeError, OSError):
        return None
    return {
        "PCM_S8": Encoding.PCM16,
        "PCM_U8": Encoding.PCM16,
        "PCM_16": Encoding.PCM16,
        "PCM_24": Encoding.PCM24,
        "PCM_32": Encoding.PCM32,
        "FLOAT": Encoding.FLOAT32,
        "DOUBLE": Encoding.FLOAT32,
    }.get(subtype)


def widest_encoding(take: Take) -> Encoding:
    """What holds every line of a folder of mixed files: 16-bit and 24-bit ones side by side need 24 bits."""
    paths = sorted({part.path for track in take.facts.tracks for part in track.files})
    found = [encoding for path in paths if (encoding := find_encoding(take.folder / path)) is not None]
    return max(found, key=WIDTHS.__getitem__, default=take.facts.encoding)
