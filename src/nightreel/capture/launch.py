"""Start the recorder as a process of its own, and find out how the start went."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import threading
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from nightreel.capture.model import RecordRequest
from nightreel.control import runtime_folder
from nightreel.control.messages import error_from_fields
from nightreel.errors import FailureError, ShowInvalid

START_PATIENCE_S = 120.0  # the first start on a machine compiles


@dataclass(frozen=True, slots=True, kw_only=True)
class Launched:
    """``pid`` of the recorder, ``guard_pid`` of the process that watches over it."""

    take: str
    folder: Path
    state: str
    warnings: tuple[str, ...]
    pid: int
    guard_pid: int


def launch(request: RecordRequest) -> Launched:
    """Start a recorder that outlives this process and its terminal.

    Raises every refusal of the recorder; nothing is running or written then.
    """
    request = replace(request, show=str(Path(request.show).absolute()))
    reading, writing = os.pipe()
    log_path = runtime_folder() / "recorder.log"
    with log_path.open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "nightreel.capture", json.dumps(request.as_dict()), str(writing)],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            pass_fds=(writing,),
            start_new_session=True,
        )
    os.close(writing)
    body = _read_handshake(reading, log_path)
    if not body["ok"]:
        process.wait()
        fields = body["error"]
        problems = tuple(fields.get("problems", ()))
        error = error_from_fields(fields)
        if isinstance(error, ShowInvalid):
            error.problems = problems
        raise error
    _let_go_of(process)
    return Launched(
        take=body["take"],
        folder=Path(body["folder"]),
        state=body["state"],
        warnings=tuple(body["warnings"]),
        pid=body["pid"],
        guard_pid=body["guard_pid"],
    )


def _read_handshake(reading: int, log_path: Path) -> dict[str, Any]:
    with os.fdopen(reading, "rb") as pipe:
        ready, _, _ = select.select([pipe], [], [], START_PATIENCE_S)
        line = pipe.readline() if ready else b""
    if not line.endswith(b"\n"):
        raise FailureError("the recorder did not start", where=str(log_path), now="Its log says why")
    body: dict[str, Any] = json.loads(line)
    return body


def _let_go_of(process: subprocess.Popen[bytes]) -> None:
    """It is meant to outlive us; should we outlive it, it is reaped."""
    threading.Thread(target=process.wait, name="reaper", daemon=True).start()
