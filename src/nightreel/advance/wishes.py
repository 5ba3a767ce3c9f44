"""What the engineer asks of a plan, beyond what the show's document says; and the ``[advance]`` table it may stand in.

Every field has a default that is ours (*assumed*); what was written down is *entered*.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from nightreel.advance.capacity import Transport
from nightreel.errors import ArgumentInvalid
from nightreel.units import Encoding, parse_length_s

PLANNED_RATES_HZ = (44_100, 48_000, 88_200, 96_000)
PLANNED_ENCODINGS = (Encoding.PCM16, Encoding.PCM24, Encoding.FLOAT32)
USUAL_LENGTH_S = 2 * 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """How the AES67 network is laid out.

    redundant : a second, separate network carries every flow again
    group : first multicast address; flows count upward from it
    delay_us : worst delay through the switches; jitter_us : of senders and switches together
    link_offset_us : the receiver's setting; 0 lets the plan choose
    sender_address : the computer's address, for the SDP of the returns
    reference_clock : what the streams name as their clock (RFC 7273); empty names any traceable PTP
    """

    redundant: bool = False
    group: str = "239.69.0.1"
    port: int = 5004
    delay_us: int = 250
    jitter_us: int = 500
    link_offset_us: int = 0
    channels_per_flow: int = 8
    sender_address: str = "192.168.1.10"
    reference_clock: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """See the module.

    spare : ports to keep free beyond the lines
    margin : share of storage kept free on top of the show (0.2 = a fifth more)
    length_s : of the show; None takes the document's, the set list's, or two hours
    starts_at : minutes after midnight, for when load-out can end; None does not say
    copy_bytes_per_s : rate of a copy where a medium states none
    entered : names of fields that were written down rather than left at their default
    """

    spare: int = 0
    margin: float = 0.2
    length_s: float | None = None
    starts_at_min: int | None = None
    copy_bytes_per_s: float = 100e6
    rates_hz: tuple[int, ...] = PLANNED_RATES_HZ
    encodings: tuple[Encoding, ...] = PLANNED_ENCODINGS
    transport: Transport = field(default_factory=Transport)
    network: Network = field(default_factory=Network)
    entered: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if self.spare < 0:
            raise ArgumentInvalid(f"{self.spare} spare ports cannot be kept", now="Give 0 or more")
        if not 0 <= self.margin <= 10:
            raise ArgumentInvalid(f"a margin of {self.margin:g} is out of range", now="Give 0 to 10; 0.2 is a fifth")
        if self.length_s is not None and not self.length_s > 0:
            raise ArgumentInvalid("a show of no length cannot be planned", now="Give a length, such as 2h15m")


def wishes_from(text: str) -> Wishes:
    """The ``[advance]`` table of a ``show.toml`` (its text); raises ArgumentInvalid with the key that is wrong."""
    try:
        table = tomllib.loads(text).get("advance", {})
    except tomllib.TOMLDecodeError:
        return Wishes()  # the show's own reader says what is wrong with it
    if not isinstance(table, dict):
        raise ArgumentInvalid("[advance] has to be a table", where="show.toml")
    return _read_wishes(table)


def _read_wishes(table: Mapping[str, Any]) -> Wishes:
    readers = {
        "spare": _whole,
        "margin": _number,
        "length": _length,
        "starts_at": clock_minutes,
        "copy_bytes_per_s": _number,
        "varispeed": _yes,
        "packet_time_us": _whole,
        "mtu_bytes": _whole,
        "tagged": _yes,
        "network": dict,
    }
    _refuse_strays(table, readers, "show.toml, [advance]")
    values = {key: _take(readers[key], table, key, "show.toml, [advance]") for key in table}
    transport = Transport(
        **{k: values[k] for k in ("varispeed", "packet_time_us", "mtu_bytes", "tagged") if k in values}
    )
    network_readers = {f.name: _yes if f.name == "redundant" else _same_kind(f.default) for f in fields(Network)}
    given = values.get("network", {})
    _refuse_strays(given, network_readers, "show.toml, [advance.network]")
    network = Network(**{key: _take(network_readers[key], given, key, "show.toml, [advance.network]") for key in given})
    names = {"length": "length_s", "starts_at": "starts_at_min"}
    plain = {
        names.get(k, k): v
        for k, v in values.items()
        if k in ("spare", "margin", "length", "starts_at", "copy_bytes_per_s")
    }
    entered = frozenset((*plain, *(k for k in values if k not in names), *(f"network.{k}" for k in given)))
    return replace(Wishes(**plain), transport=transport, network=network, entered=entered)


def clock_minutes(value: object) -> int:
    """``20:30`` as minutes after midnight."""
    text = str(value)[:5]
    hours, colon, minutes = text.partition(":")
    if not (colon and hours.isdigit() and minutes.isdigit() and int(hours) < 24 and int(minutes) < 60):
        raise ArgumentInvalid(f"'{value}' is not a time of day", now="Write it as 20:30")
    return int(hours) * 60 + int(minutes)


def _refuse_strays(table: Mapping[str, Any], known: Mapping[str, Any], where: str) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            raise ArgumentInvalid(
                f"the key '{key}' is not known",
                where=where,
                now=f"Is '{near[0]}' meant?" if near else f"Keys: {', '.join(known)}",
            )


def _take(reader: Any, table: Mapping[str, Any], key: str, where: str) -> Any:
    try:
        return reader(table[key])
    except ArgumentInvalid as error:
        raise ArgumentInvalid(error.what, where=f"{where}, key {key}", now=error.now) from error
    except (TypeError, ValueError) as error:
        raise ArgumentInvalid(f"{table[key]!r} cannot stand here", where=f"{where}, key {key}") from error


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ArgumentInvalid(f"{value!r} is not a whole number")
    return value


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ArgumentInvalid(f"{value!r} is not a number")
    return float(value)


def _yes(value: object) -> bool:
    if not isinstance(value, bool):
        raise ArgumentInvalid(f"{value!r} is neither true nor false")
    return value


def _length(value: object) -> float:
    return parse_length_s(str(value))


def _same_kind(default: object) -> Any:
    return _whole if isinstance(default, int) else str
