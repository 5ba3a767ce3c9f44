"""From a device in words ('device:NAME', 'jack:CLIENT', 'stage:...', 'files:FOLDER') to an open port both ways or out.

The simulated stage follows the show's patch; faults can be planted in it: ``stage:crossed=9+10,dead=31@max``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from nightreel.errors import ArgumentInvalid
from nightreel.ports.protocols import Duplex, FrameSink
from nightreel.show.model import Show

if TYPE_CHECKING:
    from nightreel.ports.desk import Desk

KINDS = "device:NAME, jack:CLIENT, aes67:SENDS+RETURNS, stage, or for playing files:FOLDER and aes67:RETURNS"
_FAULT = re.compile(r"^(?P<name>[a-z]+)=(?P<first>\d+)(?:(?:\+|>)(?P<second>\d+))?(?::(?P<value>-?\d+(?:\.\d+)?))?$")


def open_duplex(through: str, show: Show, *, sends: int, returns: int, link: str = "") -> Duplex:
    """Both ways, not started. ``sends`` and ``returns`` are how many the patch needs."""
    kind, text = _parts(through)
    if kind == "device":
        from nightreel.ports import DeviceDuplex

        return DeviceDuplex(device=text or None, rate_hz=show.rate_hz, sends=sends, returns=returns)
    if kind == "jack":
        from nightreel.ports.jack import SYSTEM, JackDuplex

        return JackDuplex(device=text or SYSTEM, rate_hz=show.rate_hz, sends=sends, returns=returns)
    if kind in ("demo", "demo-live"):
        from nightreel.ports.stage import SimulatedStage, StageDuplex

        desk, speed = demo_desk(text, live=kind == "demo-live")
        return StageDuplex(SimulatedStage(desk), speed=speed)
    if kind == "stage":
        from nightreel.ports.stage import SimulatedStage, StageDuplex

        desk, speed = stage_desk(text, show, sends=sends, returns=returns, link=link)
        return StageDuplex(SimulatedStage(desk), speed=speed)
    if kind == "aes67":
        from nightreel.ports.aes67.duplex import NetworkDuplex
        from nightreel.ports.aes67.files import load_streams, require_channels

        words = network_words(text)
        if words.heard is None:
            raise ArgumentInvalid(f"'aes67:{text}' does not name the desk's flows", now="Write aes67:SENDS+RETURNS")
        to_us, from_us = load_streams(words.heard), load_streams(words.spoken)
        require_channels(to_us, channels=sends, rate_hz=show.rate_hz)
        require_channels(from_us, channels=returns, rate_hz=show.rate_hz)
        return NetworkDuplex(to_us, from_us, interfaces=words.cards)
    raise ArgumentInvalid(f"'{through}' is nothing to check lines through", now=f"Write one of: {KINDS}")


def open_sink(through: str, show: Show, *, rate_hz: int, returns: int, link: str = "") -> FrameSink:
    """Out only, not started."""
    kind, text = _parts(through)
    if kind == "device":
        from nightreel.ports import DeviceSink

        return DeviceSink(device=text or None, rate_hz=rate_hz, channels=returns)
    if kind == "jack":
        from nightreel.ports.jack import SYSTEM, JackSink

        return JackSink(device=text or SYSTEM, rate_hz=rate_hz, channels=returns)
    if kind == "aes67":
        from nightreel.ports.aes67.files import load_streams, require_channels
        from nightreel.ports.aes67.paced import PacedSink

        words = network_words(text)
        spoken = load_streams(words.spoken)
        require_channels(spoken, channels=returns, rate_hz=rate_hz)
        heard = load_streams(words.heard) if words.heard is not None else ()
        return PacedSink(spoken, heard=heard, interfaces=words.cards)
    if kind == "files":
        return _file_sink(Path(text or "."), rate_hz=rate_hz, returns=returns)
    if kind == "demo":
        from nightreel.ports.stage import SimulatedStage, StageSink

        desk, speed = demo_desk(text)
        return StageSink(SimulatedStage(desk), speed=speed)
    if kind == "stage":
        from nightreel.ports.stage import SimulatedStage, StageSink

        desk, speed = stage_desk(text, replace(show, rate_hz=rate_hz), sends=returns, returns=returns, link=link)
        return StageSink(SimulatedStage(desk), speed=speed)
    raise ArgumentInvalid(f"'{through}' is nothing to play through", now=f"Write one of: {KINDS}")


def _parts(through: str) -> tuple[str, str]:
    """``stage@8`` is ``stage:@8``."""
    kind, _, text = through.partition(":")
    head, at, speed = kind.partition("@")
    return (head, f"{at}{speed}") if at and not text else (kind, text)


def _file_sink(folder: Path, *, rate_hz: int, returns: int) -> FrameSink:
    """One mono file per return, in a folder that may be new."""
    from nightreel.disk import make_folder_new
    from nightreel.ports.files import FileSink

    if not folder.is_dir():
        make_folder_new(folder)
    paths = [folder / f"return {number:03d}.wav" for number in range(1, returns + 1)]
    return FileSink(paths, rate_hz=rate_hz, channels=returns)


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkWords:
    """``[SENDS+]RETURNS[@CARD,CARD]``: SDP files or folders of the desk's flows and of ours, and the network cards."""

    heard: Path | None
    spoken: Path
    cards: tuple[str, ...]


