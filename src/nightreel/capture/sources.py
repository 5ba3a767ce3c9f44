"""From a source in words ('device:NAME', 'files:FOLDER') to frames: the one place that knows every kind.

Tests and the demo may add kinds of their own with :func:`register`, or name any function of any module with
``python:MODULE:FUNCTION:TEXT`` (called with the wanted :class:`SourceWish`), which works across processes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from nightreel.errors import ArgumentInvalid, DeviceTrouble
from nightreel.ports.protocols import FrameSource
from nightreel.show.model import Show


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceWish:
    """What a kind of source is asked for. ``text`` is what stands after the kind's name and colon."""

    text: str
    show: Show
    show_folder: Path
    rate_hz: int
    channels: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceSetup:
    """How to open a source, again if it was lost.

    waits : it waits for its reader and loses nothing (files); a device or a network does not
    """

    open: Callable[[], FrameSource]
    waits: bool = False


SourceKind = Callable[[SourceWish], SourceSetup]
_KINDS: dict[str, SourceKind] = {}


def register(name: str, kind: SourceKind) -> None:
    """Make ``name:...`` a source; replaces one of the same name."""
    _KINDS[name] = kind


def find_source(spec: str, *, show: Show, show_folder: Path, rate_hz: int, channels: int) -> SourceSetup:
    """What a source in words means. Nothing is opened yet; raises ArgumentInvalid for an unknown kind."""
    name, _, text = spec.partition(":")
    kind = _KINDS.get(name)
    if kind is None:
        raise ArgumentInvalid(
            f"'{spec}' is not a source", now=f"Write one of: {', '.join(f'{known}:...' for known in sorted(_KINDS))}"
        )
    return kind(SourceWish(text=text, show=show, show_folder=show_folder, rate_hz=rate_hz, channels=channels))


def _device(wish: SourceWish) -> SourceSetup:
    def open_device() -> FrameSource:
        from nightreel.ports import DeviceSource

        return DeviceSource(device=wish.text or None, rate_hz=wish.rate_hz, channels=wish.channels)

    return SourceSetup(open=open_device)


def _jack(wish: SourceWish) -> SourceSetup:
    def open_jack() -> FrameSource:
        from nightreel.ports import JackSource

        return JackSource(device=wish.text or None, rate_hz=wish.rate_hz, channels=wish.channels)

    return SourceSetup(open=open_jack)


def _aes67(wish: SourceWish) -> SourceSetup:
    """``aes67:FOLDER`` or ``aes67:FILE.sdp``; ``@ADDRESS`` or ``@ADDRESS,ADDRESS`` choose the network cards."""
    path, _, cards = wish.text.partition("@")

    def open_network() -> FrameSource:
        from nightreel.ports.aes67.files import find_descriptions, load_streams, require_channels
        from nightreel.ports.aes67.source import NetworkSource

        streams = load_streams(find_descriptions(path, beside=wish.show_folder))
        require_channels(streams, channels=wish.channels, rate_hz=wish.rate_hz)
        return NetworkSource(streams, interfaces=cards.split(",") if cards else ("", ""))

    return SourceSetup(open=open_network)


def _files(wish: SourceWish) -> SourceSetup:
    """A folder of sound files, one channel a file's channel, played as fast as it can be written."""

    def open_files() -> FrameSource:
        from nightreel.ports import FileSource

        return FileSource.of_folder(Path(wish.text))

    return SourceSetup(open=open_files, waits=True)


def _stage(wish: SourceWish) -> SourceSetup:
    """``stage:demo`` is the demo's band; ``stage:demo@8`` eight times as fast as real time, ``@max`` never waits."""
    name, _, speed_text = wish.text.partition("@")
    try:
        speed = None if speed_text == "max" else float(speed_text or 1.0)
    except ValueError:
        raise ArgumentInvalid(f"'{speed_text}' is not a speed", now="Write stage:demo@8 or stage:demo@max") from None

    def open_stage() -> FrameSource:
        # The demo stands above the rooms; it is asked for by name, as any outside module would be.
        try:
            make = import_module(f"nightreel.{name or 'demo'}.stage").make_source
        except (ImportError, AttributeError):
            raise DeviceTrouble(f"there is no stage '{name}'", now="Use stage:demo") from None
        source: FrameSource = make(wish.show, wish.show_folder, rate_hz=wish.rate_hz, speed=speed)
        return source

    return SourceSetup(open=open_stage, waits=speed is None)


def _python(wish: SourceWish) -> SourceSetup:
    """``python:MODULE:FUNCTION:TEXT``: the function gets the wish (its text shortened to TEXT), gives the setup."""
    module_name, _, rest = wish.text.partition(":")
    function_name, _, text = rest.partition(":")
    try:
        make = getattr(import_module(module_name), function_name)
    except (ImportError, AttributeError, ValueError) as error:
        raise ArgumentInvalid(f"'{wish.text}' names no function: {error}") from error
    setup: SourceSetup = make(
        SourceWish(
            text=text, show=wish.show, show_folder=wish.show_folder, rate_hz=wish.rate_hz, channels=wish.channels
        )
    )
    return setup


register("device", _device)
register("jack", _jack)
register("aes67", _aes67)
register("files", _files)
register("stage", _stage)
register("python", _python)
