"""Proof of being live by the take itself: some seconds of it, softly, looked for in what the sends bring.

For a house that is open already: soft music is less strange than noise. It takes the place of the code where a send is
too loud for that, since every second more adds certainty.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nightreel.ports.protocols import Duplex
from nightreel.soundcheck.back_to_live import Live, Returned, still_heard
from nightreel.soundcheck.strip import FloatArray, Reads, fade_gain

LEVEL_DB = -40.0
_SECONDS = 6.0
_FADE_S = 0.5
_PLACES = 24
_AUDIBLE = 10.0 ** (-50.0 / 20.0)  # RMS a line needs in the chosen seconds to be looked for
_BLOCK_FRAMES = 1024


def prove_by_take(duplex: Duplex, take: Reads, lines: Sequence[Returned], *, ahead_frames: int = 0) -> Live:
    """Play ``take`` softly on the lines' returns of a started duplex, and judge each line's own send.

    A line that is silent in the chosen seconds, or whose send the device does not have, is unclear.
    """
    programme = _loudest_part(take, lines)
    played, captured = _play_softly(duplex, programme, lines, ahead_frames)
    audible = np.sqrt(np.mean(np.square(programme, dtype=np.float64), axis=0)) > _AUDIBLE
    heard = still_heard(played, captured)
    still, unclear, clear = [], [], []
    for column, line in enumerate(lines):
        if heard[column]:
            still.append((line, _gain_db(played[:, column], captured[:, column])))
        elif not audible[column] or line.send_number is None or line.send_number > duplex.sends:
            unclear.append(line)
        else:
            clear.append(line)
    return Live(still=tuple(still), unclear=tuple(unclear), clear=tuple(clear))


def _loudest_part(take: Reads, lines: Sequence[Returned]) -> FloatArray:
    """The seconds of the take, of some tried, in which most of the lines have signal. (frames, lines)."""
    frames = min(round(_SECONDS * take.rate_hz), take.frames)
    numbers = [line.line for line in lines]
    best: FloatArray = np.zeros((frames, len(lines)), np.float32)
    most = -1.0
    for first in np.linspace(0, take.frames - frames, _PLACES).astype(int):
        part = take.read(numbers, int(first), frames)
        levels = np.sqrt(np.mean(np.square(part, dtype=np.float64), axis=0))
        score = float((levels > _AUDIBLE).sum()) + float(levels.mean())
        if score > most:
            best, most = part, score
    return best


def _play_softly(
    duplex: Duplex, programme: FloatArray, lines: Sequence[Returned], ahead_frames: int
) -> tuple[FloatArray, FloatArray]:
    """What was played and what came in beside it, both (frames, lines), the latter by each line's own send."""
    frames, rate_hz = programme.shape[0], duplex.rate_hz
    edge = np.minimum(np.arange(frames), np.arange(frames)[::-1]) / (_FADE_S * rate_hz)
    gain = 10.0 ** (LEVEL_DB / 20.0) * fade_gain(np.clip(edge, 0.0, 1.0))
    soft = (programme * gain[:, None]).astype(np.float32)
    returns = np.array([line.return_number - 1 for line in lines])
    blocks = []
    total = frames + ahead_frames
    for first in range(0, total, _BLOCK_FRAMES):
        block = np.zeros((min(_BLOCK_FRAMES, total - first), duplex.returns), np.float32)
        part = soft[first : first + block.shape[0]]
        block[: part.shape[0], returns] = part
        blocks.append(duplex.exchange(block).samples)
    came = np.concatenate(blocks)[ahead_frames:]
    captured = np.zeros_like(soft)
    for column, line in enumerate(lines):
        if line.send_number is not None and line.send_number <= came.shape[1]:
            captured[:, column] = came[:, line.send_number - 1]
    return soft, captured


def _gain_db(played: FloatArray, captured: FloatArray) -> float:
    """Roughly: by the peak of the plain cross-correlation over what was played."""
    from scipy import fft

    size = fft.next_fast_len(2 * played.size, real=True)
    likeness = fft.irfft(fft.rfft(captured, size) * np.conj(fft.rfft(played, size)), size)[: played.size]
    energy = float(np.dot(played, played))
    return 20.0 * float(np.log10(max(np.abs(likeness).max() / max(energy, 1e-30), 1e-6)))
