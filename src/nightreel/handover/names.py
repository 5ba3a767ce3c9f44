"""Names of the files by a template: tokens in braces, '/' between folders, everything else as written.

``{line:02} {name}`` gives ``07 Snare Top``. Every component is made safe for FAT, exFAT, NTFS and POSIX; two files
whose names a case-blind file system takes for one are a clash, which is refused.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterable, Mapping
from types import MappingProxyType

from nightreel.disk.names import clash_key, safe_name
from nightreel.errors import ArgumentInvalid

TOKENS: Mapping[str, str] = MappingProxyType(
    {
        "show": "name of the show",
        "date": "day the take began, 2026-11-28",
        "time": "time of day the part begins, 20.15.00",
        "take": "name of the take",
        "song": "number of the song, 0 before the first; a number",
        "title": "title of the song, or where the part lies",
        "line": "number of the line; a number",
        "name": "name of the line",
        "role": "role of the line",
        "group": "group of the line",
    }
)
NUMBERS = frozenset({"song", "line"})
MOST_PATH_BYTES = 200  # leaves room for the destination's own path where 255 or 260 is the limit


def require_template(template: str) -> None:
    """Raises ArgumentInvalid, which lists the tokens, for what :func:`fill` could not use."""
    try:
        pieces = list(string.Formatter().parse(template))
    except ValueError as error:
        raise _refuse(template, f"its braces do not match ({error})") from error
    for _, token, spec, conversion in pieces:
        if token is None:
            continue
        if token not in TOKENS or conversion:
            raise _refuse(template, f"'{{{token}}}' is no token")
        if spec and (token not in NUMBERS or not re.fullmatch(r"0?[1-9]", spec)):
            raise _refuse(template, f"'{{{token}:{spec}}}': a width such as 02 fits {{song}} and {{line}} only")
    if not any(token for _, token, _, _ in pieces) or not template.strip("/ "):
        raise _refuse(template, "it has no token, so that all files would have one name")
    if "\\" in template or template.startswith("/") or ".." in template.split("/"):
        raise _refuse(template, "it has to stay inside the package: '/' between folders, no '..'")


def fill(template: str, values: Mapping[str, object], extension: str) -> str:
    """A relative path with '/'. A token's own slashes never make folders."""
    components = []
    for component in template.split("/"):
        text = ""
        for literal, token, spec, _ in string.Formatter().parse(component):
            text += literal
            if token is not None:
                text += format(values[token], spec or "")
        components.append(text)
    if len(components) > 1:
        components = [c for c in components[:-1] if c.strip()] + components[-1:]
    folders = [safe_name(c, most_bytes=80) for c in components[:-1]]
    room = max(24, MOST_PATH_BYTES - sum(len(f.encode()) + 1 for f in folders))
    return "/".join([*folders, safe_name(components[-1] + extension, most_bytes=room)])


def find_clashes(paths: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Pairs of paths that some file system cannot keep apart, a file that is another's folder included."""
    seen: dict[str, str] = {}
    folders: dict[str, str] = {}
    clashes = []
    for path in paths:
        key = clash_key(path)
        if key in seen:
            clashes.append((seen[key], path))
        seen.setdefault(key, path)
        parts = key.split("/")
        for depth in range(1, len(parts)):
            folders.setdefault("/".join(parts[:depth]), path)
    clashes += [(seen[key], folders[key]) for key in sorted(seen.keys() & folders.keys())]
    return tuple(clashes)


def _refuse(template: str, why: str) -> ArgumentInvalid:
    tokens = ", ".join(f"{{{token}}}" for token in TOKENS)
    return ArgumentInvalid(f"the template '{template}' cannot be used: {why}", now=f"Tokens: {tokens}")