def network_words(text: str) -> NetworkWords:
    """Raises ArgumentInvalid where not even the returns are named."""
    paths, _, cards = text.partition("@")
    heard, plus, spoken = paths.rpartition("+")
    if not spoken or (plus and not heard):
        raise ArgumentInvalid(
            f"'aes67:{text}' does not say where the flows are described",
            now="Write aes67:FOLDER-OF-SENDS+FOLDER-OF-RETURNS, or aes67:FOLDER-OF-RETURNS to play by our own clock",
        )
    return NetworkWords(
        heard=Path(heard) if heard else None, spoken=Path(spoken), cards=tuple(cards.split(",")) if cards else ("", "")
    )


def stage_desk(text: str, show: Show, *, sends: int, returns: int, link: str = "") -> tuple[Desk, float | None]:
    """The simulated desk patched as the show says, listening to its returns, with the faults that ``text`` plants.

    ``text`` is ``[faults][@speed]``: faults ``crossed=9+10``, ``dead=31``, ``inverted=22``, ``level=12:-6``,
    ``leak=5>6:-38``, ``shifted=17`` with send (or return) numbers, joined by commas; ``live`` sets every channel back
    to the stage; speed a multiple of real time or ``max``.
    """
    from nightreel.ports.desk import Desk, DeskChannel, Feed

    faults, _, speed_text = text.partition("@")
    speed = _parse_speed(speed_text)
    by_send = {line.send.number: line for line in show.lines if line.send is not None and link in ("", line.send.link)}
    channels = []
    for send in range(1, sends + 1):
        line = by_send.get(send)
        number = line.return_port.number if line and line.return_port else None
        channels.append(
            DeskChannel(
                socket=send - 1,
                return_port=None if number is None or number > returns else number - 1,
                feed=Feed.RETURN,
                latency_frames=round(0.0012 * show.rate_hz),
                noise_dbfs=-96.0,
            )
        )
    desk = Desk(rate_hz=show.rate_hz, sockets=sends, returns=returns, channels=tuple(channels))
    for fault in filter(None, faults.split(",")):
        desk = _plant(desk, fault.strip())
    return desk, speed


def demo_desk(text: str, *, live: bool = False) -> tuple[Desk, float | None]:
    """``FOLDER[@speed]``: the desk of a demo show, troubles and all, on its returns or ``live`` on the stage."""
    from nightreel.demo.stage import make_desk

    folder, _, speed_text = text.partition("@")
    return make_desk(Path(folder), live=live), _parse_speed(speed_text)


def _parse_speed(text: str) -> float | None:
    """A multiple of real time; None for ``max``: nobody waits."""
    try:
        return None if text == "max" else float(text or 1.0)
    except ValueError:
        raise ArgumentInvalid(f"'{text}' is not a speed", now="Write stage@8 or stage@max") from None


def _plant(desk: Desk, fault: str) -> Desk:
    if fault == "live":
        return desk.live()
    match = _FAULT.match(fault)
    if match is None:
        raise ArgumentInvalid(
            f"'{fault}' is not a fault", now="Write crossed=9+10, dead=31, inverted=22, level=12:-6 or leak=5>6:-38"
        )
    first = int(match["first"]) - 1
    second = int(match["second"] or 0) - 1
    value = float(match["value"] or 0.0)
    try:
        if match["name"] == "crossed" and second >= 0:
            return desk.crossed(first, second)
        if match["name"] == "dead":
            return desk.dead(first)
        if match["name"] == "inverted":
            return desk.inverted(first)
        if match["name"] == "level":
            return desk.off_level(first, value)
        if match["name"] == "shifted":
            return desk.shifted(first)
        if match["name"] == "leak" and second >= 0:
            return desk.leaking(first, second, value)
    except IndexError:
        raise ArgumentInvalid(f"'{fault}' names a port that the desk does not have") from None
    raise ArgumentInvalid(f"'{fault}' is not a fault that can be planted")
