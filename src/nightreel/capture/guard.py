"""The guard: a process that starts the recorder, and starts it anew into a linked take should it ever die.

The guard does nothing else, so that there is little in it that can fail. It has loaded and compiled everything before
it forks, which makes a restart a matter of tenths of a second. It may die itself without harm: the recorder goes on.
Both ignore SIGINT, SIGHUP and SIGPIPE: no terminal that closes ends a take; nor does SIGTERM.
"""

from __future__ import annotations

import contextlib
import faulthandler
import fcntl
import json
import logging
import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from nightreel.capture.listeners import MarkListeners
from nightreel.capture.mapping import MarkMapping, parse_mapping
from nightreel.capture.model import RecordPlan, RecordRequest
from nightreel.capture.planning import make_plan, require_checks, run_checks, self_test
from nightreel.capture.recorder import Recorder
from nightreel.capture.recover import recover
from nightreel.capture.service import RecorderService
from nightreel.capture.sources import find_source
from nightreel.control import Server, socket_path
from nightreel.errors import DiskTrouble, FailureError, NightreelError, RecorderBusy, ShowInvalid
from nightreel.show.files import SETTINGS_FILE
from nightreel.take.account import compute_account
from nightreel.take.journal_file import read_journal
from nightreel.units import Encoding

log = logging.getLogger("nightreel.capture")

FAULTY = 4  # exit status of a recorder that closed its take on a fault of ours: another one takes over
REFUSED = 3  # exit status of a recorder that did not start
RESTART_PAUSE_S = 5.0  # between attempts that fail at once
QUICK_DEATH_S = 10.0
LINGER_S = 0.7  # so that clients still see how it ended

Report = Callable[[dict[str, Any]], None]


def run_guard(request: RecordRequest, report: Report) -> int:
    """Guard a take from its start to its end; ``report`` is called once, with how the start went."""
    ignore_signals()
    try:
        require_checks(make_plan(request))  # what can be refused at once is refused before anything heavy is loaded
        lock = lock_show(Path(request.show))
    except NightreelError as error:
        report(_refusal(error))
        return REFUSED
    warm_up(request)
    first = True
    while True:
        began_s = time.monotonic()
        pid, started = _fork_recorder(request)
        if first:
            report(started or _died_at_start())
        status = _wait_for(pid)
        if status == 0 or (first and (started is None or not started["ok"])):
            os.close(lock)
            return 0 if status == 0 else REFUSED
        first = False
        log.error("the recorder ended with status %d: starting it anew", status)
        if started is not None and started["ok"] and Path(started["folder"]).is_dir():  # else it was only armed
            request = replace(request, follows=started["take"])
            _fork_recovery(Path(started["folder"]))
        if time.monotonic() - began_s < QUICK_DEATH_S and (started is None or not started["ok"]):
            time.sleep(RESTART_PAUSE_S)


def lock_show(folder: Path) -> int:
    """Hold the show folder for one recorder; raises RecorderBusy. Nothing is written: the lock is on the folder.

    The lock lives as long as the guard or the recorder does. It cannot see another computer's recorder on a network
    disk.
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError as error:
        raise DiskTrouble(f"the show folder cannot be opened: {error.strerror}", where=str(folder)) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        raise RecorderBusy(
            "a recorder is already running for this show",
            where=str(folder),
            now="Watch it with `nightreel record SHOW --status`",
        ) from error
    return handle


def ignore_signals() -> None:
    for name in ("SIGINT", "SIGHUP", "SIGPIPE", "SIGTERM"):
        signal.signal(getattr(signal, name), signal.SIG_IGN)


def warm_up(request: RecordRequest) -> None:
    """Load what the recorder will need, compiled code included, before there is a take that could wait for it."""
    import numpy as np

    from nightreel.signal.meters import LineMeters

    for encoding in {
        Encoding.PCM24,
        Encoding(request.encoding) if request.encoding in list(Encoding) else Encoding.PCM24,
    }:
        self_test(encoding)
    meters = LineMeters.start(rate_hz=48_000, channels=2)
    meters.feed(np.zeros((48_000, 2), dtype=np.float32))
    meters.result()
    if request.source.partition(":")[0] in ("jack", "device"):
        with contextlib.suppress(Exception):
            import nightreel.ports.jack
            import nightreel.ports.portaudio_callback  # noqa: F401
    if request.source.partition(":")[0] == "aes67":
        from nightreel.ports.aes67.batches import compile_receiver

        compile_receiver()


def _fork_recorder(request: RecordRequest) -> tuple[int, dict[str, Any] | None]:
    """Its process id and what it says about its start; None when it died before it could."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        with contextlib.suppress(OSError):
            os.setpgid(0, 0)  # what kills one of us together with its group leaves the other
        status = 1
        try:
            status = _run_recorder(request, writing)
        except BaseException:
            log.exception("the recorder failed on a fault of ours")
        finally:
            logging.shutdown()
            os._exit(status)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        line = pipe.readline()
    return pid, json.loads(line) if line.endswith(b"\n") else None


