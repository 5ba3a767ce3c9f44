"""The way from one line to another over the course of a take: the same source heard twice, followed in time.

Two microphones in one room share some sound. The transfer between them is set by distances and gains, not by what is
played; so where it changes for good by one number of decibels at all frequencies, a gain was turned, and where its
delay changes for good, samples are missing on one of the two. A line is followed against several others, so that the
line that changed is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightreel.review.findings.names import same_source_pairs
from nightreel.review.findings.silent import is_dead
from nightreel.review.material import Material
from nightreel.show.model import Role

F64 = NDArray[np.float64]
C128 = NDArray[np.complex128]

WINDOW = 1 << 15
PIECE = 1 << 12
SEGMENTS = 14
REFERENCES = 5
MAX_LAG = 2048
COHERENT = 0.5
LEAST_BINS = 12
FOLLOWED = (Role.MIC, Role.WIRELESS, Role.DIRECT, Role.AMBIENCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """From ``reference`` to ``line`` in windows at ``starts`` (frames, ascending).

    cross, own, other : (windows, bins) cross spectrum and the two own spectra, running sums over the windows
    lags : (windows, 2 MAX_LAG + 1) PHAT, lag -MAX_LAG first, running sums over the windows
    """

    line: int
    reference: int
    starts: NDArray[np.int64]
    cross: C128
    own: F64
    other: F64
    lags: F64

    def change_db(self, split: int) -> tuple[float, float, int]:
        """Gain after ``split`` windows over gain before: median over coherent bins, spread (dB), and how many bins."""
        cross, own, other = self.cross[split - 1], self.own[split - 1], self.other[split - 1]
        h1, c1 = _transfer(cross, own, other)
        h2, c2 = _transfer(self.cross[-1] - cross, self.own[-1] - own, self.other[-1] - other)
        use = (c1 > COHERENT) & (c2 > COHERENT)
        count = int(use.sum())
        if count < LEAST_BINS:
            return 0.0, 99.0, count
        change = 20 * np.log10(h2[use] / h1[use])
        middle = float(np.median(change))
        return middle, float(np.median(np.abs(change - middle))), count

    def slip_frames(self, split: int) -> tuple[int, float, float]:
        """Frames by which the delay changed after ``split``; likeness of the lag pictures there, and without a
        shift."""
        before = _picture(self.lags[split - 1])
        after = _picture(self.lags[-1] - self.lags[split - 1])
        n = len(before)
        like = np.fft.irfft(np.fft.rfft(after, 2 * n) * np.conj(np.fft.rfft(before, 2 * n)), 2 * n)
        scale = np.sqrt(float(before @ before) * float(after @ after)) + 1e-30
        reach = MAX_LAG // 2
        shifts = np.concatenate((np.arange(0, reach + 1), np.arange(-reach, 0)))
        values = like[shifts] / scale
        best = int(np.argmax(values))
        still = float(values[np.abs(shifts) <= 2].max())
        return int(shifts[best]), float(values[best]), still


def _transfer(cross: C128, own: F64, other: F64) -> tuple[F64, F64]:
    """Magnitude of the transfer and magnitude-squared coherence."""
    msc = np.abs(cross) ** 2 / (own * other + 1e-30)
    return np.abs(cross) / (other + 1e-30) + 1e-12, msc


def _picture(lags: F64) -> F64:
    """Only what stands out of the mean PHAT counts."""
    mean = np.abs(lags)
    return np.asarray(np.clip(mean - np.quantile(mean, 0.98), 0, None), np.float64)


def follow(material: Material) -> Iterator[tuple[int, tuple[Path, ...]]]:
    """Line and paths of every line that shares sound with others, one at a time: a line's paths take some 7 MB."""
    lines = [
        n
        for n, m in material.lines.items()
        if m.role in FOLLOWED and len(m.levels.history_rms_db) and not is_dead(material, n)
    ]
    for n in lines:
        paths = _paths_of(material, n, _references(material, n, lines))
        if paths:
            yield n, paths


