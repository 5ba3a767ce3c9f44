"""The sound devices of this machine: what there is, which one is meant, and sources and sinks over it.

A device is named as its driver names it; an unambiguous part of the name will do, and ``DRIVER: NAME`` tells two of
the same name apart. What can be asked of it is asked before it is opened, so that a refusal says what would work.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from nightreel.errors import DeviceTrouble
from nightreel.ports import portaudio
from nightreel.ports.capture_ring import CaptureRing
from nightreel.ports.capture_stream import RingSource
from nightreel.ports.jack import JackStream
from nightreel.ports.play_ring import PlayRing
from nightreel.ports.play_stream import BUFFER_S, DUPLEX_CUSHION_S, RingDuplex, RingSink
from nightreel.ports.streams import RING_S, Stream
from nightreel.units import RATES_HZ, format_rate

LIST_THEM = "'nightreel devices' lists what there is"
# portaudio.h
_INVALID_RATE, _DEVICE_UNAVAILABLE = -9997, -9985


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A sound device. ``sends`` come from it to us, ``returns`` go from us to it.

    rates_hz : the usual rates it offers with all its channels; filled by ``list_devices``
    index : PortAudio's, until devices are looked for again
    """

    name: str
    driver: str
    sends: int
    returns: int
    default_rate_hz: int
    index: int
    rates_hz: tuple[int, ...] = ()

    def __str__(self) -> str:
        return f"{self.driver}: {self.name}"


def list_devices() -> tuple[Device, ...]:
    """Every device of every driver, as it is now. Empty when there is none; raises DeviceTrouble without PortAudio."""
    portaudio.probe_again()
    devices = tuple(replace(device, rates_hz=find_rates_hz(device)) for device in _known_devices())
    portaudio.end()  # it is not to be there when a JACK server leaves
    return devices


def find_rates_hz(device: Device, *, sends: int = 0, returns: int = 0) -> tuple[int, ...]:
    """Which of the usual rates the device offers for this many channels (default all it has)."""
    ins, outs = (sends, returns) if sends or returns else (device.sends, device.returns)
    return tuple(rate_hz for rate_hz in RATES_HZ if _offers(device, rate_hz, ins, outs))


def require_device(name: str | None, *, sends: int = 0, returns: int = 0) -> Device:
    """The device that is meant; None is the system's default. DeviceTrouble when there is none or it is too small."""
    there = _known_devices()
    fitting = [d for d in there if (d.sends > 0 or not sends) and (d.returns > 0 or not returns)]
    if not there:
        raise DeviceTrouble(
            "this machine has no sound device",
            where=name or "",
            now="Connect one, start the JACK server, or use network audio",
        )
    device = _default_device(fitting, sends) if name is None else _match(name, there, fitting)
    for way, has, wanted in (("sends", device.sends, sends), ("returns", device.returns, returns)):
        if has < wanted:
            raise DeviceTrouble(
                f"it has {has} {way}, {wanted} are wanted",
                where=str(device),
                now=f"Patch at most {has} lines to it, or choose another device",
            )
    return device


class DeviceSource(RingSource):
    """A FrameSource: the first ``channels`` sends of a device. A lost device is looked for until it is back."""

    def __init__(
        self,
        *,
        rate_hz: int,
        channels: int,
        device: str | None = None,
        ring_s: float = RING_S,
        block_frames: int | None = None,
        through_portaudio: bool = False,
    ) -> None:
        super().__init__(
            _Opener(device, device, rate_hz, through_portaudio),
            rate_hz=rate_hz,
            channels=channels,
            clock=f"sound device {device}" if device else "default sound device",
            ring_s=ring_s,
            block_frames=block_frames,
        )


class DeviceSink(RingSink):
    """A FrameSink: the first ``channels`` returns of a device."""

    def __init__(
        self,
        *,
        rate_hz: int,
        channels: int,
        device: str | None = None,
        buffer_s: float = BUFFER_S,
        through_portaudio: bool = False,
    ) -> None:
        super().__init__(
            _Opener(device, device, rate_hz, through_portaudio),
            rate_hz=rate_hz,
            channels=channels,
            device=device or "default sound device",
            buffer_s=buffer_s,
        )


class DeviceDuplex(RingDuplex):
    """A Duplex: both ways of one device, or of two of one driver (``device_out``) that share a clock."""

    def __init__(
        self,
        *,
        rate_hz: int,
        sends: int,
        returns: int,
        device: str | None = None,
        device_out: str | None = None,
        ahead_s: float = DUPLEX_CUSHION_S,
        through_portaudio: bool = False,
    ) -> None:
        super().__init__(
            _Opener(device, device_out or device, rate_hz, through_portaudio),
            rate_hz=rate_hz,
            sends=sends,
            returns=returns,
            device=device or "default sound device",
            ahead_s=ahead_s,
        )


