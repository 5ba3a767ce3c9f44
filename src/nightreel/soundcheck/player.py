"""The player: gives the next frames of every return, whatever was commanded meanwhile. Holds no device.

All lines move through one strip together, so they are aligned to the sample at every moment. At 0 dB, away from fades
and seams, what comes out is what was recorded, bit for bit. Commands may come from any thread.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from nightreel.errors import ArgumentInvalid, NightreelError
from nightreel.soundcheck.ahead import AHEAD_S, ReadAhead
from nightreel.soundcheck.envelopes import Gate, Level, Switches
from nightreel.soundcheck.strip import FloatArray, Playing, Reads, Strip, crossfaded
from nightreel.timeline import Span

STOP_FADE_S = 0.02
SEAM_S = 0.02
START_DB = -30.0
RISE_S = 5.0
_SPLICE_S = 0.4  # a loop that is set or lifted takes hold this far ahead


class State(StrEnum):
    READY = "ready"
    PLAYING = "playing"
    STOPPING = "stopping"
    STOPPED = "stopped"
    STARVED = "waiting for the disk"
    ENDED = "ended"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One line and where it goes. ``channel`` of the sink (from 0); ``trim_db`` was agreed to by the user."""

    line: int
    channel: int
    returned: bool = True
    trim_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerStatus:
    state: State
    position: int
    level_db: float
    loop: Span | None
    returned: tuple[int, ...]
    starvations: int
    ready_frames: int
    trouble: str = ""


