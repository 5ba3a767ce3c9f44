"""``show.toml`` to the settings of a show and back. Comments, order and keys that we do not know survive our edits.

Text in, text out; no file is touched. The format stands in docs/formats/show.md.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, TypeVar

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Item

from nightreel.show.fields import FieldInvalid, read_length_s, read_ports, write_length_s, write_ports
from nightreel.show.model import Capacity, Link, LinkKind, Medium, SetSong, Show
from nightreel.units import RATES_HZ, Encoding

FILE = "show.toml"
FORMAT = 1

T = TypeVar("T")
Table = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What ``show.toml`` says: everything of a show but its lines, under the same names."""

    name: str = ""
    rate_hz: int = 48_000
    encoding: Encoding = Encoding.PCM24
    date: date | None = None
    place: str = ""
    tour: str = ""
    links: tuple[Link, ...] = ()
    media: tuple[Medium, ...] = ()
    set_list: tuple[SetSong, ...] = ()
    expected_length_s: float | None = None


@dataclass(slots=True)
class _Findings:
    """Problems (must be mended) and notes (good to know) collected while reading."""

    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Reader:
    """Takes values out of one table; what is wrong goes to ``found`` with the key's place."""

    table: Table
    where: str
    found: _Findings

    def take(self, key: str, convert: Callable[[object], T], usual: T) -> T:
        if key not in self.table:
            return usual
        try:
            return convert(self.table[key])
        except FieldInvalid as error:
            self.found.problems.append(f"{self.where}, key {key}: {error.args[0]}")
            return usual

    def tables(self, key: str) -> list[_Reader]:
        """The tables of a list such as ``[[links]]``, each named by its place and name."""
        entries = self.table.get(key, [])
        if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
            self.found.problems.append(f"{self.where}, key {key}: must be a list of tables; write each as [[{key}]]")
            return []
        readers = []
        for place, entry in enumerate(entries, 1):
            name = entry.get("name") or entry.get("title")
            label = f" ('{name}')" if isinstance(name, str) else ""
            readers.append(_Reader(entry, f"{self.where}, {key} entry {place}{label}", self.found))
        return readers

    def note_strays(self, known: Iterable[str]) -> None:
        """Keys we do not know are kept; one that looks like a slip of a known one is pointed out."""
        known = list(known)
        for key, value in self.table.items():
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.75) if key not in known else []
            if near and near[0] not in self.table and not isinstance(value, dict):
                self.found.notes.append(f"{self.where}: key '{key}' is not known and is ignored; is '{near[0]}' meant?")


def read_settings(text: str) -> tuple[Settings, tuple[str, ...], tuple[str, ...]]:
    """Settings, problems and notes. Every problem is collected, none is raised."""
    found = _Findings()
    try:
        table: Table = tomlkit.parse(text).unwrap()
    except (TOMLKitError, ValueError) as error:
        return Settings(), (f"{FILE}: {_toml_sentence(error)}; mend that place",), ()
    top = _Reader(table, FILE, found)
    top.note_strays(
        ["name", "date", "place", "tour", "rate_hz", "encoding", "expected_length", "links", "media", "set_list"]
    )
    if top.take("format", _whole, FORMAT) > FORMAT:
        found.problems.append(f"{FILE}: format {table['format']} is from a later Nightreel; this one reads {FORMAT}")
    if "name" not in table:
        found.problems.append(f'{FILE}: the key name is missing; add name = "..."')
    settings = Settings(
        name=top.take("name", _text, ""),
        rate_hz=top.take("rate_hz", _rate_hz, 48_000),
        encoding=top.take("encoding", _encoding, Encoding.PCM24),
        date=top.take("date", _date, None),
        place=top.take("place", _text, ""),
        tour=top.take("tour", _text, ""),
        links=tuple(_read_link(reader) for reader in top.tables("links")),
        media=tuple(_read_medium(reader) for reader in top.tables("media")),
        set_list=tuple(_read_song(reader) for reader in top.tables("set_list")),
        expected_length_s=top.take("expected_length", _optional_length_s, None),
    )
    return settings, tuple(found.problems), tuple(found.notes)


