"""Meeting a JACK server as a client, and knowing when it has left. What sounds through a client stands elsewhere.

Source of the interface: jack/jack.h of the JACK Audio Connection Kit, reached through JACK-Client.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import DeviceTrouble

CLIENT_NAME = "nightreel"
START_IT = "Start the JACK server, or choose another device ('nightreel devices' lists them)"


class Holder(Protocol):
    """Whoever keeps a client open. The library cannot meet a new server while a client of the old one is open: it
    crashed (measured)."""

    @property
    def alive(self) -> bool:
        """False once the server has left this client behind."""
        ...

    @property
    def left_behind(self) -> tuple[str, str]:
        """What that means for meeting another server, and what to do."""
        ...


_holders: set[Holder] = set()


def hold(holder: Holder) -> None:
    """Remember a holder until :func:`let_go`."""
    _holders.add(holder)


def let_go(holder: Holder) -> None:
    _holders.discard(holder)


def library() -> Any:
    """JACK-Client's module, made quiet; DeviceTrouble where the library is missing."""
    try:
        import jack

        from nightreel.ports import jack_callback
    except (ImportError, OSError) as error:
        raise DeviceTrouble(
            "the JACK library is not installed", where="JACK", now="Install jackd2, or choose another device"
        ) from error
    jack_callback.be_quiet()
    return jack


def open_client(name: str = CLIENT_NAME, *, server: str | None = None) -> Any:
    """A client of the running server; DeviceTrouble when there is none (none is ever started)."""
    jack = library()
    for holder in _holders:
        if not holder.alive:
            what, now = holder.left_behind
            raise DeviceTrouble(what, where="JACK", now=now)
    try:
        return jack.Client(name, no_start_server=True, servername=server)
    except jack.JackOpenError as error:
        raise DeviceTrouble("no JACK server answers", where="JACK", now=START_IT) from error


def watch_server(client: Any, links: NDArray[np.int64]) -> int:
    """Have the rings behind ``links`` told when the server leaves; the client's address. Before it is activated."""
    from nightreel.ports import jack_callback

    jack = library()
    gone = jack._ffi.cast("JackInfoShutdownCallback", jack_callback.jack_gone.address)
    jack._lib.jack_on_info_shutdown(client._ptr, gone, jack._ffi.cast("void*", links.ctypes.data))
    return address(client._ptr)


def address(pointer: Any) -> int:
    """A pointer of the C library as a number, for compiled callbacks."""
    return int(library()._ffi.cast("intptr_t", pointer))
