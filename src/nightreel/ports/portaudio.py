"""Sources and sinks over PortAudio: whatever driver the user's system has.

PortAudio is reached through sounddevice. Its ``_StreamBase`` takes a compiled callback, which none of its public
classes does; it is a private class, so its version is pinned and a test opens a stream with it.

PortAudio prints what its drivers print; here that goes nowhere while it probes and opens.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import sys
import threading
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightreel.errors import DeviceTrouble
from nightreel.ports import portaudio_callback as compiled
from nightreel.ports.capture_ring import CaptureRing
from nightreel.ports.play_ring import PlayRing

JACK_DRIVER = "JACK Audio Connection Kit"
# Over JACK PortAudio 19.6 states a small negative number of frames as an unsigned one.
MOST_LATENCY_S = 10.0
_lock = threading.RLock()
_open_streams = 0
_witness: JackWitness | None = None
_abandoned: list[Any] = []


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """File descriptor 2 leads nowhere meanwhile: drivers' C code writes to it."""
    with _lock:
        try:
            kept = os.dup(2)
            nowhere = os.open(os.devnull, os.O_WRONLY)
        except OSError:
            yield
            return
        os.dup2(nowhere, 2)
        os.close(nowhere)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


def library() -> Any:
    """The sounddevice module, with devices probed; DeviceTrouble where PortAudio is missing."""
    with _lock:
        known = sys.modules.get("sounddevice")
        if known is not None and known._initialized:
            return known
        try:
            with quiet():
                import sounddevice

                if not sounddevice._initialized:
                    sounddevice._initialize()
        except (ImportError, OSError) as error:
            raise DeviceTrouble(
                "the PortAudio library is not installed",
                where="sound devices",
                now="Install it (Debian: libportaudio2), or use JACK or network audio",
            ) from error
        # Its own handler would end PortAudio even when that must not be done; see JackWitness.
        atexit.unregister(sounddevice._exit_handler)
        atexit.unregister(end)
        atexit.register(end)
        _meet_witness(sounddevice)
        return sounddevice


def probe_again() -> bool:
    """Look for devices afresh; False when that cannot be done now: a stream of this process is open, which would
    be cut off by it, or the JACK server left."""
    with _lock:
        if not end():
            return False
        library()
        return True


def end() -> bool:
    """Give PortAudio up, until it is needed again; False where that cannot be done (see ``probe_again``)."""
    global _witness
    with _lock:
        sounddevice = sys.modules.get("sounddevice")
        if sounddevice is None:
            return True
        if _open_streams or jack_has_left():
            return False
        with quiet():
            while sounddevice._initialized:
                sounddevice._terminate()
        if _witness is not None:
            _witness.close()
            _witness = None
        return True


def jack_has_left() -> bool:
    """The JACK server that PortAudio found is gone: what PortAudio says of JACK is not true any more."""
    return _witness is not None and not _witness.alive


class JackWitness:
    """A JACK client of ours beside PortAudio's, which knows the server's frame time and whether the server lives.

    PortAudio 19.6 cannot bear the loss of the server: stopping a stream then waits for ten minutes, and ending the
    library aborts the process (both measured; pa_jack.c). So once the witness is told that the server has left,
    streams over JACK are abandoned and PortAudio is never ended; this process gets nothing from JACK any more, as the
    library cannot meet a new server while clients of the old one are open (it crashed; measured). Streams that
    shall survive the loss of the server are opened directly, with PortAudio out of the way.
    """

    def __init__(self) -> None:
        from nightreel.ports import capture_ring
        from nightreel.ports.jack_server import hold, open_client, watch_server

        self._flags: NDArray[np.int64] = np.zeros(capture_ring.CONTROL_PLACES, dtype=np.int64)
        self._gone_place = capture_ring.GONE
        self._links: NDArray[np.int64] = np.zeros(compiled.LINK_PLACES, dtype=np.int64)
        self._links[compiled.CAPTURE] = self._flags.ctypes.data
        self._client = open_client("nightreel-witness")
        self.client_address = watch_server(self._client, self._links)
        hold(self)

    @property
    def alive(self) -> bool:
        return not self._flags[self._gone_place]

    @property
    def left_behind(self) -> tuple[str, str]:
        return "the JACK server has gone, and this process cannot meet another one", "Start Nightreel again"

    def close(self) -> None:
        from nightreel.ports.jack_server import let_go

        self._client.close()
        let_go(self)


