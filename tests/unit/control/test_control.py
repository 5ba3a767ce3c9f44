"""The control protocol: versioned lines, several clients, precise errors, and no line that brings it down."""

from __future__ import annotations

import contextlib
import socket
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightreel.control import Client, Request, Server, socket_path
from nightreel.control.messages import parse_reply, parse_request, serialise_request
from nightreel.errors import ArgumentInvalid, ConfirmationMissing, FailureError, RecorderBusy, RecorderGone


def handle(request: Request) -> dict[str, Any]:
    if request.do == "refuse":
        raise ConfirmationMissing("it has to be confirmed", where="evening-1", now="Say its name")
    if request.do == "break":
        raise ZeroDivisionError("oops")
    return {"did": request.do, **request.values}


@pytest.fixture
def address(tmp_path: Path) -> Iterator[Path]:
    server = Server(tmp_path / "s.sock", handle)
    server.start()
    yield tmp_path / "s.sock"
    server.stop()


def test_a_request_gets_its_result(address: Path) -> None:
    with Client(address) as client:
        assert client.ask("mark", name="Tin Boats – Ebb") == {"did": "mark", "name": "Tin Boats – Ebb"}
        assert client.ask("status") == {"did": "status"}


def test_errors_arrive_as_their_own_class_with_all_fields(address: Path) -> None:
    with Client(address) as client:
        with pytest.raises(ConfirmationMissing) as caught:
            client.ask("refuse")
        assert caught.value.as_dict() == {
            "code": "confirmation-missing",
            "what": "it has to be confirmed",
            "where": "evening-1",
            "now": "Say its name",
        }
        with pytest.raises(FailureError, match="a fault of ours"):
            client.ask("break")
        assert client.ask("still there") == {"did": "still there"}


def test_several_clients_are_served_at_once(address: Path) -> None:
    clients = [Client(address) for _ in range(10)]
    results: list[dict[str, Any]] = []

    def run(client: Client, number: int) -> None:
        for _ in range(20):
            assert client.ask("count", number=number)["number"] == number
        results.append({"number": number})

    threads = [threading.Thread(target=run, args=(c, n)) for n, c in enumerate(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for client in clients:
        client.close()
    assert len(results) == 10


@pytest.mark.parametrize(
    "line",
    [b"nonsense", b"[]", b'{"do":"x"}', b'{"nightreel":2,"do":"x"}', b'{"nightreel":1}', b"\xff\xfe", b"[" * 9999],
)
def test_a_bad_line_is_answered_with_what_is_wrong(address: Path, line: bytes) -> None:
    with socket.socket(socket.AF_UNIX) as raw:
        raw.settimeout(5)
        raw.connect(str(address))
        raw.sendall(line + b"\n" + serialise_request(Request(do="after", id=3)))
        data = b""
        while data.count(b"\n") < 2:
            data += raw.recv(65_536)
    first, second = data.split(b"\n")[:2]
    refused = parse_reply(first)
    assert refused.error is not None
    assert refused.error["code"] == "argument-invalid"
    assert parse_reply(second).id == 3


def test_a_second_server_at_the_address_is_refused_and_a_dead_one_is_replaced(address: Path, tmp_path: Path) -> None:
    with pytest.raises(RecorderBusy):
        Server(address, handle).start()
    dead = tmp_path / "dead.sock"
    with socket.socket(socket.AF_UNIX) as left_over:
        left_over.bind(str(dead))
    server = Server(dead, handle)
    server.start()
    with Client(dead) as client:
        assert client.ask("x") == {"did": "x"}
    server.stop()


def test_nobody_there_is_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(RecorderGone, match="no recorder is running"):
        Client(tmp_path / "none.sock")


def test_the_address_is_short_and_the_same_for_every_way_of_writing_the_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with tempfile.TemporaryDirectory(dir="/tmp") as short:
        _check_addresses(tmp_path, Path(short), monkeypatch)


def _check_addresses(tmp_path: Path, short: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(short))
    deep = tmp_path / ("long name " * 20) / "show"
    deep.mkdir(parents=True)
    link = tmp_path / "link"
    link.symlink_to(deep)
    assert socket_path(deep) == socket_path(link) == socket_path(deep / ".." / "show")
    assert socket_path(deep).parent == short / "nightreel"
    assert (short / "nightreel").stat().st_mode & 0o777 == 0o700
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / ("long name " * 10)))
    assert len(bytes(socket_path(deep))) <= 103  # the shortest limit among common systems


@settings(max_examples=100)
@given(st.binary(max_size=200))
def test_any_bytes_are_a_request_or_a_named_error(line: bytes) -> None:
    for parse in (parse_request, parse_reply):
        with contextlib.suppress(ArgumentInvalid):  # every other error fails the test
            parse(line)
