"""Where in the set list the night is, so that a mark can name its song."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from nightreel.show.model import SetSong


class SetListPlace:
    """``begun`` songs have begun already. Thread-safe."""

    def __init__(self, songs: Sequence[SetSong], *, begun: int = 0) -> None:
        self._songs = tuple(songs)
        self._begun = min(begun, len(self._songs))
        self._lock = threading.Lock()

    @property
    def begun(self) -> int:
        return self._begun

    @property
    def next_title(self) -> str:
        """'' after the last song."""
        return self._songs[self._begun].title if self._begun < len(self._songs) else ""

    def move_to(self, song: int) -> None:
        """Let song ``song`` (from 1) be the next one; past the ends, the nearest possible place."""
        with self._lock:
            self._begun = max(0, min(song - 1, len(self._songs)))

    def name_mark(self, name: str, *, count: int) -> tuple[str, int | None]:
        """Name and song number of a mark.

        name : '' means that the next song begins (or, after the last, 'Mark 7' by the marks so far); a title of the
            set list means that this song begins; anything else is a mark without a song
        """
        wanted = name.strip()
        with self._lock:
            if not wanted and self._begun < len(self._songs):
                self._begun += 1
                return self._songs[self._begun - 1].title, self._begun
            if not wanted:
                return f"Mark {count + 1}", None
            number = self._find(wanted)
            if number is None:
                return wanted, None
            self._begun = number
            return self._songs[number - 1].title, number

    def _find(self, title: str) -> int | None:
        """The song of this title: the next one of that name first, so that a reprise is the later one."""
        order = [*range(self._begun, len(self._songs)), *range(self._begun)]
        return next((n + 1 for n in order if self._songs[n].title.casefold() == title.casefold()), None)
