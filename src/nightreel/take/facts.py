"""``take.json``: the account of a take, as JSON with a format version; checked when read.

Unknown members are ignored (a newer minor form may add some); a newer ``format`` number is refused.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from nightreel.disk import replace_text
from nightreel.errors import TakeDamaged, TakeMissing
from nightreel.show.model import AtSoundcheck, Role
from nightreel.take.model import TakeFacts, TakeState, Track, TrackFile
from nightreel.timeline import Gap, GapCause, Mark
from nightreel.units import Encoding

FACTS_NAME = "take.json"
FACTS_FORMAT = 1
MAX_FACTS_BYTES = 64 << 20  # far above any real one; a hostile file is not read into memory

_T = TypeVar("_T")


def facts_text(facts: TakeFacts) -> str:
    """``take.json`` as text, one member a line, so that a person can read it."""
    return json.dumps(facts_json(facts), ensure_ascii=False, indent=1) + "\n"


def write_facts(folder: Path, facts: TakeFacts) -> None:
    """Replace ``take.json`` in one step: a reader sees the old account or the new one, never half of it."""
    replace_text(folder / FACTS_NAME, facts_text(facts))


def load_facts(folder: Path) -> TakeFacts:
    """The account as ``take.json`` states it.

    Raises TakeMissing where there is none, TakeDamaged where it is unreadable, contradictory or of a newer format.
    """
    path = Path(folder) / FACTS_NAME
    try:
        if path.stat().st_size > MAX_FACTS_BYTES:
            raise TakeDamaged("take.json is far too large to be one", where=str(path), now=_REMEDY)
        text = path.read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError):
        raise TakeMissing("no take.json: this is not a take", where=str(folder), now="Name a take folder") from None
    except UnicodeDecodeError as error:
        raise TakeDamaged("take.json is not UTF-8 text", where=str(path), now=_REMEDY) from error
    except OSError as error:
        raise TakeDamaged(f"take.json cannot be read: {error.strerror}", where=str(path), now=_REMEDY) from error
    return parse_facts(text, where=str(path))


_REMEDY = "Run `nightreel recover` on this take"


def parse_facts(text: str, *, where: str) -> TakeFacts:
    """See :func:`load_facts`; ``where`` goes into the error."""
    try:
        body = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise TakeDamaged(f"take.json is not JSON: {error}", where=where, now=_REMEDY) from error
    return facts_from_json(body, where=where)


def facts_from_json(body: object, *, where: str) -> TakeFacts:
    """The values of an already parsed ``take.json``; raises TakeDamaged."""
    members = _Members(body, where=where, path="")
    form = members.integer("format", at_least=1)
    if form > FACTS_FORMAT:
        raise TakeDamaged(
            f"take.json has format {form}, this Nightreel reads up to {FACTS_FORMAT}",
            where=where,
            now="Use a newer Nightreel",
        )
    tracks = tuple(_track(track) for track in members.objects("tracks"))
    lines = [track.line for track in tracks]
    if len(set(lines)) < len(lines):
        raise TakeDamaged("two tracks have the same line number", where=where, now=_REMEDY)
    return TakeFacts(
        name=members.text("name"),
        show=members.text("show"),
        rate_hz=members.integer("rate_hz", at_least=1, at_most=10_000_000),
        encoding=members.choice("encoding", Encoding),
        started_at=members.moment("started_at"),
        frames=members.integer("frames"),
        tracks=tracks,
        state=members.choice("state", TakeState),
        gaps=tuple(_gap(gap) for gap in members.objects("gaps")),
        marks=tuple(_mark(mark) for mark in members.objects("marks")),
        clock=members.text("clock", default=""),
        time_reference_frames=members.integer("time_reference_frames", default=0),
        stop_reason=members.text("stop_reason", default=""),
        follows=members.text("follows", default=""),
        nightreel=members.text("nightreel", default=""),
    )


def gap_json(gap: Gap) -> dict[str, Any]:
    return {
        "first_frame": gap.first_frame,
        "frames": gap.frames,
        "cause": gap.cause.value,
        "channels": list(gap.channels),
    }


def gap_from_json(body: object, *, where: str) -> Gap:
    return _gap(_Members(body, where=where, path="gap."))


def mark_json(mark: Mark) -> dict[str, Any]:
    return {"frame": mark.frame, "name": mark.name, "song": mark.song, "source": mark.source}


def track_json(track: Track) -> dict[str, Any]:
    return {
        "line": track.line,
        "name": track.name,
        "role": track.role.value,
        "channel": track.channel,
        "send": track.send,
        "gain_db": track.gain_db,
        "partner": track.partner,
        "group": track.group,
        "at_soundcheck": track.at_soundcheck.value if track.at_soundcheck else None,
        "files": [
            {"path": f.path, "first_frame": f.first_frame, "frames": f.frames, "channel": f.channel}
            for f in track.files
        ],
    }


def facts_json(facts: TakeFacts) -> dict[str, Any]:
    return {
        "format": FACTS_FORMAT,
        "name": facts.name,
        "show": facts.show,
        "state": facts.state.value,
        "started_at": facts.started_at.isoformat(),
        "rate_hz": facts.rate_hz,
        "encoding": facts.encoding.value,
        "frames": facts.frames,
        "clock": facts.clock,
        "time_reference_frames": facts.time_reference_frames,
        "stop_reason": facts.stop_reason,
        "follows": facts.follows,
        "nightreel": facts.nightreel,
        "gaps": [gap_json(gap) for gap in facts.gaps],
        "marks": [mark_json(mark) for mark in facts.marks],
        "tracks": [track_json(track) for track in facts.tracks],
    }


def _track(members: _Members) -> Track:
    return Track(
        line=members.integer("line", at_least=1),
        name=members.text("name"),
        role=members.choice("role", Role),
        channel=members.integer("channel"),
        files=tuple(
            TrackFile(
                path=f.inner_path("path"),
                first_frame=f.integer("first_frame"),
                frames=f.integer("frames"),
                channel=f.integer("channel", default=0),
            )
            for f in members.objects("files")
        ),
        send=members.text("send", default=""),
        gain_db=members.number_or_none("gain_db"),
        partner=members.integer_or_none("partner"),
        group=members.text("group", default=""),
        at_soundcheck=members.choice_or_none("at_soundcheck", AtSoundcheck),
    )


def _gap(members: _Members) -> Gap:
    return Gap(
        first_frame=members.integer("first_frame"),
        frames=members.integer("frames"),
        cause=members.choice("cause", GapCause),
        channels=members.integers("channels"),
    )


def _mark(members: _Members) -> Mark:
    return Mark(
        frame=members.integer("frame"),
        name=members.text("name"),
        song=members.integer_or_none("song"),
        source=members.text("source", default="command"),
    )


_NOTHING = object()


class _Members:
    """Typed access to one JSON object; every complaint names the member by its path."""

    def __init__(self, body: object, *, where: str, path: str) -> None:
        self._where = where
        self._path = path
        if not isinstance(body, Mapping):
            raise self._bad("", "an object", body)
        self._body: Mapping[str, Any] = body

    def _bad(self, name: str, wanted: str, value: object) -> TakeDamaged:
        shown = repr(value)
        place = (self._path + name).rstrip(".") or "the whole"
        return TakeDamaged(f"{place} must be {wanted}, not {shown[:60]}", where=self._where, now=_REMEDY)

    def _get(self, name: str, wanted: str, accept: Callable[[Any], bool], default: Any = _NOTHING) -> Any:
        value = self._body.get(name, default)
        if value is _NOTHING:
            raise TakeDamaged(f"{self._path}{name} is missing", where=self._where, now=_REMEDY)
        if value is not default and not accept(value):
            raise self._bad(name, wanted, value)
        return value

    def integer(self, name: str, *, at_least: int = 0, at_most: int = 1 << 62, default: Any = _NOTHING) -> int:
        wanted = f"a whole number of at least {at_least}"
        value: int = self._get(name, wanted, lambda v: type(v) is int and at_least <= v <= at_most, default)
        return value

    def integer_or_none(self, name: str) -> int | None:
        value: int | None = self._get(name, "a whole number or null", lambda v: v is None or type(v) is int, None)
        return value

    def integers(self, name: str) -> tuple[int, ...]:
        value = self._get(name, "whole numbers", lambda v: isinstance(v, list) and all(type(i) is int for i in v), [])
        return tuple(value)

    def number_or_none(self, name: str) -> float | None:
        value = self._get(name, "a number or null", lambda v: v is None or type(v) in (int, float), None)
        return None if value is None else float(value)

    def text(self, name: str, *, default: Any = _NOTHING) -> str:
        value: str = self._get(name, "text", lambda v: isinstance(v, str), default)
        return value

    def inner_path(self, name: str) -> str:
        """A relative path that stays inside the take folder."""
        value = self.text(name)
        parts = value.replace("\\", "/").split("/")
        if not value or value.startswith("/") or ".." in parts or ":" in parts[0] or "\x00" in value:
            raise self._bad(name, "a path inside the take folder", value)
        return value

    def choice(self, name: str, kind: Callable[[str], _T]) -> _T:
        value = self.text(name)
        try:
            return kind(value)
        except ValueError:
            raise self._bad(name, f"one of {', '.join(repr(str(k)) for k in kind)}", value) from None  # type: ignore[attr-defined]

    def choice_or_none(self, name: str, kind: Callable[[str], _T]) -> _T | None:
        return None if self._body.get(name) is None else self.choice(name, kind)

    def moment(self, name: str) -> datetime:
        value = self.text(name)
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            raise self._bad(name, "a date and time", value) from None
        if moment.tzinfo is None:
            raise self._bad(name, "a date and time with its offset", value)
        return moment

    def objects(self, name: str) -> tuple[_Members, ...]:
        value = self._get(name, "a list", lambda v: isinstance(v, list), [])
        return tuple(_Members(v, where=self._where, path=f"{self._path}{name}[{i}].") for i, v in enumerate(value))
