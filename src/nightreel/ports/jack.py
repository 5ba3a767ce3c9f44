"""Sources and sinks over JACK directly (Linux): the way in that knows exactly what was lost.

``device`` is the name of a JACK client: 'system' for the interface, or any other program's.
Source of the interface: jack/jack.h of the JACK Audio Connection Kit, reached through JACK-Client.
"""

from __future__ import annotations

import ctypes
import re
import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import DeviceTrouble
from nightreel.ports import portaudio_callback as links_of
from nightreel.ports.capture_ring import CaptureRing
from nightreel.ports.capture_stream import RingSource
from nightreel.ports.jack_server import START_IT, address, hold, let_go, library, open_client, watch_server
from nightreel.ports.play_ring import PlayRing
from nightreel.ports.play_stream import BUFFER_S, DUPLEX_CUSHION_S, RingDuplex, RingSink
from nightreel.ports.streams import RING_S, Stream
from nightreel.units import format_rate

SYSTEM = "system"


class JackStream:
    """An open client with its ports connected. The rings' callbacks run from the moment it exists."""

    def __init__(
        self,
        heard: CaptureRing | None,
        played: PlayRing | None,
        *,
        device_in: str,
        device_out: str,
        rate_hz: int,
        server: str | None,
    ) -> None:
        self._heard = heard
        self._played = played
        self._client = open_client(server=server)
        hold(self)
        try:
            _require_rate(self._client, rate_hz)
            ins = 0 if heard is None else heard.samples.shape[1]
            outs = 0 if played is None else played.samples.shape[1]
            from_ports = _require_ports(self._client, device_in, ins, is_output=True)
            to_ports = _require_ports(self._client, device_out, outs, is_output=False)
            own_ins = [self._client.inports.register(f"send_{n + 1}") for n in range(ins)]
            own_outs = [self._client.outports.register(f"return_{n + 1}") for n in range(outs)]
            self._addresses_in = _addresses(own_ins)
            self._addresses_out = _addresses(own_outs)
            self._links: NDArray[np.int64] = np.zeros(links_of.LINK_PLACES, dtype=np.int64)
            self._links[links_of.JACK_CLIENT] = watch_server(self._client, self._links)
            self._links[links_of.PORTS_IN] = self._addresses_in.ctypes.data
            self._links[links_of.PORTS_OUT] = self._addresses_out.ctypes.data
            if heard is not None:
                self._links[links_of.CAPTURE] = heard.control.ctypes.data
            if played is not None:
                self._links[links_of.PLAY] = played.control.ctypes.data
            _hand_over(self._client, self._links)
            self._client.activate()
            for source, own in zip(from_ports, own_ins, strict=True):
                self._client.connect(source, own)
            for own, target in zip(own_outs, to_ports, strict=True):
                self._client.connect(own, target)
            self._let_periods_pass(3)
            self._latency_frames = (
                _latency_frames(from_ports[0], capture=True) if ins else 0,
                _latency_frames(to_ports[0], capture=False) if outs else 0,
            )
        except BaseException as error:
            self.close()
            if isinstance(error, library().JackError):
                raise DeviceTrouble(f"JACK refused: {error}", where="JACK", now=START_IT) from error
            raise

    def _let_periods_pass(self, periods: int) -> None:
        """A new connection is heard from the next period on; a server that does not run is not waited for."""
        rings = [ring for ring in (self._heard, self._played) if ring is not None]
        wanted = [ring.calls + periods for ring in rings]
        deadline_s = time.monotonic() + 1.0
        while any(ring.calls < calls for ring, calls in zip(rings, wanted, strict=True)):
            if time.monotonic() > deadline_s:
                return
            time.sleep(0.001)

    @property
    def alive(self) -> bool:
        return not any(ring.gone for ring in (self._heard, self._played) if ring is not None)

    @property
    def left_behind(self) -> tuple[str, str]:
        return "streams of the JACK server that has gone are still open", "Stop them"

    @property
    def latency_frames(self) -> tuple[int, int]:
        return self._latency_frames

    def close(self) -> None:
        self._client.close()
        let_go(self)