def _references(material: Material, line: int, lines: list[int]) -> list[int]:
    """Lines on the same source by name first, then those whose level moves most like this one's."""
    tracks = [material.lines[n].track for n in lines]
    both = ((x.line, y.line) for x, y in same_source_pairs(tracks))
    named = [b if a == line else a for a, b in both if line in (a, b)]
    partner = material.lines[line].track.partner
    x = material.lines[line].levels.history_peak_db
    use = material.active(line)
    scored = []
    for other in lines:
        if other == line or other in named:
            continue
        y = material.lines[other].levels.history_peak_db
        size = min(len(x), len(y))
        shared = use[:size] & ~material.in_gap(other)[:size]
        if shared.sum() < 30 or min(np.std(y[:size][shared]), np.std(x[:size][shared])) < 0.1:
            continue
        alike = float(np.corrcoef(x[:size][shared], np.maximum(y[:size][shared], -90))[0, 1])
        scored.append((alike + (0.2 if other == partner else 0.0), other))
    return (named + [n for _, n in sorted(scored, reverse=True)])[:REFERENCES]


def _paths_of(material: Material, line: int, references: list[int]) -> tuple[Path, ...]:
    import scipy.fft

    starts = _starts(material, line)
    if len(starts) < 6 or not references:
        return ()
    count, bins = len(starts), PIECE // 2 + 1
    cross = np.zeros((len(references), count, bins), np.complex128)
    own = np.zeros((count, bins))
    other = np.zeros((len(references), count, bins))
    lags = np.zeros((len(references), count, 2 * MAX_LAG + 1))
    hann = np.hanning(PIECE).astype(np.float32)
    n = scipy.fft.next_fast_len(WINDOW + MAX_LAG, real=True)  # lags beyond MAX_LAG may wrap: they are not looked at
    hz = np.arange(n // 2 + 1) * material.rate_hz / n
    band = ((hz > 100) & (hz < 9000)).astype(np.float32)
    for k, start in enumerate(starts):
        block = np.ascontiguousarray(material.read((line, *references), int(start), WINDOW).T)
        pieces = np.lib.stride_tricks.sliding_window_view(block, PIECE, axis=1)[:, :: PIECE // 2]
        spectra = scipy.fft.rfft(pieces * hann, axis=2)  # (lines, pieces, bins)
        whole = scipy.fft.rfft(block, n, axis=1)
        power = (spectra.real**2 + spectra.imag**2).sum(axis=1, dtype=np.float64)
        level = float(power[0].sum()) + 1e-30  # each window counts alike
        own[k] = power[0] / level
        other[:, k] = power[1:] / level
        cross[:, k] = np.einsum("rpb,pb->rb", np.conj(spectra[1:]), spectra[0]) / level
        both = np.conj(whole[1:]) * (whole[0] * band)
        size = np.abs(both)
        phat = scipy.fft.irfft(both / (size + 1e-4 * size.max(axis=1, keepdims=True) + 1e-20), n, axis=1)
        lags[:, k] = np.concatenate((phat[:, -MAX_LAG:], phat[:, : MAX_LAG + 1]), axis=1)
    cross, own, other, lags = cross.cumsum(axis=1), own.cumsum(axis=0), other.cumsum(axis=1), lags.cumsum(axis=1)
    return tuple(
        Path(line=line, reference=ref, starts=starts, cross=cross[r], own=own, other=other[r], lags=lags[r])
        for r, ref in enumerate(references)
    )


def _starts(material: Material, line: int) -> NDArray[np.int64]:
    """The loudest window of each of SEGMENTS parts of the take, where the line is in use."""
    history = material.lines[line].levels.history_rms_db
    usable = material.active(line)
    last = material.facts.frames - WINDOW
    out = []
    for part in np.array_split(np.arange(len(history)), SEGMENTS):
        inside = part[usable[part]]
        if len(inside) == 0:
            continue
        best = int(inside[np.argmax(history[inside])]) * material.history_frames - WINDOW // 4
        if 0 <= best <= last:
            out.append(best)
    return np.array(sorted(set(out)), np.int64)
