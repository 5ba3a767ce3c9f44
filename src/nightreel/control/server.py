"""Answers clients on a local socket: one thread a client, so that a client that hangs hinders nobody."""

from __future__ import annotations

import contextlib
import logging
import socket
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from nightreel.control.messages import MAX_LINE_BYTES, Reply, Request, parse_request, serialise_reply
from nightreel.errors import FailureError, NightreelError, RecorderBusy

log = logging.getLogger("nightreel.control")

MOST_CLIENTS = 32
SEND_PATIENCE_S = 5.0
IDLE_S = 600.0

Handler = Callable[[Request], Mapping[str, Any]]
"""Gives the result of a request, or raises a NightreelError, which goes to the client as its four fields."""


class Server:
    """Listens from ``start`` to ``stop``."""

    def __init__(self, path: Path, handler: Handler) -> None:
        self._path = path
        self._handler = handler
        self._socket: socket.socket | None = None
        self._clients = threading.BoundedSemaphore(MOST_CLIENTS)
        self._stopping = threading.Event()

    def start(self) -> None:
        """Raises RecorderBusy when somebody answers at this address already."""
        if _answers(self._path):
            raise RecorderBusy("a process of ours answers here already", where=str(self._path), now="Use that one")
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.bind(str(self._path))
        self._path.chmod(0o600)
        self._socket.listen(16)
        threading.Thread(target=self._accept, name="control", daemon=True).start()

    def stop(self) -> None:
        self._stopping.set()
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
            self._socket.close()
        with contextlib.suppress(OSError):
            self._path.unlink()

    def _accept(self) -> None:
        assert self._socket is not None
        while not self._stopping.is_set():
            try:
                client, _ = self._socket.accept()
            except OSError:
                continue  # closed by stop, or a client that left at once
            if not self._clients.acquire(blocking=False):
                client.close()
                continue
            threading.Thread(target=self._serve, args=(client,), name="control client", daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        try:
            with client:
                client.settimeout(IDLE_S)
                for line in _lines(client):
                    reply = self._answer(line)
                    client.settimeout(SEND_PATIENCE_S)
                    client.sendall(serialise_reply(reply))
                    client.settimeout(IDLE_S)
        except OSError:
            pass  # the client has gone, or does not read: its affair
        finally:
            self._clients.release()

    def _answer(self, line: bytes) -> Reply:
        number = 0
        try:
            request = parse_request(line)
            number = request.id
            return Reply(id=number, result=self._handler(request))
        except NightreelError as error:
            return Reply(id=number, error=error.as_dict())
        except Exception as error:
            log.exception("a request failed on a fault of ours")
            fault = FailureError(f"a fault of ours: {error}", now="Still recording; see the log of the take")
            return Reply(id=number, error=fault.as_dict())


def _lines(client: socket.socket) -> Any:
    """Whole lines as they come; an endless line ends the conversation."""
    rest = b""
    while True:
        data = client.recv(65_536)
        if not data:
            return
        rest += data
        *lines, rest = rest.split(b"\n")
        yield from (line for line in lines if line.strip())
        if len(rest) > MAX_LINE_BYTES:
            return


def _answers(path: Path) -> bool:
    probe = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    probe.settimeout(1.0)
    try:
        probe.connect(str(path))
    except OSError:
        return False
    finally:
        probe.close()
    return True