def _meet_witness(sounddevice: Any) -> None:
    global _witness
    if any(api["name"] == JACK_DRIVER for api in sounddevice.query_hostapis()):
        with contextlib.suppress(DeviceTrouble):
            _witness = JackWitness()


class PortAudioStream:
    """An open, running stream. ``device_in`` and ``device_out`` are PortAudio's indices.

    Raises sounddevice.PortAudioError or ValueError, which :mod:`nightreel.ports.devices` puts into words.
    """

    def __init__(
        self,
        heard: CaptureRing | None,
        played: PlayRing | None,
        *,
        device_in: int | None,
        device_out: int | None,
        rate_hz: int,
        over_jack: bool,
    ) -> None:
        global _open_streams
        sounddevice = library()
        self._heard = heard
        self._played = played
        self._rate_hz = rate_hz
        self._closed = False
        self._clock: NDArray[np.float64] = np.zeros(compiled.CLOCK_PLACES, dtype=np.float64)
        self._links: NDArray[np.int64] = np.zeros(compiled.LINK_PLACES, dtype=np.int64)
        self._links[compiled.CLOCK] = self._clock.ctypes.data
        self._links[compiled.RATE_HZ] = rate_hz
        if heard is not None:
            self._links[compiled.CAPTURE] = heard.control.ctypes.data
        if played is not None:
            self._links[compiled.PLAY] = played.control.ctypes.data
        self._over_jack = over_jack and _witness is not None
        if self._over_jack:
            from nightreel.ports import jack_callback

            assert _witness is not None
            self._links[compiled.JACK_CLIENT] = _witness.client_address
            callback = jack_callback.portaudio_jack_period.address
        else:
            callback = compiled.portaudio_period.address
        ffi = sounddevice._ffi
        kind, device, channels = _sides(heard, played, device_in, device_out)
        with quiet():
            self._stream = sounddevice._StreamBase(
                kind=kind,
                samplerate=rate_hz,
                blocksize=0,
                device=device,
                channels=channels,
                dtype="float32",
                latency="high",
                callback=ffi.cast("PaStreamCallback*", callback),
                userdata=ffi.cast("void*", self._links.ctypes.data),
                clip_off=True,
                dither_off=True,
            )
            try:
                self._stream.start()
            except sounddevice.PortAudioError:
                self._stream.close()
                raise
        with _lock:
            _open_streams += 1

    @property
    def alive(self) -> bool:
        if self._closed or (self._over_jack and jack_has_left()):
            return False
        try:
            return bool(self._stream.active)
        except library().PortAudioError:
            return False

    @property
    def latency_frames(self) -> tuple[int, int]:
        stated = self._stream.latency
        ways = stated if isinstance(stated, tuple) else (stated, 0.0) if self._played is None else (0.0, stated)
        into, out = (0 if way > MOST_LATENCY_S else round(way * self._rate_hz) for way in ways)
        return into, out

    def close(self) -> None:
        global _open_streams
        if self._closed:
            return
        self._closed = True
        if self._over_jack and jack_has_left():
            _abandoned.append((self._stream, self._links, self._clock, self._heard, self._played))
            return
        with quiet():
            self._stream.abort()
            self._stream.close()
        with _lock:
            _open_streams -= 1


def _sides(
    heard: CaptureRing | None, played: PlayRing | None, device_in: int | None, device_out: int | None
) -> tuple[str, Any, Any]:
    """(kind, device, channels) as PortAudio's binding wants them."""
    ins = 0 if heard is None else heard.samples.shape[1]
    outs = 0 if played is None else played.samples.shape[1]
    if heard is not None and played is not None:
        return "duplex", (device_in, device_out), (ins, outs)
    return ("input", device_in, ins) if played is None else ("output", device_out, outs)
