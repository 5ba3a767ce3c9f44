"""A JACK server of the tests' own: private name, dummy driver, stopped by its pid."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field

import jack
import pytest

from nightreel.ports import jack_callback, portaudio


@dataclass
class JackServer:
    """``start`` waits until it answers; ``kill`` is SIGKILL, as when it crashes; the name stays the same.

    synchronous : the server waits for its clients within each period, and goes on without none
    """

    name: str = field(default_factory=lambda: f"nightreel-test-{uuid.uuid4().hex[:10]}")
    rate_hz: int = 48_000
    period_frames: int = 256
    channels: int = 64
    synchronous: bool = False
    _process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        ports = str(self.channels)
        command = [
            "jackd",
            "-n",
            self.name,
            "-r",
            *(["-S"] if self.synchronous else []),
            "-d",
            "dummy",
            "-r",
            str(self.rate_hz),
        ]
        command += ["-p", str(self.period_frames), "-C", ports, "-P", ports]
        environment = {**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"}
        jack_callback.be_quiet()
        self._process = subprocess.Popen(
            command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )
        deadline_s = time.monotonic() + 30.0
        while True:
            with contextlib.suppress(jack.JackOpenError):
                jack.Client("is-it-there", servername=self.name, no_start_server=True).close()
                return
            assert self._process.poll() is None, "jackd ended at once"
            assert time.monotonic() < deadline_s, "jackd does not answer"
            time.sleep(0.05)

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(5.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
            self._process = None

    def kill(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.wait()
        self._process = None


@contextlib.contextmanager
def running_jack(monkeypatch: pytest.MonkeyPatch, **options: int) -> Iterator[JackServer]:
    """A server that is also this process's default one, so that PortAudio finds it."""
    server = JackServer(**options)  # type: ignore[arg-type]
    monkeypatch.setenv("JACK_DEFAULT_SERVER", server.name)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    server.start()
    try:
        yield server
    finally:
        # PortAudio cannot bear the loss of the server: it has to leave first.
        portaudio.end()
        server.stop()
