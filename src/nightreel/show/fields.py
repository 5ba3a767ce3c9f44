"""Single values of a show's documents: from what people write in a cell to what the model holds, and back.

``read_*`` raise :class:`FieldInvalid` with a sentence that gives the value and what is allowed. No file is touched.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable

from nightreel.errors import ArgumentInvalid
from nightreel.show.model import AtSoundcheck, Port, Role
from nightreel.units import parse_length_s

HIGHEST_PORT = 4096  # far above any link; keeps a typing error from becoming a billion port numbers
YES = frozenset(
    {"yes", "y", "true", "1", "x", "on", "48", "48v", "+48", "+48v", "p48", "ja", "oui", "si", "sí", "✓", "✔"}
)
NO = frozenset({"", "no", "n", "false", "0", "off", "-", "–", "nein", "nee", "non"})

_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")


class FieldInvalid(ValueError):
    """``args[0]`` says what stands there and what is allowed."""


def read_whole(text: str) -> int:
    """``7``, ``07``, or ``7.0`` as spreadsheets like to write it."""
    cleaned = text.strip()
    if not re.fullmatch(r"[+-]?\d{1,9}(?:[.,]0+)?", cleaned):
        raise FieldInvalid(f"'{text}' is not a whole number")
    return int(re.split(r"[.,]", cleaned)[0])


def read_gain_db(text: str) -> float | None:
    """``32``, ``+32.5 dB``, ``32,5``; blank is None. A true minus sign counts as one."""
    cleaned = re.sub(r"\s*db\s*$", "", text.strip(), flags=re.IGNORECASE).replace("\N{MINUS SIGN}", "-")
    if cleaned in ("", "-", "–"):
        return None
    if not _NUMBER.fullmatch(cleaned):
        raise FieldInvalid(f"'{text}' is not a gain; write decibels, such as 32 or 32.5")
    gain_db = float(cleaned.replace(",", "."))
    if not -100.0 <= gain_db <= 100.0:
        raise FieldInvalid(f"a gain of {text} dB cannot be meant; preamps lie between -100 and 100 dB")
    return gain_db


def write_gain_db(gain_db: float | None) -> str:
    return "" if gain_db is None else repr(gain_db).removesuffix(".0")


def read_yes(text: str) -> bool:
    cleaned = text.strip().lower()
    if cleaned in YES:
        return True
    if cleaned in NO:
        return False
    raise FieldInvalid(f"'{text}' is neither yes nor no")


def write_yes(value: bool) -> str:
    return "yes" if value else ""


def read_role(text: str) -> Role:
    """One of the model's roles, in any case; blank is a microphone."""
    cleaned = " ".join(text.strip().lower().replace("_", " ").replace("-", " ").split())
    if not cleaned:
        return Role.MIC
    try:
        return Role(cleaned)
    except ValueError:
        raise FieldInvalid(f"'{text}' is not a role; roles: {', '.join(Role)}") from None


def read_soundcheck(text: str) -> AtSoundcheck | None:
    cleaned = text.strip().lower()
    if not cleaned:
        return None
    try:
        return AtSoundcheck(cleaned)
    except ValueError:
        raise FieldInvalid(
            f"'{text}' is not what a line does at soundcheck; write {', '.join(AtSoundcheck)}, or leave it blank"
        ) from None


def read_port(text: str, links: Collection[str]) -> Port | None:
    """``link:number``; a bare number where the show has just one link; blank is None."""
    cleaned = text.strip()
    if not cleaned:
        return None
    link, colon, number = cleaned.rpartition(":")
    if not colon:
        if len(links) != 1:
            raise FieldInvalid(f"'{text}' names no link; write it as link:number, links: {_listed(links)}")
        (link,) = links
    try:
        return Port(link=link.strip(), number=read_whole(number))
    except FieldInvalid:
        raise FieldInvalid(f"'{text}' is not a port; write it as link:number, links: {_listed(links)}") from None


def _listed(names: Collection[str]) -> str:
    return ", ".join(sorted(names)) or "none is defined in show.toml"


def read_ports(value: object) -> frozenset[int]:
    """Port numbers as a list of whole numbers or as text: ``1-64, 70``."""
    parts = value.split(",") if isinstance(value, str) else value
    if not isinstance(parts, list):
        raise FieldInvalid(f'{value!r} is no list of ports; write it as "1-64, 70"')
    numbers: set[int] = set()
    for part in parts:
        text = str(part).strip()
        if not text:
            continue
        match = re.fullmatch(r"(\d{1,5})(?:\s*[-–]\s*(\d{1,5}))?", text)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
        if isinstance(part, bool) or not 1 <= first <= last <= HIGHEST_PORT:
            raise FieldInvalid(f"'{text}' is no port or run of ports between 1 and {HIGHEST_PORT}; write 7 or 1-64")
        numbers.update(range(first, last + 1))
    return frozenset(numbers)


def write_ports(numbers: Iterable[int]) -> str:
    """``1-64, 70``: the shortest way to write a set of ports."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs)


def read_length_s(value: object) -> float:
    """Seconds as a number, or as people write lengths: ``1h45m``, ``4:10``."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise FieldInvalid(f"{value!r} is not a length of time")
    if isinstance(value, str):
        try:
            return parse_length_s(value)
        except ArgumentInvalid as error:
            raise FieldInvalid(f"{error.what}; write it as 1h45m, 4:10 or 250s") from error
    if not (math.isfinite(value) and value > 0):
        raise FieldInvalid(f"{value} is not a length of time; it must be above 0")
    return float(value)


def write_length_s(seconds: float) -> str | int | float:
    """``1:45:00`` or ``4:10`` where the seconds are whole, else the number itself."""
    if seconds != int(seconds):
        return seconds
    hours, rest = divmod(int(seconds), 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"
