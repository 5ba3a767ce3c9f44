"""The control protocol as bytes and values: one JSON object a line, UTF-8, with a version. Pure.

A request: ``{"nightreel": 1, "id": 7, "do": "mark", "with": {"name": "Tin Boats"}}``.
A reply: ``{"nightreel": 1, "id": 7, "ok": true, "result": {...}}``, or ``"ok": false`` with the four fields of an
error. See docs/formats/control.md for what can be asked.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from nightreel import errors
from nightreel.errors import ArgumentInvalid, FailureError, NightreelError

PROTOCOL_VERSION = 1
MAX_LINE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """``id`` is the client's own and comes back with the reply."""

    do: str
    id: int = 0
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """Either ``result`` or ``error`` (code, what, where, now)."""

    id: int
    result: Mapping[str, Any] | None = None
    error: Mapping[str, str] | None = None


def serialise_request(request: Request) -> bytes:
    return _line({"nightreel": PROTOCOL_VERSION, "id": request.id, "do": request.do, "with": dict(request.values)})


def parse_request(line: bytes) -> Request:
    """Raises ArgumentInvalid, naming what is wrong."""
    body = _object(line)
    do, number, values = body.get("do"), body.get("id", 0), body.get("with", {})
    if not isinstance(do, str):
        raise ArgumentInvalid("the request does not say what to do", now='Send {"nightreel": 1, "do": "status"}')
    if type(number) is not int or not isinstance(values, dict):
        raise ArgumentInvalid("'id' must be a whole number and 'with' an object", where=do)
    return Request(do=do, id=number, values=values)


def serialise_reply(reply: Reply) -> bytes:
    body: dict[str, Any] = {"nightreel": PROTOCOL_VERSION, "id": reply.id, "ok": reply.error is None}
    body["result" if reply.error is None else "error"] = (
        dict(reply.result or {}) if reply.error is None else reply.error
    )
    return _line(body)


def parse_reply(line: bytes) -> Reply:
    """Raises ArgumentInvalid for what is no reply."""
    body = _object(line)
    number = body.get("id", 0)
    if body.get("ok") is True and isinstance(body.get("result"), dict):
        return Reply(id=number if type(number) is int else 0, result=body["result"])
    error = body.get("error")
    if body.get("ok") is False and isinstance(error, dict):
        fields = {name: str(error.get(name, "")) for name in ("code", "what", "where", "now")}
        return Reply(id=number if type(number) is int else 0, error=fields)
    raise ArgumentInvalid("this is no reply")


def error_from_fields(fields: Mapping[str, str]) -> NightreelError:
    """The error that the other side raised, as its own class where the code is known."""
    kind = _BY_CODE.get(fields.get("code", ""), FailureError)
    return kind(fields.get("what", "it failed"), where=fields.get("where", ""), now=fields.get("now", ""))


def _classes() -> dict[str, type[NightreelError]]:
    found = [c for c in vars(errors).values() if isinstance(c, type) and issubclass(c, NightreelError)]
    return {c.code: c for c in found}


_BY_CODE = _classes()


def _line(body: Mapping[str, Any]) -> bytes:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace") + b"\n"


def _object(line: bytes) -> dict[str, Any]:
    if len(line) > MAX_LINE_BYTES:
        raise ArgumentInvalid(f"the line is longer than {MAX_LINE_BYTES} bytes")
    try:
        body = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise ArgumentInvalid(f"the line is not JSON: {error}") from error
    if not isinstance(body, dict):
        raise ArgumentInvalid("the line is no JSON object")
    version = body.get("nightreel")
    if version != PROTOCOL_VERSION:
        raise ArgumentInvalid(f"protocol version {version!r} is not spoken here", now=f"Use version {PROTOCOL_VERSION}")
    return body