def _run_recorder(request: RecordRequest, writing: int) -> int:
    faulthandler.enable()

    def report(body: dict[str, Any]) -> None:
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(json.dumps(body, ensure_ascii=False).encode() + b"\n")

    try:
        recorder, warnings = start_recorder(request)
    except NightreelError as error:
        report(_refusal(error))
        return REFUSED
    server = Server(socket_path(recorder.plan.show_folder), RecorderService(recorder, guard_pid=os.getppid()))
    try:
        server.start()
    except (NightreelError, OSError):
        log.exception("no control socket: the recorder can be watched in its journal only")
    folder = recorder.plan.places[0].folder
    _log_into(folder)
    report(
        {
            "ok": True,
            "take": recorder.take_name,
            "folder": str(folder),
            "state": recorder.state.value,
            "warnings": warnings,
            "pid": os.getpid(),
            "guard_pid": os.getppid(),
        }
    )
    while not recorder.wait(timeout_s=0.5):
        _log_into(folder)
    if recorder.intake.failed:
        server.stop()
        return FAULTY
    time.sleep(LINGER_S)
    server.stop()
    return 0


def start_recorder(request: RecordRequest) -> tuple[Recorder, list[str]]:
    """A recorder that runs (or is armed), and what the checks had to say. Raises every refusal."""
    plan = make_plan(request, song_index=_songs_begun(request))
    if request.follows:  # in the middle of a show every chance is worth taking
        warnings = [str(c.error) if c.error else c.words for c in run_checks(plan) if c.warning or c.error]
    else:
        warnings = [check.words for check in require_checks(plan) if check.warning]
    setup = find_source(
        request.source,
        show=plan.show,
        show_folder=plan.show_folder,
        rate_hz=plan.rate_hz,
        channels=plan.source_channels,
    )
    mapping = load_mapping(plan)
    recorder = Recorder(plan, setup, on_block=lambda block, frame: listeners.take_block(block, frame))
    listeners = MarkListeners(
        mapping,
        recorder.mark,
        rate_hz=plan.rate_hz,
        timecode_track=next((n for n, t in enumerate(plan.tracks) if t.line == mapping.timecode_line), None),
    )
    recorder.open()
    try:
        listeners.start()
        if request.armed and not request.follows:
            recorder.arm()
        else:
            recorder.record()
    except BaseException:
        listeners.stop()
        recorder.abandon()
        raise
    return recorder, [*warnings, *recorder.intake.warnings]


def load_mapping(plan: RecordPlan) -> MarkMapping:
    """What sets marks from outside, by show.toml. Raises ShowInvalid."""
    mapping = parse_mapping((plan.show_folder / SETTINGS_FILE).read_text(encoding="utf-8-sig"))
    if mapping.timecode_line is not None and all(t.line != mapping.timecode_line for t in plan.tracks):
        raise ShowInvalid(
            f"[marks]: line {mapping.timecode_line} is to carry timecode, but it is not recorded",
            where=str(plan.show_folder / SETTINGS_FILE),
            now="Give the line a send, or name another timecode_line",
        )
    return mapping


def _songs_begun(request: RecordRequest) -> int:
    """Where the set list stood in the take that broke off."""
    if not request.follows:
        return 0
    try:
        facts = compute_account(read_journal(Path(request.show) / "takes" / request.follows)).facts
    except NightreelError:
        return 0
    songs = [mark.song for mark in facts.marks if mark.song is not None] if facts is not None else []
    return songs[-1] if songs else 0


def _fork_recovery(folder: Path) -> None:
    """Make the broken take whole in a process of its own, beside the new recording."""
    if os.fork() != 0:
        return
    status = 1
    try:
        os.nice(5)
        recovery = recover(folder)
        for mirror in recovery.other_places:
            with contextlib.suppress(NightreelError):
                recover(mirror)
        status = 0
    except BaseException:
        log.exception("recovering %s", folder)
    finally:
        logging.shutdown()
        os._exit(status)


def _wait_for(pid: int) -> int:
    """The exit status of the recorder, -N for signal N; recoveries that end meanwhile are reaped."""
    while True:
        found, status = os.wait()
        if found == pid:
            return os.waitstatus_to_exitcode(status)


def _log_into(folder: Path) -> None:
    """Once the take folder is there, log into it as well."""
    path = folder / "recorder.log"
    if not folder.is_dir() or any(getattr(h, "baseFilename", "") == str(path) for h in log.handlers):
        return
    logging.raiseExceptions = False  # a full disk must not make the log a trouble of its own
    with contextlib.suppress(OSError):
        handler = logging.FileHandler(path, encoding="utf-8")
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
        log.addHandler(handler)
        log.setLevel(logging.INFO)


def _refusal(error: NightreelError) -> dict[str, Any]:
    return {"ok": False, "error": {**error.as_dict(), "problems": list(getattr(error, "problems", ()))}}


def _died_at_start() -> dict[str, Any]:
    error = FailureError("the recorder died while starting", now="Look at the log named by `nightreel record --json`")
    return {"ok": False, "error": error.as_dict()}


def main(argv: list[str]) -> int:
    """``python -m nightreel.capture REQUEST-AS-JSON HANDSHAKE-FD``."""
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(asctime)s %(levelname)s %(message)s")
    handshake = int(argv[2])

    def report(body: dict[str, Any]) -> None:
        with os.fdopen(handshake, "wb") as pipe, contextlib.suppress(OSError):
            pipe.write(json.dumps(body, ensure_ascii=False).encode() + b"\n")

    return run_guard(RecordRequest.from_dict(json.loads(argv[1])), report)
