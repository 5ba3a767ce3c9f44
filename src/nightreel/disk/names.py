"""File names that every file system takes: POSIX, FAT, exFAT and NTFS. Unicode stays as it is.

Rules: NTFS and FAT forbid ``< > : " / \\ | ? *`` and control characters, trailing dots and spaces, and the names of
old devices with or without extension (Microsoft, "Naming files, paths and namespaces"). One component holds at most
255 UTF-16 units there and 255 bytes on most POSIX file systems; the tighter of the two holds here.
"""

from __future__ import annotations

import unicodedata

MOST_NAME_BYTES = 255
_STAND_INS = {"<": "(", ">": ")", ":": "-", '"': "'", "/": "-", "\\": "-", "|": "-", "?": "", "*": "x"}
_DEVICES = frozenset({"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in "123456789¹²³")})


def safe_name(text: str, *, most_bytes: int = MOST_NAME_BYTES, instead: str = "unnamed") -> str:
    """One path component made from any text.

    Forbidden characters get a readable stand-in, spaces are squeezed, Unicode is composed (NFC) and kept. The result
    is never empty and never '.', '..' or a device's name. A name that is safe already comes back unchanged if it is
    NFC and within ``most_bytes`` of UTF-8; a longer one is cut before its extension.
    """
    composed = unicodedata.normalize("NFC", text)
    kept = "".join(_STAND_INS.get(ch, ch) for ch in composed if _may_stay(ch))
    name = " ".join(kept.split()).rstrip(". ")
    if not name.strip("."):
        name = instead
    stem, dot, extension = name.partition(".")
    if stem.rstrip(" ").lower() in _DEVICES:
        name = f"{stem}_{dot}{extension}"
    return _cut(name, most_bytes) or instead


def clash_key(name: str) -> str:
    """Equal for names that a case-blind or normalising file system (NTFS, exFAT, APFS) would take for one."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())


def _may_stay(ch: str) -> bool:
    # Controls, surrogates and unassigned go; so do direction overrides, which can disguise a name.
    return unicodedata.category(ch) not in {"Cc", "Cs", "Cn"} and ch not in "\u202a\u202b\u202c\u202d\u202e\u2028\u2029"


def _cut(name: str, most_bytes: int) -> str:
    if len(name.encode()) <= most_bytes:
        return name
    stem, dot, extension = name.rpartition(".")
    if not stem or len(extension.encode()) > 16:
        stem, dot, extension = name, "", ""
    room = most_bytes - len((dot + extension).encode())
    shortened = stem.encode()[:room].decode(errors="ignore").rstrip(". ")
    return shortened + dot + extension