def _toml_sentence(error: Exception) -> str:
    text = str(error).strip().rstrip(".")
    return f"it is not valid TOML: {text[:1].lower()}{text[1:]}"


def _read_link(reader: _Reader) -> Link:
    reader.note_strays(["name", "kind", "capacity", "sends_in_use", "returns_in_use", "device"])
    for key in ("name", "kind", "capacity"):
        if key not in reader.table:
            reader.found.problems.append(f"{reader.where}: the key {key} is missing")
    return Link(
        name=reader.take("name", _text, "?"),
        kind=reader.take("kind", _kind, LinkKind.OTHER),
        capacity=reader.take("capacity", _capacity, {}),
        sends_in_use=reader.take("sends_in_use", read_ports, frozenset()),
        returns_in_use=reader.take("returns_in_use", read_ports, frozenset()),
        device=reader.take("device", _text, ""),
    )


def _read_medium(reader: _Reader) -> Medium:
    reader.note_strays(["name", "path", "purpose", "size_bytes", "write_bytes_per_s", "file_system"])
    for key in ("name", "path"):
        if key not in reader.table:
            reader.found.problems.append(f"{reader.where}: the key {key} is missing")
    return Medium(
        name=reader.take("name", _text, ""),
        path=reader.take("path", _text, ""),
        purpose=reader.take("purpose", _text, "primary"),
        size_bytes=reader.take("size_bytes", _size_bytes, None),
        write_bytes_per_s=reader.take("write_bytes_per_s", _rate_bytes, None),
        file_system=reader.take("file_system", _text, ""),
    )