class Player:
    """Plays ``span`` of a take. See the module's docstring.

    channels : every line that may be returned, those that begin live included
    sink_channels : columns of what :meth:`render` gives
    """

    def __init__(
        self,
        take: Reads,
        channels: tuple[Channel, ...],
        *,
        sink_channels: int,
        span: Span | None = None,
        loop: Span | None = None,
        holes: Mapping[int, tuple[Span, ...]] | None = None,
        start_db: float = START_DB,
        target_db: float = 0.0,
        rise_s: float = RISE_S,
        ahead_s: float = AHEAD_S,
    ) -> None:
        places = [channel.channel for channel in channels]
        if len(set(places)) < len(places) or not all(0 <= place < sink_channels for place in places):
            raise ArgumentInvalid(
                f"the plan needs {max(places, default=-1) + 1} returns, each for one line; there are {sink_channels}",
                now="Choose a device with more returns, or leave lines live",
            )
        if target_db > 0.0:
            raise ArgumentInvalid("a take is played at 0 dB at most", now="Raise the gain at the desk, or use trims")
        rate_hz = take.rate_hz
        span = span or Span(first_frame=0, frames=take.frames)
        self._take = take
        self._channels = channels
        self._places = np.array(places, np.int64)
        self._trims = np.array([10.0 ** (c.trim_db / 20.0) for c in channels], np.float32)
        self._trimmed = bool((self._trims != 1.0).any())
        self._sink_channels = sink_channels
        self._seam_frames = round(SEAM_S * rate_hz)
        self._playing = Playing(
            lines=tuple(c.line for c in channels),
            end_frame=span.end_frame,
            loop=_sound_loop(loop, take),
            holes=holes,
            seam_frames=self._seam_frames,
        )
        self._splice_frames = round(_SPLICE_S * rate_hz)
        self._gate = Gate(round(STOP_FADE_S * rate_hz))
        self._level = Level(rate_hz=rate_hz, start_db=start_db, target_db=target_db, rise_s=rise_s)
        self._switches = Switches([c.returned for c in channels], round(STOP_FADE_S * rate_hz))
        self._ahead = ReadAhead(Strip(take, self._playing, span.first_frame), rate_hz=rate_hz, ahead_s=ahead_s)
        self._lock = self._ahead.lock
        self._state = State.READY
        self._after_closing = State.STOPPED
        self._pending: FloatArray | None = None  # a seam that is being played
        self._splice_at: int | None = None  # where the coming strip takes over; None = at once
        self._splice_seam = True
        self._starvations = 0
        self._trouble: NightreelError | None = None

    # Commands

    def start(self) -> None:
        """Play from where it stands, 30 dB low at first. Does nothing while it plays."""
        with self._lock:
            waiting = self._state is State.ENDED and self._ahead.coming is not None
            if waiting or self._state in (State.READY, State.STOPPED):
                self._level.restart()
                self._gate.open()
                self._state = State.PLAYING

    def stop(self) -> None:
        """Fade to silence within 20 ms."""
        with self._lock:
            if self._state in (State.PLAYING, State.STARVED):
                self._close(State.STOPPED)

    def cut(self) -> None:
        """The sink has been silenced by its own fade: nothing more of what was playing is wanted."""
        with self._lock:
            self._gate.shut()
            self._pending = None
            if self._state not in (State.ENDED, State.FAILED):
                self._state = State.STOPPED

    def fail(self, error: NightreelError) -> None:
        """The sink is gone."""
        with self._lock:
            self._gate.shut()
            self._trouble = error
            self._state = State.FAILED

    def jump(self, frame: int, *, at_frame: int | None = None) -> None:
        """Go to ``frame``: at once, or when ``at_frame`` (a place ahead) is reached. Raises ArgumentInvalid."""
        with self._lock:
            self._require_inside(frame)
            loop = self._playing.loop
            if loop is not None and not loop.first_frame <= frame < loop.end_frame:
                loop = None
            early = self._seam_frames if at_frame is not None else 0
            self._come(replace(self._playing, loop=loop), frame - early, at_frame=at_frame, seam=True)

    def set_loop(self, loop: Span | None) -> None:
        """Loop round a span, or play on. Where the place being played lies outside the loop, jump to its start."""
        with self._lock:
            loop = _sound_loop(loop, self._take)
            playing = replace(self._playing, loop=loop)
            place = self._ahead.current.position + self._splice_frames
            if loop is None or loop.first_frame <= place < loop.end_frame - playing.loop_seam_frames:
                seamless_until = self._playing.loop.end_frame if self._playing.loop else self._playing.end_frame
                if place < seamless_until - self._playing.loop_seam_frames - self._seam_frames:
                    self._come(playing, place, at_frame=place, seam=False)
                    return
            start = loop.first_frame if loop else self._ahead.current.position
            self._come(playing, start, at_frame=None, seam=True)

    def set_end(self, end_frame: int) -> None:
        """Play on to another end."""
        with self._lock:
            playing = replace(self._playing, end_frame=end_frame)
            place = self._ahead.current.position + self._splice_frames
            self._come(playing, place, at_frame=place, seam=False)

    def set_returned(self, line: int, returned: bool) -> None:
        """Send a line to its return or not, while playing. Raises ArgumentInvalid for a line that has none."""
        with self._lock:
            self._switches.set(self._column(line), returned)

    def require_line(self, line: int) -> None:
        """Raises ArgumentInvalid for a line that cannot be returned."""
        self._column(line)

    def set_level(self, level_db: float) -> None:
        if not level_db <= 0.0:
            raise ArgumentInvalid("the level against the take is 0 dB at most", now="Raise the gain at the desk")
        with self._lock:
            self._level.target_db = max(level_db, -90.0)

    def status(self) -> PlayerStatus:
        with self._lock:
            trouble = self._trouble or self._ahead.trouble
            return PlayerStatus(
                state=self._state,
                position=self._ahead.current.position,
                level_db=self._level.now_db,
                loop=self._playing.loop,
                returned=tuple(c.line for k, c in enumerate(self._channels) if self._switches.is_on(k)),
                starvations=self._starvations,
                ready_frames=self._ahead.current.ready_frames,
                trouble=str(trouble) if trouble else "",
            )

    def wait_ready(self, timeout_s: float = 30.0, *, frames: int = 0) -> bool:
        """Wait until enough has been read to begin, or to render ``frames`` more (less than is read ahead)."""
        wanted = max(self._ahead.cushion_frames, frames) + 2 * self._seam_frames
        return self._ahead.wait_ready(wanted, timeout_s)

    def close(self) -> None:
        self._ahead.close()

    # Frames

    def render(self, frames: int) -> FloatArray:
        """The next frames of every return: float32 (frames, sink_channels). Never waits."""
        out = np.zeros((frames, self._sink_channels), np.float32)
        done = 0
        with self._lock:
            while done < frames:
                samples = self._next(frames - done)
                if samples is None:
                    break
                out[done : done + samples.shape[0], self._places] = samples
                done += samples.shape[0]
        return out

    def _next(self, most: int) -> FloatArray | None:
        """Some frames of all lines, at most ``most``; None when there is silence from here on."""
        if self._state is State.STARVED and self._can_go_on():
            self._gate.open()
            self._state = State.PLAYING
        self._take_over_when_silent()
        if self._gate.closed:
            return None
        closing = self._gate.closing_frames
        if closing is not None:
            if closing == 0:
                self._state = self._after_closing
                return None
            most = min(most, closing)
        samples = self._programme(most)
        if samples is None:
            return None
        gain = self._gate.gain(samples.shape[0])
        level = self._level.gain(samples.shape[0])
        if gain is not None or not isinstance(level, float) or level != 1.0:
            both = (1.0 if gain is None else gain) * level
            samples = samples * np.asarray(both, np.float32).reshape(-1, 1)
        else:
            samples = samples.copy()
        if self._trimmed:
            samples *= self._trims
        self._switches.apply(samples)
        if self._gate.closed or self._gate.closing_frames == 0:
            self._gate.shut()
            self._state = self._after_closing
        return samples

    def _programme(self, most: int) -> FloatArray | None:
        """Frames as they stand in the strip, seams included; None at the end."""
        if self._pending is None or not self._pending.shape[0]:
            self._pending = self._seam_now()
        if self._pending is not None and self._pending.shape[0]:
            piece, self._pending = self._pending[:most], self._pending[most:]
            return piece
        current = self._ahead.current
        ready = current.ready_frames
        broken = self._ahead.trouble is not None
        if (broken or not current.finished) and self._gate.closing_frames is None:
            ready -= self._gate.fade_frames  # kept back, to fade out over when the disk does not follow
            if ready <= 0:
                self._starvations += 0 if broken else 1
                self._close(State.FAILED if broken else State.STARVED)
                ready = self._gate.closing_frames or 0
                most = min(most, ready)
        most = min(most, ready)
        if self._splice_at is not None and self._ahead.coming is not None:
            left = self._splice_at - self._early() - current.position
            if left > 0:
                most = min(most, left)
        if most <= 0:
            if self._ahead.coming is not None:
                self._gate.shut()  # the strip ended in silence; what comes is faded in
                self._gate.open()
            elif current.finished and current.ready_frames == 0:
                self._gate.shut()
                self._state = State.FAILED if self._ahead.trouble else State.ENDED
            return None
        samples = current.take(most)
        self._ahead.played()
        return samples

    def _seam_now(self) -> FloatArray | None:
        """The seam into the coming strip, once it is ready and its place is reached."""
        coming, current = self._ahead.coming, self._ahead.current
        if coming is None or not (coming.finished or coming.ready_frames >= self._ahead.cushion_frames):
            return None
        waits = self._splice_at is not None and current.position < (self._splice_at or 0) - self._early()
        if waits and current.ready_frames > 0:
            return None
        frames = min(self._seam_frames, coming.ready_frames, current.ready_frames) if self._splice_seam else 0
        going = current.take(frames) if frames else None
        self._ahead.switch()
        self._splice_at = None
        if going is None:
            return None
        seam = crossfaded(going, self._ahead.current.take(frames))
        self._ahead.played()
        return seam

    def _take_over_when_silent(self) -> None:
        coming = self._ahead.coming
        if coming is None or not self._gate.closed or self._splice_at is not None:
            return
        if coming.finished or coming.ready_frames >= self._ahead.cushion_frames:
            self._ahead.switch()
            if self._state is State.ENDED:
                self._state = State.STOPPED

    def _early(self) -> int:
        return self._seam_frames if self._splice_seam else 0

    def _come(self, playing: Playing, first_frame: int, *, at_frame: int | None, seam: bool) -> None:
        self._playing = playing
        # While nothing sounds there is no place to wait for.
        silent = self._gate.closed
        self._splice_at = None if silent else at_frame
        self._splice_seam = seam
        if silent and at_frame is not None and not seam:
            first_frame = self._ahead.current.position
        self._ahead.come(Strip(self._take, playing, first_frame))

    def _close(self, after: State) -> None:
        self._gate.close()
        self._after_closing = after
        self._state = after if after is State.STARVED else State.STOPPING
        if self._gate.closing_frames == 0:
            self._state = after

    def _can_go_on(self) -> bool:
        current = self._ahead.current
        return current.finished or current.ready_frames >= self._ahead.cushion_frames + self._gate.fade_frames

    def _column(self, line: int) -> int:
        for column, channel in enumerate(self._channels):
            if channel.line == line:
                return column
        raise ArgumentInvalid(f"line {line} has no return, or is not in the take", now="'lines' lists those that have")

    def _require_inside(self, frame: int) -> None:
        if not 0 <= frame < self._playing.end_frame:
            raise ArgumentInvalid(
                f"frame {frame} is outside what is played (0 to {self._playing.end_frame})", now="Choose a place inside"
            )


def _sound_loop(loop: Span | None, take: Reads) -> Span | None:
    if loop is None:
        return None
    shortest = round(0.1 * take.rate_hz)
    if loop.frames < shortest or loop.end_frame > take.frames:
        raise ArgumentInvalid(
            f"a loop of {loop.frames} frames from {loop.first_frame} does not fit",
            now=f"Loop at least 0.1 s inside the take ({take.frames} frames)",
        )
    return loop
