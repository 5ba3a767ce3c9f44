"""The thread between player and device: renders small blocks and writes them, and sees to the end of it.

The device's own buffer is what a stop has to wait for, so a sink that can fade what it has already been given
(``fade_out``) is asked to; any other hears the player's own fade.
"""

from __future__ import annotations

import threading

from nightreel.errors import NightreelError
from nightreel.ports.protocols import FrameSink
from nightreel.soundcheck.player import STOP_FADE_S, Player, State

_BLOCK_S = 0.005


class Drive:
    """Runs a player into a started sink until it is told to leave.

    patient : wait for the disk rather than play silence; for sinks that have no clock of their own (files)
    """

    def __init__(self, player: Player, sink: FrameSink, *, block_s: float = _BLOCK_S, patient: bool = False) -> None:
        self._player = player
        self._sink = sink
        self._patient = patient
        self._block_frames = max(16, round(block_s * sink.rate_hz))
        self._stop_wanted = threading.Event()
        self._leave = threading.Event()
        self._thread = threading.Thread(target=self._run, name="nightreel-player", daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def stop_now(self) -> None:
        """Silence within 20 ms of the device's next period. Returns at once."""
        self._stop_wanted.set()

    def leave(self, timeout_s: float = 5.0) -> None:
        """Fade, then end the thread. The sink is left to its owner."""
        self.stop_now()
        self._leave.set()
        self._thread.join(timeout_s)

    def _run(self) -> None:
        try:
            while True:
                if self._stop_wanted.is_set():
                    self._stop_wanted.clear()
                    self._silence()
                if self._leave.is_set() and self._player.status().state is not State.STOPPING:
                    return
                if self._patient:
                    self._player.wait_ready()
                self._sink.write(self._player.render(self._block_frames))
        except NightreelError as error:
            self._player.fail(error)

    def _silence(self) -> None:
        if self._leave.is_set() and self._player.status().state is State.ENDED:
            return  # what was written ahead is the end of the song: it is let sound
        fade_out = getattr(self._sink, "fade_out", None)
        if fade_out is None:
            self._player.stop()
        else:
            fade_out(STOP_FADE_S)
            self._player.cut()
