"""The terminal form of the line check by ear: the next line in large type, what was heard, one key for everything."""

from __future__ import annotations

import sys
import time
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from nightreel.cli.keypress import Keys, watched_keys
from nightreel.cli.large_type import large

if TYPE_CHECKING:
    from nightreel.linecheck.ear import EarState
    from nightreel.linecheck.listen import Listener
    from nightreel.ports.protocols import FrameSource

KEYS = "s skip   r redo   a accept as it is and go on   n note   q finish"


def check_by_ear(source: FrameSource, state: EarState) -> EarState:
    """Run until every line is done, the source ends, or q is pressed. The source is started and stopped here."""
    from nightreel.linecheck.ear import hear
    from nightreel.linecheck.listen import Listener
    from nightreel.ports.protocols import EndOfFrames

    source.start()
    try:
        listener = Listener(rate_hz=source.rate_hz, sends=source.channels)
        with watched_keys() as keys:
            _show(state, listener)
            shown = time.monotonic()
            while not state.done:
                before = state
                try:
                    block = source.read(timeout_s=0.1)
                except EndOfFrames:
                    break
                if block is not None:
                    for lit in listener.feed(block.samples):
                        state = hear(state, lit, datetime.now().astimezone())
                key = keys.pressed()
                if key in ("q", "\x03"):
                    break
                state = _obey(key, state, keys)
                if state is not before or time.monotonic() - shown > 0.5:
                    _show(state, listener, changed=state is not before)
                    shown = time.monotonic()
        return state
    finally:
        source.stop()


def _obey(key: str, state: EarState, keys: Keys) -> EarState:
    from nightreel.linecheck.ear import accept, add_note, redo, skip

    now = datetime.now().astimezone()
    if key == "s":
        return skip(state, now)
    if key == "r":
        return redo(state)
    if key == "a":
        return accept(state)
    if key == "n":
        return add_note(state, keys.read_line("Note: "))
    return state


def _show(state: EarState, listener: Listener, changed: bool = True) -> None:
    """A whole page on a terminal; one line a change elsewhere."""
    out = sys.stdout
    expected = state.expected
    if not out.isatty():
        if changed and state.says:
            click.echo(state.says)
        return
    click.clear()
    if expected is None:
        click.echo(large("ALL DONE"))
        return
    click.echo(f"Line {expected.number} of {state.lines[-1].number}, socket {expected.socket or 'not noted'}\n")
    click.echo(large(f"{expected.number} {expected.name}"))
    click.echo()
    level, noise = _levels(listener, expected.send_number)
    click.echo(f"send {expected.send_number}: {level:6.1f} dBFS   noise {noise:6.1f} dBFS\n")
    click.echo(state.says or "Tap or speak at this microphone.")
    after = state.lines[state.place + 1 : state.place + 4]
    if after:
        click.echo("\nthen: " + ", ".join(f"{line.number} {line.name}" for line in after))
    click.echo(f"\n{KEYS}")


def _levels(listener: Listener, send: int) -> tuple[float, float]:
    levels: Any = listener.peaks_dbfs
    if not 1 <= send <= levels.size:
        return float("-inf"), float("-inf")
    return float(levels[send - 1]), float(listener.noise_dbfs[send - 1])
