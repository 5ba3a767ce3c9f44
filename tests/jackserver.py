"""A JACK server of the tests' own: private name, dummy driver, stopped by its pid."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import jack
import pytest

from nightreel.ports import jack_callback, portaudio

PREFIX = "nightreel-test-"


@dataclass
class JackServer:
    """``start`` waits until it answers; ``kill`` is SIGKILL, as when it crashes; the name stays the same.

    synchronous : the server waits for its clients within each period, and goes on without none
    """

    name: str = field(default_factory=lambda: f"{PREFIX}{uuid.uuid4().hex[:10]}")
    rate_hz: int = 48_000
    period_frames: int = 256
    channels: int = 64
    synchronous: bool = False
    _process: subprocess.Popen[bytes] | None = None
    _killed: bool = False

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        jack_callback.be_quiet()
        deadline_s = time.monotonic() + 60.0
        while not self._try_to_start(deadline_s):
            # A user can have eight servers at a time, and killed ones count until their name is used again.
            assert time.monotonic() < deadline_s, "jackd does not start"
            _reclaim_killed_servers()
            time.sleep(0.5)

    def _try_to_start(self, deadline_s: float) -> bool:
        ports = str(self.channels)
        command = ["jackd", "-n", self.name, "-r", *(["-S"] if self.synchronous else []), "-d", "dummy"]
        command += ["-r", str(self.rate_hz), "-p", str(self.period_frames), "-C", ports, "-P", ports]
        self._process = _spawn(command)
        while time.monotonic() < deadline_s:
            with contextlib.suppress(jack.JackOpenError):
                jack.Client("is-it-there", servername=self.name, no_start_server=True).close()
                return True
            if self._process.poll() is not None:
                return False
            time.sleep(0.05)
        self.stop()
        return False

    def stop(self) -> None:
        """Also after ``kill``: a killed server is started once more, to leave as it should."""
        if self._process is None and self._killed:
            self.start()
        if self._process is not None and not _end(self._process):
            _reclaim(self.name)
        self._process, self._killed = None, False

    def kill(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.wait()
        self._process, self._killed = None, True


def _spawn(command: list[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        command,
        env={**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def _end(process: subprocess.Popen[bytes]) -> bool:
    """False when it had to be killed."""
    process.terminate()
    try:
        process.wait(10.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
        return False
    return True


def _reclaim(name: str) -> None:
    """Use the name of a server that was killed once more, and leave in good order."""
    process = _spawn(["jackd", "-n", name, "-r", "-d", "dummy", "-C", "1", "-P", "1"])
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(1.0)
    _end(process)


def _reclaim_killed_servers() -> None:
    """Names of tests' servers whose traces are there and whose process is not."""
    traces = {path.name[len("jack_") : -len("_0_0")] for path in Path("/dev/shm").glob(f"jack_{PREFIX}*_0_0")}
    commands = set()
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            commands |= set(path.read_bytes().decode(errors="replace").split("\0"))
    for name in traces - commands:
        _reclaim(name)


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
