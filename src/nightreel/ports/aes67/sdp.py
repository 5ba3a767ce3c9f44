"""Session descriptions of audio streams: text to values and back.

Sources: RFC 8866 (SDP), RFC 3190 (rtpmap of L16/L24), RFC 7273 (ts-refclk, mediaclk), RFC 7104 (group:DUP for two
redundant networks), AES67-2018 (from memory for its clauses). Unknown lines are passed over; contradictions are named
with their line.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass, field

from nightreel.errors import NetworkTrouble

ENCODINGS = ("L16", "L24")
_MOST_CHANNELS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class Destination:
    """Where packets of one network go; ``ttl`` only for multicast."""

    address: str
    port: int
    ttl: int | None = None
    source: str = ""  # the sender's address, from source-filter or origin, '' if not known

    @property
    def is_multicast(self) -> bool:
        return ipaddress.ip_address(self.address).is_multicast


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamDescription:
    """One audio stream; two destinations where the same packets travel redundant networks.

    media_offset : RTP timestamp at the epoch of the reference clock; None where the stream states no such relation
    reference_clock : the text behind ts-refclk, '' if none
    labels : names of the channels where the description gives them
    """

    name: str
    destinations: tuple[Destination, ...]
    payload_type: int
    encoding: str
    rate_hz: int
    channels: int
    packet_time_ms: float = 1.0
    media_offset: int | None = None
    reference_clock: str = ""
    labels: tuple[str, ...] = ()
    session_id: str = "0"
    session_version: str = "0"
    origin: str = "0.0.0.0"
    info: str = ""

    @property
    def frames_per_packet(self) -> int:
        return max(1, round(self.packet_time_ms * self.rate_hz / 1000.0))


@dataclass(slots=True)
class _Media:
    line_number: int
    port: int
    formats: tuple[str, ...]
    info: str = ""
    connection: tuple[str, int | None] | None = None
    attributes: list[tuple[int, str, str]] = field(default_factory=list)

    def values(self, name: str) -> list[tuple[int, str]]:
        return [(number, value) for number, key, value in self.attributes if key == name]


def parse(text: str, *, where: str = "SDP") -> StreamDescription:
    """Read one description. Raises NetworkTrouble naming line and remedy. CR LF and bare LF are both accepted."""
    session_name, origin = "", ("0", "0", "0.0.0.0")
    session_connection: tuple[str, int | None] | None = None
    session = _Media(line_number=0, port=0, formats=())
    media: list[_Media] = []
    lines = text.replace("\r\n", "\n").split("\n")
    if not lines or lines[0].strip() != "v=0":
        raise NetworkTrouble(
            "does not begin with v=0", where=f"{where}, line 1", now="Give a session description (RFC 8866)"
        )
    for number, raw in enumerate(lines, 1):
        line = raw.rstrip()
        if not line:
            continue
        if len(line) < 2 or line[1] != "=":
            raise NetworkTrouble(f"'{line[:40]}' is no type=value line", where=f"{where}, line {number}")
        kind, value = line[0], line[2:].strip()
        current = media[-1] if media else session
        if kind == "o":
            parts = value.split()
            if len(parts) != 6:
                raise NetworkTrouble("the origin needs six fields", where=f"{where}, line {number}")
            origin = (parts[1], parts[2], parts[5])
        elif kind == "s":
            session_name = value
        elif kind == "i":
            current.info = value
        elif kind == "c":
            connection = _parse_connection(value, where=f"{where}, line {number}")
            if media:
                current.connection = connection
            else:
                session_connection = connection
        elif kind == "m":
            media.append(_parse_media(value, number, where=f"{where}, line {number}"))
        elif kind == "a":
            key, _, rest = value.partition(":")
            current.attributes.append((number, key.strip(), rest.strip()))
    audio = [entry for entry in media if entry.port]
    if not audio:
        raise NetworkTrouble("has no audio stream", where=where, now="It needs a line m=audio PORT RTP/AVP TYPE")
    return _build(session_name, origin, session, session_connection, _legs(session, audio, where), where)


def _legs(session: _Media, audio: list[_Media], where: str) -> list[_Media]:
    """The media blocks that carry one stream: one, or the members of a DUP group (RFC 7104)."""
    if len(audio) == 1:
        return audio
    groups = [value.split()[1:] for _, value in session.values("group") if value.split()[:1] == ["DUP"]]
    by_mid = {value: entry for entry in audio for _, value in entry.values("mid")}
    if len(groups) == 1 and all(mid in by_mid for mid in groups[0]) and len(groups[0]) == len(audio):
        return [by_mid[mid] for mid in groups[0]]
    raise NetworkTrouble(
        f"has {len(audio)} audio streams that are not marked as one stream on redundant networks",
        where=where,
        now="Split it into one file a stream, or mark them with a=group:DUP",
    )


def _build(
    session_name: str,
    origin: tuple[str, str, str],
    session: _Media,
    session_connection: tuple[str, int | None] | None,
    legs: list[_Media],
    where: str,
) -> StreamDescription:
    facts = [_stream_facts(session, leg, where) for leg in legs]
    if any(fact != facts[0] for fact in facts[1:]):
        raise NetworkTrouble(
            "the redundant streams differ in format", where=where, now="Both must carry the same packets"
        )
    destinations = []
    for leg in legs:
        connection = leg.connection or session_connection
        if connection is None:
            raise NetworkTrouble("no c= line says where the packets go", where=f"{where}, line {leg.line_number}")
        filters = leg.values("source-filter") or session.values("source-filter")
        source = filters[0][1].split()[-1] if filters and filters[0][1].split()[:1] == ["incl"] else ""
        destinations.append(Destination(address=connection[0], ttl=connection[1], port=leg.port, source=source))
    payload_type, encoding, rate_hz, channels, packet_time_ms, media_offset, clock = facts[0]
    return StreamDescription(
        name=session_name,
        destinations=tuple(destinations),
        payload_type=payload_type,
        encoding=encoding,
        rate_hz=rate_hz,
        channels=channels,
        packet_time_ms=packet_time_ms,
        media_offset=media_offset,
        reference_clock=clock,
        labels=_labels(legs[0], channels),
        session_id=origin[0],
        session_version=origin[1],
        origin=origin[2],
        info=legs[0].info or session.info,
    )


def _parse_connection(value: str, *, where: str) -> tuple[str, int | None]:
    parts = value.split()
    if len(parts) != 3 or parts[0] != "IN" or parts[1] != "IP4":
        raise NetworkTrouble(f"'c={value}' is not IN IP4 ADDRESS", where=where, now="AES67 uses IPv4")
    address, _, rest = parts[2].partition("/")
    try:
        ipaddress.IPv4Address(address)
        ttl = int(rest.split("/")[0]) if rest else None
    except ValueError as error:
        raise NetworkTrouble(f"'{parts[2]}' is no IPv4 address with an optional /TTL", where=where) from error
    if ttl is not None and not 0 <= ttl <= 255:
        raise NetworkTrouble(f"a time to live of {ttl} is outside 0 to 255", where=where)
    return address, ttl


def _parse_media(value: str, number: int, *, where: str) -> _Media:
    parts = value.split()
    if len(parts) < 4:
        raise NetworkTrouble(f"'m={value}' is not m=audio PORT RTP/AVP TYPE", where=where)
    if parts[0] != "audio" or parts[2] != "RTP/AVP":
        return _Media(line_number=number, port=0, formats=tuple(parts[3:]))
    try:
        port = int(parts[1].split("/")[0])
    except ValueError as error:
        raise NetworkTrouble(f"port '{parts[1]}' is no number", where=where) from error
    if not 1 <= port <= 65_535:
        raise NetworkTrouble(f"port {port} is outside 1 to 65535", where=where)
    return _Media(line_number=number, port=port, formats=tuple(parts[3:]))


def _stream_facts(session: _Media, leg: _Media, where: str) -> tuple[int, str, int, int, float, int | None, str]:
    maps: dict[str, tuple[int, str]] = {}
    for number, value in leg.values("rtpmap"):
        head, _, tail = value.partition(" ")
        maps[head] = (number, tail.strip())
    chosen = next((fmt for fmt in leg.formats if fmt in maps), None)
    if chosen is None:
        raise NetworkTrouble(
            f"no a=rtpmap line explains payload type {' or '.join(leg.formats)}",
            where=f"{where}, line {leg.line_number}",
        )
    number, mapping = maps[chosen]
    place = f"{where}, line {number}"
    parts = mapping.split("/")
    try:
        payload_type, encoding, rate_hz = int(chosen), parts[0].upper(), int(parts[1])
        channels = int(parts[2]) if len(parts) > 2 else 1
    except (ValueError, IndexError) as error:
        raise NetworkTrouble(f"'{mapping}' is not ENCODING/RATE/CHANNELS", where=place) from error
    if encoding not in ENCODINGS:
        raise NetworkTrouble(f"encoding '{parts[0]}' is not L16 or L24", where=place, now="Set the sender to L24")
    if not 0 <= payload_type <= 127 or not 8_000 <= rate_hz <= 384_000 or not 1 <= channels <= _MOST_CHANNELS:
        raise NetworkTrouble(f"'{chosen} {mapping}' is out of range", where=place)
    packet_time_ms = 1.0
    for time_number, value in leg.values("ptime"):
        try:
            packet_time_ms = float(value)
        except ValueError as error:
            raise NetworkTrouble(f"packet time '{value}' is no number", where=f"{where}, line {time_number}") from error
        if not 0.0 < packet_time_ms <= 100.0:
            raise NetworkTrouble(f"packet time {value} ms is out of range", where=f"{where}, line {time_number}")
    offset = _media_offset(leg.values("mediaclk") or session.values("mediaclk"), where)
    clocks = leg.values("ts-refclk") or session.values("ts-refclk")
    return payload_type, encoding, rate_hz, channels, packet_time_ms, offset, clocks[0][1] if clocks else ""


def _media_offset(entries: list[tuple[int, str]], where: str) -> int | None:
    for number, value in entries:
        name, _, rest = value.partition("=")
        if name.strip() == "direct":
            try:
                offset = int(rest.split()[0]) if rest.strip() else 0
            except ValueError as error:
                raise NetworkTrouble(
                    f"mediaclk offset '{rest}' is no number", where=f"{where}, line {number}"
                ) from error
            return offset % (1 << 32)
    return None


def _labels(leg: _Media, channels: int) -> tuple[str, ...]:
    """Names in the i= line, where it lists exactly as many as there are channels."""
    names = tuple(part.strip() for part in leg.info.split(",") if part.strip())
    return names if len(names) == channels else ()


def serialise(stream: StreamDescription) -> str:
    """Text with CR LF, in the order of RFC 8866 section 5; parse(serialise(s)) gives s back."""
    redundant = len(stream.destinations) > 1
    mids = [f"path{index}" for index in range(1, len(stream.destinations) + 1)]
    rows = [
        "v=0",
        f"o=- {stream.session_id} {stream.session_version} IN IP4 {stream.origin}",
        f"s={stream.name or '-'}",
    ]
    if not redundant:
        rows.append(_connection_row(stream.destinations[0]))
    rows.append("t=0 0")
    if redundant:
        rows.append("a=group:DUP " + " ".join(mids))
    for mid, destination in zip(mids, stream.destinations, strict=True):
        rows.append(f"m=audio {destination.port} RTP/AVP {stream.payload_type}")
        info = ", ".join(stream.labels) or stream.info
        if info:
            rows.append(f"i={info}")
        if redundant:
            rows.append(_connection_row(destination))
        rows.append(f"a=rtpmap:{stream.payload_type} {stream.encoding}/{stream.rate_hz}/{stream.channels}")
        if destination.source:
            rows.append(f"a=source-filter: incl IN IP4 {destination.address} {destination.source}")
        rows.append("a=recvonly")
        rows.append(f"a=ptime:{stream.packet_time_ms:g}")
        if stream.reference_clock:
            rows.append(f"a=ts-refclk:{stream.reference_clock}")
        if stream.media_offset is not None:
            rows.append(f"a=mediaclk:direct={stream.media_offset}")
        if redundant:
            rows.append(f"a=mid:{mid}")
    return "\r\n".join(rows) + "\r\n"


def _connection_row(destination: Destination) -> str:
    ttl = f"/{destination.ttl}" if destination.ttl is not None else ""
    return f"c=IN IP4 {destination.address}{ttl}"


def find_clashes(streams: Sequence[StreamDescription]) -> tuple[str, ...]:
    """Sentences about streams that cannot be received together: one address for two, rates that differ."""
    problems = []
    users: dict[tuple[str, int], StreamDescription] = {}
    for stream in streams:
        for destination in stream.destinations:
            other = users.setdefault((destination.address, destination.port), stream)
            if other is not stream:
                problems.append(
                    f"'{other.name}' and '{stream.name}' both use {destination.address}:{destination.port}: "
                    "give one of them another address"
                )
    rates = sorted({stream.rate_hz for stream in streams})
    if len(rates) > 1:
        listed = ", ".join(f"'{s.name}' {s.rate_hz} Hz" for s in streams)
        problems.append(f"the streams run at different rates ({listed}): one take holds one rate")
    return tuple(problems)
