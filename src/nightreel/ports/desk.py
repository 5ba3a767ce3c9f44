"""The simulated desk as values: what reaches each send, and the faults that can be planted in it.

A desk has stage *sockets*, *returns* that come from the computer and *sends* that go to it. Each send is picked off one
desk channel behind its preamp; the channel listens to its stage socket, or to its return as at a virtual soundcheck.
All numbers count from 0 here. Nothing in this module makes sound; see :mod:`nightreel.ports.stage`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from nightreel.errors import ArgumentInvalid


class Feed(StrEnum):
    """What a desk channel listens to."""

    SOCKET = "stage socket"
    RETURN = "return"
    BOTH = "both"
    NOTHING = "nothing"


class Origin(StrEnum):
    """Where a path begins."""

    SOCKET = "stage socket"
    RETURN = "return"


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskPath:
    """One way from a socket or return to a send. ``polarity`` is +1 or -1; ``latency_frames`` whole frames."""

    origin: Origin
    port: int
    send: int
    gain_db: float = 0.0
    polarity: int = 1
    latency_frames: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Leak:
    """Something that reaches a send besides its own feed, whatever the channel listens to: crosstalk, a wrong patch."""

    origin: Origin
    port: int
    gain_db: float = 0.0
    polarity: int = 1
    latency_frames: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskChannel:
    """What one send carries.

    socket, return_port : what is patched to it, None for nothing
    feed : which of the two it listens to
    preamp_gain_db : acts on the socket only
    gain_db, polarity, latency_frames : act on both
    noise_dbfs : RMS level of white noise on the send, None for none
    band_hz : (low, high) corner frequencies of what the path lets through, None for everything
    dead : nothing comes out, whatever it listens to (noise does)
    """

    socket: int | None = None
    return_port: int | None = None
    feed: Feed = Feed.SOCKET
    preamp_gain_db: float = 0.0
    gain_db: float = 0.0
    polarity: int = 1
    latency_frames: int = 0
    noise_dbfs: float | None = None
    band_hz: tuple[float, float] | None = None
    dead: bool = False
    leaks: tuple[Leak, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """A desk with its patch. One :class:`DeskChannel` per send.

    clock_offset_ppm : how fast the desk's clock runs against the computer's; other than 0 means *not locked*
    seed : of its noise

    Raises ArgumentInvalid where a channel names a socket or return that is not there.
    """

    rate_hz: int
    sockets: int
    returns: int
    channels: tuple[DeskChannel, ...]
    clock_offset_ppm: float = 0.0
    seed: int = 1

    def __post_init__(self) -> None:
        for send, channel in enumerate(self.channels):
            where = f"send {send + 1} of the simulated desk"
            origins = [(Origin.SOCKET, channel.socket), (Origin.RETURN, channel.return_port)]
            origins += [(leak.origin, leak.port) for leak in channel.leaks]
            for origin, port in origins:
                there = self.sockets if origin is Origin.SOCKET else self.returns
                if port is not None and not 0 <= port < there:
                    raise ArgumentInvalid(f"{origin} {port + 1} is outside 1 to {there}", where=where)
            if channel.polarity not in (1, -1) or any(leak.polarity not in (1, -1) for leak in channel.leaks):
                raise ArgumentInvalid("polarity is +1 or -1", where=where)
            if channel.latency_frames < 0 or any(leak.latency_frames < 0 for leak in channel.leaks):
                raise ArgumentInvalid("latency is 0 frames or more", where=where)
            if channel.band_hz is not None and not 0.0 < channel.band_hz[0] < channel.band_hz[1] < self.rate_hz / 2:
                raise ArgumentInvalid(f"a band lies between 0 Hz and {self.rate_hz / 2:g} Hz", where=where)

    @classmethod
    def straight(cls, *, rate_hz: int, lines: int, returns: int | None = None, feed: Feed = Feed.SOCKET) -> Desk:
        """Socket n and return n on send n, nothing wrong with any of them."""
        there = lines if returns is None else returns
        channels = tuple(DeskChannel(socket=n, return_port=n if n < there else None, feed=feed) for n in range(lines))
        return cls(rate_hz=rate_hz, sockets=lines, returns=there, channels=channels)

    @property
    def sends(self) -> int:
        return len(self.channels)

    def paths(self) -> tuple[DeskPath, ...]:
        """Every way a signal takes to a send, in send order: the truth that a line check has to find."""
        found: list[DeskPath] = []
        for send, channel in enumerate(self.channels):
            if channel.dead:
                continue
            own: list[tuple[Origin, int | None, float]] = []
            if channel.feed in (Feed.SOCKET, Feed.BOTH):
                own.append((Origin.SOCKET, channel.socket, channel.preamp_gain_db + channel.gain_db))
            if channel.feed in (Feed.RETURN, Feed.BOTH):
                own.append((Origin.RETURN, channel.return_port, channel.gain_db))
            found += [
                DeskPath(
                    origin=origin,
                    port=port,
                    send=send,
                    gain_db=gain_db,
                    polarity=channel.polarity,
                    latency_frames=channel.latency_frames,
                )
                for origin, port, gain_db in own
                if port is not None
            ]
            found += [
                DeskPath(
                    origin=leak.origin,
                    port=leak.port,
                    send=send,
                    gain_db=leak.gain_db,
                    polarity=leak.polarity,
                    latency_frames=leak.latency_frames,
                )
                for leak in channel.leaks
            ]
        return tuple(found)

    # Changes: each gives another desk.

    def with_channel(self, send: int, **changes: Any) -> Desk:
        """The same desk with some fields of one send's channel changed."""
        channels = list(self.channels)
        channels[send] = replace(channels[send], **changes)
        return replace(self, channels=tuple(channels))

    def with_all(self, **changes: Any) -> Desk:
        """The same desk with some fields of every channel changed."""
        return replace(self, channels=tuple(replace(channel, **changes) for channel in self.channels))

    def at_soundcheck(self, sends: Iterable[int] | None = None) -> Desk:
        """The named sends' channels (default all) listen to their returns, the others to their sockets."""
        wanted = set(range(self.sends) if sends is None else sends)
        channels = tuple(
            replace(channel, feed=Feed.RETURN if send in wanted else Feed.SOCKET)
            for send, channel in enumerate(self.channels)
        )
        return replace(self, channels=channels)

    def live(self) -> Desk:
        """Every channel listens to its stage socket."""
        return self.at_soundcheck(())

    # Faults to plant.

    def crossed(self, send: int, other: int) -> Desk:
        """Two sends are swapped: each carries the other's channel."""
        channels = list(self.channels)
        channels[send], channels[other] = channels[other], channels[send]
        return replace(self, channels=tuple(channels))

    def crossed_sockets(self, send: int, other: int) -> Desk:
        """Two plugs on stage are swapped; the returns are not concerned."""
        one, two = self.channels[send].socket, self.channels[other].socket
        return self.with_channel(send, socket=two).with_channel(other, socket=one)

    def crossed_returns(self, send: int, other: int) -> Desk:
        """Two returns are swapped; the stage is not concerned."""
        one, two = self.channels[send].return_port, self.channels[other].return_port
        return self.with_channel(send, return_port=two).with_channel(other, return_port=one)

    def dead(self, send: int) -> Desk:
        """Nothing reaches this send."""
        return self.with_channel(send, dead=True)

    def shifted(self, first_send: int, by: int = 1) -> Desk:
        """From ``first_send`` on each send carries the channel ``by`` before it; the places left empty are dead."""
        channels = list(self.channels)
        kept = channels[first_send : len(channels) - by]
        empty = [replace(channel, dead=True) for channel in channels[first_send : first_send + by]]
        return replace(self, channels=tuple(channels[:first_send] + empty + kept))

    def off_level(self, send: int, gain_db: float) -> Desk:
        """The send comes ``gain_db`` louder (or, negative, lower) than it did."""
        return self.with_channel(send, gain_db=self.channels[send].gain_db + gain_db)

    def inverted(self, send: int) -> Desk:
        """Polarity reversed."""
        return self.with_channel(send, polarity=-self.channels[send].polarity)

    def delayed(self, send: int, frames: int) -> Desk:
        return self.with_channel(send, latency_frames=self.channels[send].latency_frames + frames)

    def leaking(self, return_port: int, send: int, gain_db: float) -> Desk:
        """A return also reaches another send: crosstalk when low, two returns on one channel when at 0 dB."""
        leak = Leak(origin=Origin.RETURN, port=return_port, gain_db=gain_db)
        return self.with_channel(send, leaks=(*self.channels[send].leaks, leak))
