"""The recorder's side of the control protocol: what each request does."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

from nightreel import __version__
from nightreel.capture.model import RecorderState
from nightreel.capture.recorder import Recorder
from nightreel.capture.status import compute_levels, compute_status
from nightreel.control import PROTOCOL_VERSION, Request
from nightreel.errors import ArgumentInvalid, RequestError
from nightreel.take.facts import mark_json


class RecorderService:
    """A handler for :class:`nightreel.control.Server`; every method may be called from any thread."""

    def __init__(self, recorder: Recorder, *, guard_pid: int | None = None) -> None:
        self._recorder = recorder
        self._guard_pid = guard_pid
        self._requests = {
            "hello": self._hello,
            "status": self._status,
            "levels": self._levels,
            "mark": self._mark,
            "song": self._song,
            "start": self._start,
            "stop": self._stop,
        }

    def __call__(self, request: Request) -> Mapping[str, Any]:
        act = self._requests.get(request.do)
        if act is None:
            raise ArgumentInvalid(
                f"'{request.do}' is not known here", now=f"Known are: {', '.join(sorted(self._requests))}"
            )
        return act(request.values)

    def _hello(self, _: Mapping[str, Any]) -> Mapping[str, Any]:
        return {
            "nightreel": __version__,
            "protocol": PROTOCOL_VERSION,
            "pid": os.getpid(),
            "guard_pid": self._guard_pid,
            "take": self._recorder.take_name,
            "state": self._recorder.state.value,
        }

    def _status(self, _: Mapping[str, Any]) -> Mapping[str, Any]:
        status = compute_status(self._recorder)
        guarded = self._guard_pid is not None and os.getppid() == self._guard_pid
        return {**status, "pid": os.getpid(), "guarded": guarded}

    def _levels(self, values: Mapping[str, Any]) -> Mapping[str, Any]:
        return compute_levels(self._recorder, _whole(values, "windows", 1))

    def _mark(self, values: Mapping[str, Any]) -> Mapping[str, Any]:
        frame = None if values.get("frame") is None else _whole(values, "frame", 0)
        mark = self._recorder.mark(_text(values, "name"), source=_text(values, "source") or "command", frame=frame)
        return {"mark": mark_json(mark), "seconds": mark.frame / self._recorder.plan.rate_hz}

    def _song(self, values: Mapping[str, Any]) -> Mapping[str, Any]:
        self._recorder.set_list.move_to(_whole(values, "next", 1))
        return {"begun": self._recorder.set_list.begun, "next": self._recorder.set_list.next_title}

    def _start(self, _: Mapping[str, Any]) -> Mapping[str, Any]:
        if self._recorder.state is not RecorderState.ARMED:
            raise RequestError("the take is running already", where=self._recorder.take_name)
        self._recorder.record()
        return {"take": self._recorder.take_name}

    def _stop(self, values: Mapping[str, Any]) -> Mapping[str, Any]:
        if self._recorder.state is RecorderState.ARMED:
            self._recorder.disarm()
        else:
            self._recorder.stop(confirm=_text(values, "confirm"))
        return {"take": self._recorder.take_name, "state": self._recorder.state.value}


def _text(values: Mapping[str, Any], name: str) -> str:
    value = values.get(name, "")
    if not isinstance(value, str) or len(value) > 1000:
        raise ArgumentInvalid(f"'{name}' must be text of at most 1000 characters")
    return value


def _whole(values: Mapping[str, Any], name: str, default: int) -> int:
    value = values.get(name, default)
    if type(value) is not int:
        raise ArgumentInvalid(f"'{name}' must be a whole number")
    return value