class JackSource(RingSource):
    """A FrameSource: the first ``channels`` outputs of a JACK client."""

    def __init__(
        self,
        *,
        rate_hz: int,
        channels: int,
        device: str | None = None,
        server: str | None = None,
        ring_s: float = RING_S,
        block_frames: int | None = None,
    ) -> None:
        name = device or SYSTEM

        def open_stream(heard: CaptureRing | None, played: PlayRing | None) -> Stream:
            return JackStream(heard, played, device_in=name, device_out="", rate_hz=rate_hz, server=server)

        super().__init__(
            open_stream,
            rate_hz=rate_hz,
            channels=channels,
            clock=f"JACK, {name}",
            ring_s=ring_s,
            block_frames=block_frames,
        )


class JackSink(RingSink):
    """A FrameSink: the first ``channels`` inputs of a JACK client."""

    def __init__(
        self,
        *,
        rate_hz: int,
        channels: int,
        device: str | None = None,
        server: str | None = None,
        buffer_s: float = BUFFER_S,
    ) -> None:
        name = device or SYSTEM

        def open_stream(heard: CaptureRing | None, played: PlayRing | None) -> Stream:
            return JackStream(heard, played, device_in="", device_out=name, rate_hz=rate_hz, server=server)

        super().__init__(open_stream, rate_hz=rate_hz, channels=channels, device=f"JACK, {name}", buffer_s=buffer_s)


class JackDuplex(RingDuplex):
    """A Duplex between us and one JACK client, or two of one server (``device_out``)."""

    def __init__(
        self,
        *,
        rate_hz: int,
        sends: int,
        returns: int,
        device: str | None = None,
        device_out: str | None = None,
        server: str | None = None,
        ahead_s: float = DUPLEX_CUSHION_S,
    ) -> None:
        name = device or SYSTEM

        def open_stream(heard: CaptureRing | None, played: PlayRing | None) -> Stream:
            return JackStream(
                heard, played, device_in=name, device_out=device_out or name, rate_hz=rate_hz, server=server
            )

        super().__init__(
            open_stream, rate_hz=rate_hz, sends=sends, returns=returns, device=f"JACK, {name}", ahead_s=ahead_s
        )


def _hand_over(client: Any, links: NDArray[np.int64]) -> None:
    """Give JACK the compiled function; JACK-Client's own setter takes Python functions only."""
    from nightreel.ports import jack_callback

    jack = library()
    period = jack._ffi.cast("JackProcessCallback", jack_callback.jack_period.address)
    if jack._lib.jack_set_process_callback(client._ptr, period, jack._ffi.cast("void*", links.ctypes.data)) != 0:
        raise DeviceTrouble("JACK does not take the callback", where="JACK", now=START_IT)


def _require_rate(client: Any, rate_hz: int) -> None:
    if client.samplerate != rate_hz:
        raise DeviceTrouble(
            f"the server runs at {format_rate(client.samplerate)}, not at {format_rate(rate_hz)}",
            where="JACK",
            now=f"Restart the server at {format_rate(rate_hz)}, or use {format_rate(client.samplerate)}",
        )


def _require_ports(client: Any, device: str, wanted: int, *, is_output: bool) -> list[Any]:
    """The first ``wanted`` audio ports of a client, in its order."""
    if wanted == 0:
        return []
    found: list[Any] = client.get_ports(
        f"^{re.escape(device)}:", is_audio=True, is_output=is_output, is_input=not is_output
    )
    if len(found) >= wanted:
        return found[:wanted]
    every = client.get_ports(is_audio=True, is_output=is_output, is_input=not is_output)
    way = "sends" if is_output else "returns"
    if not found:
        clients = sorted({port.name.rsplit(":", 1)[0] for port in every} - {client.name})
        raise DeviceTrouble(
            f"no JACK client '{device}' offers {way}",
            where="JACK",
            now=f"There are: {', '.join(clients)}" if clients else "No client offers any",
        )
    raise DeviceTrouble(
        f"'{device}' has {len(found)} {way}, {wanted} are wanted",
        where="JACK",
        now=f"Patch at most {len(found)} lines to it, or give the server more channels",
    )


def _addresses(ports: list[Any]) -> NDArray[np.int64]:
    return np.array([address(port._ptr) for port in ports] or [0], dtype=np.int64)


def _latency_frames(port: Any, *, capture: bool) -> int:
    """The most latency that JACK states for a port (``jack_port_get_latency_range``)."""
    from nightreel.ports import jack_callback

    found = jack_callback.find_library()
    assert found is not None
    shortest_longest = (ctypes.c_uint32 * 2)()
    function = found.jack_port_get_latency_range
    function.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p]
    function.restype = None
    function(address(port._ptr), 0 if capture else 1, shortest_longest)
    return int(shortest_longest[1])
