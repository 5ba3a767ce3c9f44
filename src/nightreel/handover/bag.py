"""A BagIt package, version 1.0 (RFC 8493): written by ourselves, and checked by reading every byte.

The payload lies in ``data/``. ``manifest-sha256.txt`` and ``manifest-sha512.txt`` name each payload file once; the tag
manifests name the other files of the package. Any BagIt tool can check it years later.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from nightreel.disk import Digests, digest_file
from nightreel.errors import ArgumentInvalid, NightreelError

ALGORITHMS = ("sha256", "sha512")
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
PAYLOAD = "data"


def tag_files(
    payload: Mapping[str, Digests], info: Mapping[str, str], more: Mapping[str, str] = MappingProxyType({})
) -> dict[str, str]:
    """Every file of the package outside of the payload, in writing order: path -> text.

    payload : digests by path relative to ``data/``
    info : fields of bag-info.txt; Payload-Oxum is added here
    more : further tag files, path -> text
    """
    octets = sum(digests.size_bytes for digests in payload.values())
    files = {"bagit.txt": DECLARATION, **more}
    fields = {**info, "Payload-Oxum": f"{octets}.{len(payload)}"}
    files["bag-info.txt"] = "".join(f"{name}: {' '.join(value.split())}\n" for name, value in fields.items() if value)
    for algorithm in ALGORITHMS:
        lines = [f"{getattr(payload[path], algorithm)}  {PAYLOAD}/{escape(path)}\n" for path in sorted(payload)]
        files[f"manifest-{algorithm}.txt"] = "".join(lines)
    tags = dict(files)
    for algorithm in ALGORITHMS:
        lines = [
            f"{hashlib.new(algorithm, text.encode()).hexdigest()}  {path}\n" for path, text in sorted(tags.items())
        ]
        files[f"tagmanifest-{algorithm}.txt"] = "".join(lines)
    return files


def escape(path: str) -> str:
    """RFC 8493, 2.1.3: line feed, carriage return and the per cent sign."""
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def unescape(path: str) -> str:
    return path.replace("%0A", "\n").replace("%0D", "\r").replace("%0a", "\n").replace("%0d", "\r").replace("%25", "%")


@dataclass(frozen=True, slots=True, kw_only=True)
class BagCheck:
    """``problems`` is empty when the package is complete and every byte is as its manifests say."""

    files: int
    size_bytes: int
    problems: tuple[str, ...]


def require_bag(folder: Path) -> int:
    """Bytes to read for a check; raises ArgumentInvalid when the folder is no package."""
    if not (folder / "bagit.txt").is_file() or not (folder / PAYLOAD).is_dir():
        raise ArgumentInvalid(
            "this is no package: it holds no bagit.txt and data", where=str(folder), now="Name the package's own folder"
        )
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) or 1


def check_bag(folder: Path, *, moved: Callable[[int], None] | None = None) -> BagCheck:
    """Read the whole package, from the drive where the system allows it, and compare with its manifests."""
    problems: list[str] = []
    payload, tags = (_read_manifests(folder, kind, problems) for kind in ("manifest", "tagmanifest"))
    size_bytes = 0
    for path, wanted in sorted({**payload, **tags}.items()):
        try:
            digests = digest_file(folder / path, past_cache=True, moved=moved)
        except NightreelError as error:
            problems.append(f"{path}: {error.what}")
            continue
        if path in payload:
            size_bytes += digests.size_bytes
        if any(getattr(digests, algorithm) != digest for algorithm, digest in wanted.items()):
            problems.append(f"{path}: its bytes are not those that were written")
    present = {p.relative_to(folder).as_posix() for p in (folder / PAYLOAD).rglob("*") if not p.is_dir()}
    problems += [f"{path}: in the package, but in no manifest" for path in sorted(present - payload.keys())]
    return BagCheck(files=len(payload), size_bytes=size_bytes, problems=tuple(problems))


def _read_manifests(folder: Path, kind: str, problems: list[str]) -> dict[str, dict[str, str]]:
    """Digest by algorithm for each path; every manifest must name the same paths."""
    found: dict[str, dict[str, str]] = {}
    for algorithm in ALGORITHMS:
        name = f"{kind}-{algorithm}.txt"
        try:
            text = (folder / name).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            problems.append(f"{name}: cannot be read ({error})")
            continue
        for line in filter(None, text.replace("\r\n", "\n").split("\n")):
            digest, _, path = line.partition(" ")
            place = unescape(path.strip())
            if not place or place.startswith(("/", "~")) or ".." in place.split("/"):
                problems.append(f"{name}: '{line[:80]}' names nothing inside the package")
                continue
            found.setdefault(place, {})[algorithm] = digest.lower()
    problems += [
        f"{path}: only in {next(iter(digests))} of the two {kind}s"
        for path, digests in sorted(found.items())
        if len(digests) < len(ALGORITHMS)
    ]
    return found