def _read_song(reader: _Reader) -> SetSong:
    reader.note_strays(["title", "length", "notes"])
    if "title" not in reader.table:
        reader.found.problems.append(f"{reader.where}: the key title is missing")
    return SetSong(
        title=reader.take("title", _text, ""),
        length_s=reader.take("length", _optional_length_s, None),
        notes=reader.take("notes", _text, ""),
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise FieldInvalid(f"{value!r} is not text; put it in quotation marks")
    return value


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise FieldInvalid(f"{value!r} is not a whole number")
    return value


def _rate_hz(value: object) -> int:
    rate_hz = _whole(value)
    if rate_hz not in RATES_HZ:
        raise FieldInvalid(f"{rate_hz} Hz is no sample rate we know; rates: {', '.join(map(str, RATES_HZ))}")
    return rate_hz


def _encoding(value: object) -> Encoding:
    try:
        return Encoding(_text(value))
    except ValueError:
        raise FieldInvalid(f"{value!r} is no way to store samples; write one of {', '.join(Encoding)}") from None


def _kind(value: object) -> LinkKind:
    try:
        return LinkKind(_text(value))
    except ValueError:
        raise FieldInvalid(f"{value!r} is not a kind of link; kinds: {', '.join(LinkKind)}") from None


def _date(value: object) -> date | None:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if value == "":
        return None
    try:
        return date.fromisoformat(_text(value))
    except ValueError:
        raise FieldInvalid(f"{value!r} is not a date; write it as 2026-11-28") from None


def _optional_length_s(value: object) -> float | None:
    return None if value == "" else read_length_s(value)


def _size_bytes(value: object) -> int | None:
    size_bytes = _whole(value)
    if size_bytes < 1:
        raise FieldInvalid(f"{size_bytes} is no size; give bytes above 0, or leave the key out")
    return size_bytes


def _rate_bytes(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not (math.isfinite(value) and value > 0):
        raise FieldInvalid(f"{value!r} is no writing rate; give bytes per second above 0, or leave the key out")
    return float(value)


def _capacity(value: object) -> Mapping[int, Capacity]:
    """``{ 48000 = { sends = 32, returns = 32 } }``; a bare number counts for both ways."""
    if not isinstance(value, dict) or not value:
        raise FieldInvalid("must be a table of rates, such as { 48000 = { sends = 32, returns = 32 } }")
    capacity: dict[int, Capacity] = {}
    for rate, channels in value.items():
        both = {"sends": channels, "returns": channels} if isinstance(channels, int) else channels
        counts = [both.get(way) for way in ("sends", "returns")] if isinstance(both, dict) else [None]
        whole = [n for n in counts if isinstance(n, int) and not isinstance(n, bool) and 0 <= n <= 65_536]
        if not str(rate).isdigit() or len(whole) != 2:
            raise FieldInvalid(f"{rate} = {channels!r} is no capacity; write 48000 = {{ sends = 32, returns = 32 }}")
        capacity[_rate_hz(int(rate))] = Capacity(sends=whole[0], returns=whole[1])
    return capacity


def edit_settings(text: str, show: Show) -> str:
    """The document with the show's settings in it; whatever already says the same is left as it is written.

    ``text`` must be sound (``read_settings`` finds no problem in it) or empty.
    """
    document = tomlkit.parse(text)
    present, _, _ = read_settings(text)
    for key, value, before in (
        ("name", show.name, present.name),
        ("date", show.date, present.date),
        ("place", show.place, present.place),
        ("tour", show.tour, present.tour),
        ("rate_hz", show.rate_hz, present.rate_hz),
        ("encoding", show.encoding.value, present.encoding.value),
        ("expected_length", _length(show.expected_length_s), _length(present.expected_length_s)),
    ):
        if value != before:
            _put(document, key, value)
    _edit_list(document, "links", present.links, show.links, _link_items, "name")
    _edit_list(document, "media", present.media, show.media, _medium_items, "name")
    _edit_list(document, "set_list", present.set_list, show.set_list, _song_items, "title")
    return tomlkit.dumps(document)


def _length(seconds: float | None) -> str | int | float | None:
    return None if seconds is None else write_length_s(seconds)


def _link_items(link: Link) -> dict[str, object]:
    capacity = tomlkit.inline_table()
    for rate_hz, channels in sorted(link.capacity.items()):
        ways = tomlkit.inline_table()
        ways.update({"sends": channels.sends, "returns": channels.returns})
        capacity.append(str(rate_hz), ways)
    return {
        "name": link.name,
        "kind": link.kind.value,
        "capacity": capacity,
        "sends_in_use": write_ports(link.sends_in_use),
        "returns_in_use": write_ports(link.returns_in_use),
        "device": link.device,
    }


def _medium_items(medium: Medium) -> dict[str, object]:
    return {
        "name": medium.name,
        "path": medium.path,
        "purpose": medium.purpose,
        "size_bytes": medium.size_bytes,
        "write_bytes_per_s": medium.write_bytes_per_s,
        "file_system": medium.file_system,
    }


def _song_items(song: SetSong) -> dict[str, object]:
    return {"title": song.title, "length": _length(song.length_s), "notes": song.notes}


def _put(table: Any, key: str, value: object) -> None:
    if value is not None:
        table[key] = value
    elif key in table:
        table.remove(key)


def _edit_list(
    document: Any,
    key: str,
    present: Sequence[T],
    wanted: Sequence[T],
    items: Callable[[T], dict[str, object]],
    naming: str,
) -> None:
    """Make the list of tables say ``wanted``; tables of the same name are edited in place and keep their extras."""
    if tuple(present) == tuple(wanted):
        return
    tables: list[Item] = list(document.get(key, []))
    spare = list(zip(present, tables, strict=True))
    chosen: list[tuple[T | None, Item]] = []
    for value in wanted:
        name = getattr(value, naming)
        match = next((pair for pair in spare if getattr(pair[0], naming) == name), None)
        if match is None:
            chosen.append((None, tomlkit.table()))
        else:
            spare.remove(match)
            chosen.append(match)
    for (before, table), value in zip(chosen, wanted, strict=True):
        old = items(before) if before is not None else {}
        for entry, new in items(value).items():
            if new != old.get(entry) and (before is not None or new not in ("", None) or entry == naming):
                _put(table, entry, new)
    if [id(table) for _, table in chosen] == [id(table) for table in tables]:
        return
    if not chosen:
        document.remove(key)
        return
    rebuilt = AoT([])
    for _, table in chosen:
        rebuilt.append(_as_table(table))
    document[key] = rebuilt


def _as_table(item: Any) -> Any:
    """A block table with the same content; an inline table of a one-line list becomes a block."""
    if isinstance(item, tomlkit.items.Table):
        return item
    table = tomlkit.table()
    for key, value in item.items():
        table.append(key, value)
    return table
