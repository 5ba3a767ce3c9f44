"""What the names of lines say about which of them hear one source, and which side of it.

Only names are looked at; a group ('drums') says nothing about one source. Words of a few languages are known; a name
that is not understood leads to no statement.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from nightreel.take.model import Track

_SIDES = {
    "in": "in", "inside": "in", "innen": "in", "out": "out", "outside": "out", "aussen": "out", "front": "out",
    "top": "top", "oben": "top", "up": "top", "upper": "top", "over": "top",
    "bottom": "bottom", "btm": "bottom", "bot": "bottom", "under": "bottom", "unten": "bottom", "lower": "bottom",
    "di": "direct", "direct": "direct", "line": "direct", "mic": "mic", "mike": "mic", "amp": "mic", "cab": "mic",
    "l": "left", "left": "left", "links": "left", "gauche": "left", "r": "right", "right": "right", "rechts": "right",
    "droite": "right", "low": "bottom", "high": "top", "lo": "bottom", "hi": "top", "sub": "in", "close": "mic",
}  # fmt: skip


def words(name: str) -> tuple[str, ...]:
    """Lower-case words without accents; digits are words of their own."""
    plain = unicodedata.normalize("NFKD", name.replace("ß", "ss")).casefold()
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return tuple(re.findall(r"[^\W\d_]+|\d+", plain))


def stem_and_side(name: str) -> tuple[str, str]:
    """``'Snare Top' -> ('snare', 'top')``; no side gives ''."""
    kept: list[str] = []
    side = ""
    for position, word in enumerate(words(name)):
        if position > 0 and word in _SIDES and not side:
            side = _SIDES[word]
        else:
            kept.append(word)
    return " ".join(kept), side


def same_source_pairs(tracks: Iterable[Track]) -> tuple[tuple[Track, Track], ...]:
    """Pairs of lines that name one source with different sides (in and out, top and bottom, DI and mic).

    Left and right are a stereo matter and left out here.
    """
    by_stem: dict[str, list[tuple[Track, str]]] = {}
    for track in tracks:
        stem, side = stem_and_side(track.name)
        if stem:
            by_stem.setdefault(stem, []).append((track, side))
    pairs = []
    for group in by_stem.values():
        for k, (a, side_a) in enumerate(group):
            for b, side_b in group[k + 1 :]:
                if side_a != side_b and not {side_a, side_b} & {"left", "right"} and a.partner != b.line:
                    pairs.append((a, b))
    return tuple(pairs)