class _Opener:
    """Opens the named device; an ``OpenStream``.

    A device of the JACK driver is found through PortAudio and then opened directly, without it: only so does it come
    back after a loss of the server (docs/decisions/0002-audio-callback.md). ``through_portaudio`` keeps PortAudio.
    """

    def __init__(self, name_in: str | None, name_out: str | None, rate_hz: int, through_portaudio: bool) -> None:
        self._name_in = name_in
        self._name_out = name_out
        self._rate_hz = rate_hz
        self._through_portaudio = through_portaudio
        self._jack_names: tuple[str, str] | None = None

    def __call__(self, heard: CaptureRing | None, played: PlayRing | None) -> Stream:
        if self._jack_names is None:
            try:
                return self._open_found(heard, played)
            except DeviceTrouble:
                # It may have been connected since the devices were looked for.
                if not portaudio.probe_again():
                    raise
                return self._open_found(heard, played)
        return self._open_jack(heard, played, *self._jack_names)

    def _open_found(self, heard: CaptureRing | None, played: PlayRing | None) -> Stream:
        sends = 0 if heard is None else heard.samples.shape[1]
        returns = 0 if played is None else played.samples.shape[1]
        ins = require_device(self._name_in, sends=sends) if sends else None
        outs = require_device(self._name_out, returns=returns) if returns else None
        main = ins or outs
        assert main is not None
        for device in filter(None, (ins, outs)):
            _require_rate(device, self._rate_hz, sends if device is ins else 0, returns if device is outs else 0)
        if main.driver == portaudio.JACK_DRIVER and not self._through_portaudio:
            portaudio.end()
            self._jack_names = (ins.name if ins else "", outs.name if outs else "")
            return self._open_jack(heard, played, *self._jack_names)
        sounddevice = portaudio.library()
        try:
            return portaudio.PortAudioStream(
                heard,
                played,
                device_in=ins.index if ins else None,
                device_out=outs.index if outs else None,
                rate_hz=self._rate_hz,
                over_jack=main.driver == portaudio.JACK_DRIVER,
            )
        except (sounddevice.PortAudioError, ValueError) as error:
            raise _refusal(main, error) from error

    def _open_jack(self, heard: CaptureRing | None, played: PlayRing | None, name_in: str, name_out: str) -> Stream:
        return JackStream(heard, played, device_in=name_in, device_out=name_out, rate_hz=self._rate_hz, server=None)


def _known_devices() -> tuple[Device, ...]:
    sounddevice = portaudio.library()
    drivers = [str(api["name"]) for api in sounddevice.query_hostapis()]
    return tuple(
        Device(
            name=str(facts["name"]),
            driver=drivers[facts["hostapi"]],
            sends=int(facts["max_input_channels"]),
            returns=int(facts["max_output_channels"]),
            default_rate_hz=round(facts["default_samplerate"]),
            index=index,
        )
        for index, facts in enumerate(sounddevice.query_devices())
        if not (portaudio.jack_has_left() and drivers[facts["hostapi"]] == portaudio.JACK_DRIVER)
    )


def _default_device(fitting: list[Device], sends: int) -> Device:
    stated = portaudio.library().default.device[0 if sends else 1]
    chosen = next((device for device in fitting if device.index == stated), fitting[0] if fitting else None)
    if chosen is None:
        raise DeviceTrouble(f"no device has {'sends' if sends else 'returns'}", now=LIST_THEM)
    return chosen


def _in_full(device: Device) -> str:
    return str(device).casefold()


def _name_only(device: Device) -> str:
    return device.name.casefold()


def _match(name: str, there: tuple[Device, ...], fitting: list[Device]) -> Device:
    wanted = name.strip().casefold()
    for words in (_in_full, _name_only):
        exact = [device for device in fitting if words(device) == wanted]
        if len(exact) == 1:
            return exact[0]
        partly = exact or [device for device in fitting if wanted in words(device)]
        if len(partly) == 1:
            return partly[0]
    names = "; ".join(str(device) for device in there)
    meant = [device for device in fitting if wanted in str(device).casefold()]
    if meant:
        raise DeviceTrouble(
            f"'{name}' may mean several devices",
            now=f"Name one in full: {'; '.join(str(device) for device in meant)}",
        )
    raise DeviceTrouble(f"there is no device '{name}' for this", now=f"There are: {names}")


def _offers(device: Device, rate_hz: int, sends: int, returns: int) -> bool:
    sounddevice = portaudio.library()
    checks: list[tuple[Any, int]] = [
        (sounddevice.check_input_settings, sends),
        (sounddevice.check_output_settings, returns),
    ]
    try:
        with portaudio.quiet():
            for check, channels in checks:
                if channels:
                    check(device=device.index, channels=channels, samplerate=rate_hz, dtype="float32")
    except (sounddevice.PortAudioError, ValueError):
        return False
    return True


def _require_rate(device: Device, rate_hz: int, sends: int, returns: int) -> None:
    if _offers(device, rate_hz, sends, returns):
        return
    offered = find_rates_hz(device, sends=sends, returns=returns)
    if offered:
        raise DeviceTrouble(
            f"it does not run at {format_rate(rate_hz)}",
            where=str(device),
            now=f"It offers: {', '.join(format_rate(rate) for rate in offered)}",
        )
    # None of the usual rates: then it is not about the rate.
    raise _busy(device)


def _busy(device: Device) -> DeviceTrouble:
    return DeviceTrouble(
        "the device is busy or was unplugged",
        where=str(device),
        now="Close other programs that use it, check its cable, then try again",
    )


def _refusal(device: Device, error: Exception) -> DeviceTrouble:
    code = error.args[1] if len(error.args) > 1 else None
    if code == _DEVICE_UNAVAILABLE:
        return _busy(device)
    words = str(error.args[0]) if error.args else str(error)
    return DeviceTrouble(f"the driver refused: {words}", where=str(device), now="Try again, or choose another device")
