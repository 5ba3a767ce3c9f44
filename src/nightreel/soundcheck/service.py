"""What a running player can be told, in words, whoever says them: a key, a command, the page. Holds no device.

A client that goes away changes nothing. Every verb answers with the status; docs/soundcheck.md lists them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from nightreel.control import Request
from nightreel.errors import ArgumentInvalid
from nightreel.soundcheck.drive import Drive
from nightreel.soundcheck.player import Player, State
from nightreel.soundcheck.session import Section, choose_section, find_mark, find_song, neighbour_song, parse_place
from nightreel.take.model import TakeFacts
from nightreel.timeline import Span
from nightreel.units import format_position

KIND = "player"  # of the control socket
_AHEAD_S = 0.4  # a bar or mark nearer than this is too near to be met


class PlayerService:
    """Commands over one player.

    facts : of the take as it is played; after rate conversion, of the converted take
    bar_frames : length of a bar, 0 where no tempo was given
    """

    def __init__(
        self, player: Player, drive: Drive, facts: TakeFacts, section: Section, *, bar_frames: float = 0.0
    ) -> None:
        self._player = player
        self._drive = drive
        self._facts = facts
        self._section = section
        self._bar_frames = bar_frames
        self.quit_wanted = False
        self._verbs: Mapping[str, Callable[[str], None]] = {
            "status": lambda text: None,
            "stop": lambda text: drive.stop_now(),
            "go": lambda text: player.start(),
            "next": lambda text: self._neighbour(1, text),
            "previous": lambda text: self._neighbour(-1, text),
            "song": lambda text: self._jump(find_song(facts, _head(text)).span.first_frame, _tail(text)),
            "mark": lambda text: self._jump(find_mark(facts, _head(text)).frame, _tail(text)),
            "jump": lambda text: self._jump(parse_place(facts, _head(text)), _tail(text)),
            "loop": self._loop,
            "level": self._level,
            "return": lambda text: self._switch(text, True),
            "live": lambda text: self._switch(text, False),
            "quit": self._quit,
        }

    @property
    def verbs(self) -> tuple[str, ...]:
        return tuple(self._verbs)

    def handle(self, request: Request) -> Mapping[str, Any]:
        """For :class:`nightreel.control.Server`: the verb, with ``text`` for the rest."""
        return self.tell(request.do, str(request.values.get("text", "")))

    def tell(self, verb: str, text: str = "") -> dict[str, Any]:
        """Do it and give the status. Raises ArgumentInvalid and leaves everything as it was."""
        do = self._verbs.get(verb)
        if do is None:
            raise ArgumentInvalid(f"'{verb}' is nothing a player does", now=f"It does: {', '.join(self._verbs)}")
        do(text.strip())
        return self.status()

    def status(self) -> dict[str, Any]:
        now = self._player.status()
        rate_hz = self._facts.rate_hz
        song = next((s for s in self._facts.songs if s.span.first_frame <= now.position < s.span.end_frame), None)
        return {
            "state": str(now.state),
            "take": self._facts.name,
            "section": self._section.name,
            "song": song.name if song else "",
            "position": format_position(max(0, now.position), rate_hz),
            "frame": now.position,
            "level_db": round(now.level_db, 1),
            "loop": [format_position(now.loop.first_frame, rate_hz), format_position(now.loop.end_frame, rate_hz)]
            if now.loop
            else None,
            "returned": list(now.returned),
            "starvations": now.starvations,
            "trouble": now.trouble,
        }

    def _jump(self, frame: int, when: str) -> None:
        self._player.jump(frame, at_frame=self._place_for(when))
        if self._player.status().state is State.ENDED:
            self._player.start()

    def _place_for(self, when: str) -> int | None:
        """Where a jump takes place: at once, at the next mark or at the next bar."""
        if when in ("", "now"):
            return None
        position = self._player.status().position + round(_AHEAD_S * self._facts.rate_hz)
        if when == "at mark":
            places = [mark.frame for mark in sorted(self._facts.marks) if mark.frame > position]
            if not places:
                raise ArgumentInvalid("no mark lies ahead", now="Jump now, or at the next bar")
            return places[0]
        if when == "at bar":
            return self._next_bar(position)
        raise ArgumentInvalid(f"'{when}' is not a moment", now="Say nothing for at once, 'at mark' or 'at bar'")

    def _next_bar(self, position: int) -> int:
        if self._bar_frames <= 0.0:
            raise ArgumentInvalid("how long a bar is was not said", now="Start with --tempo (and --beats)")
        starts = [song.span.first_frame for song in self._facts.songs if song.span.first_frame <= position]
        first = starts[-1] if starts else 0
        bars = int((position - first) / self._bar_frames) + 1
        return first + round(bars * self._bar_frames)

    def _neighbour(self, step: int, when: str) -> None:
        song = neighbour_song(self._facts, self._player.status().position, step)
        if song is None or not song.span.first_frame < self._section.span.end_frame:
            raise ArgumentInvalid("there is no further song in what is played", now="Jump to a place or a mark")
        self._jump(song.span.first_frame, when)

    def _loop(self, text: str) -> None:
        loop: Span | None
        if text in ("off", ""):
            loop = None
        elif text == "on":
            loop = self._section.span
        elif text == "song":
            position = self._player.status().position
            songs = [s for s in self._facts.songs if s.span.first_frame <= position < s.span.end_frame]
            if not songs:
                raise ArgumentInvalid("no song is marked here", now="Loop a span: loop 1:00-1:30")
            loop = songs[0].span
        else:
            loop = choose_section(self._facts, span=text).span
        self._player.set_loop(loop)

    def _level(self, text: str) -> None:
        try:
            level_db = float(text)
        except ValueError:
            raise ArgumentInvalid(f"'{text}' is not a level", now="Write it in dB against the take: level -6") from None
        self._player.set_level(level_db)

    def _switch(self, text: str, returned: bool) -> None:
        numbers = [piece.strip() for piece in text.split(",") if piece.strip()]
        if not numbers or not all(piece.isdigit() for piece in numbers):
            raise ArgumentInvalid(f"'{text}' names no lines", now="Write line numbers: live 3,4")
        for piece in numbers:
            self._player.require_line(int(piece))
        for piece in numbers:
            self._player.set_returned(int(piece), returned)

    def _quit(self, text: str) -> None:
        self._drive.stop_now()
        self.quit_wanted = True


_MOMENTS = (" now", " at mark", " at bar")


def _head(text: str) -> str:
    """What comes before the moment."""
    for moment in _MOMENTS:
        if text.endswith(moment):
            return text[: -len(moment)].strip()
    return text


def _tail(text: str) -> str:
    """The moment at the end of a command: 'at mark', 'at bar', 'now' or ''."""
    return next((moment.strip() for moment in _MOMENTS if text.endswith(moment)), "")
