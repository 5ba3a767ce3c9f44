"""Asks a process of ours over its local socket."""

from __future__ import annotations

import socket
from pathlib import Path
from types import TracebackType
from typing import Any

from nightreel.control.messages import MAX_LINE_BYTES, Request, error_from_fields, parse_reply, serialise_request
from nightreel.errors import NightreelError, RecorderGone


class Client:
    """One connection; a context manager. Raises RecorderGone when nobody answers, and the other side's errors."""

    def __init__(self, path: Path, *, timeout_s: float = 10.0) -> None:
        self._path = path
        self._rest = b""
        self._number = 0
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(timeout_s)
        try:
            self._socket.connect(str(path))
        except OSError as error:
            self._socket.close()
            raise RecorderGone(
                "no recorder is running for this show", now="Start one with `nightreel record`"
            ) from error

    def ask(self, do: str, **values: Any) -> dict[str, Any]:
        """The result of a request."""
        self._number += 1
        try:
            self._socket.sendall(serialise_request(Request(do=do, id=self._number, values=values)))
            reply = parse_reply(self._read_line())
        except NightreelError:
            raise
        except OSError as error:
            raise RecorderGone(
                "the recorder does not answer", where=do, now="Look at `nightreel record SHOW --status` and at the log"
            ) from error
        if reply.error is not None:
            raise error_from_fields(reply.error)
        return dict(reply.result or {})

    def close(self) -> None:
        self._socket.close()

    def _read_line(self) -> bytes:
        while b"\n" not in self._rest:
            data = self._socket.recv(65_536)
            if not data or len(self._rest) > MAX_LINE_BYTES:
                raise RecorderGone("the recorder has closed the connection", now="See whether it still runs: --status")
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        return line

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
