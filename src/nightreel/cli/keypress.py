"""Any key stops it: watches the terminal without waiting for Enter, and Ctrl-C as well."""

from __future__ import annotations

import contextlib
import select
import signal
import sys
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any


class Keys:
    """Keys pressed since the last look. Without a terminal there are none, and only Ctrl-C counts."""

    def __init__(self, stream: Any, restore: Callable[[], None] | None = None) -> None:
        self._stream = stream
        self._restore = restore
        self.interrupted = False

    def pressed(self) -> str:
        """The next key, '' when none was pressed; Ctrl-C counts as the key '\\x03'."""
        if self.interrupted:
            return "\x03"
        if self._stream is None:
            return ""
        ready, _, _ = select.select([self._stream], [], [], 0.0)
        return str(self._stream.read(1)) if ready else ""

    def read_line(self, prompt: str) -> str:
        """A whole line, typed with echo; '' without a terminal."""
        if self._stream is None or self._restore is None:
            return ""
        import tty

        self._restore()
        try:
            return input(prompt)
        except EOFError:
            return ""
        finally:
            tty.setcbreak(self._stream)


@contextlib.contextmanager
def watched_keys() -> Iterator[Keys]:
    """The terminal in a mode where single keys arrive; put back on the way out, whatever happens."""
    terminal = sys.stdin if sys.stdin is not None and sys.stdin.isatty() else None
    restore = None
    if terminal is not None:
        try:
            import termios
            import tty

            before = termios.tcgetattr(terminal)
            tty.setcbreak(terminal)
            file = terminal

            def restore() -> None:
                termios.tcsetattr(file, termios.TCSADRAIN, before)

        except ImportError:  # Windows: Ctrl-C still works
            terminal = None
    keys = Keys(terminal, restore)

    def on_interrupt(number: int, frame: FrameType | None) -> None:
        keys.interrupted = True

    old = signal.signal(signal.SIGINT, on_interrupt)
    try:
        yield keys
    finally:
        signal.signal(signal.SIGINT, old)
        if restore is not None:
            restore()
