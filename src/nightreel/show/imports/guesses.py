"""Guesses that an engineer would make from a name and a microphone list, each with its reason.

Numbers and pairs as people write them ('17-18', 'Keys L/R', a pair that a spreadsheet turned into a date), and roles
from the words in the name and the mic/DI column. Common practice, no published source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from nightreel.show.imports.words import plain
from nightreel.show.model import Role

HIGHEST_NUMBER = 4096
_MONTH_NAMES = (
    "jan januar january janv ene, feb februar february fevr, mar marz mrz march mars mrt, apr april avr abr, "
    "may mai mei mag, jun juni june juin giu, jul juli july juil lug, aug august aout ago, "
    "sep sept september set, oct okt october oktober ott, nov november, dec dez december dezember dic"
)
_MONTHS = {name: month for month, names in enumerate(_MONTH_NAMES.split(", "), 1) for name in names.split()}
_SIDES = (
    ("l", "r"),
    ("left", "right"),
    ("li", "re"),
    ("links", "rechts"),
    ("gauche", "droite"),
    ("g", "d"),
    ("izq", "der"),
)
_BOTH = re.compile(
    r"""[\s(\[_-]*(?:
        \(?\b(?:l\s*[/+&|,-]\s*r|left\s*[/+&|,-]\s*right|links\s*[/+&|,-]\s*rechts|gauche\s*[/+&|,-]\s*droite|
             izq\s*[/+&|,-]\s*der|li\s*[/+&|,-]\s*re|g\s*/\s*d)\b\)?
      | \(?\b(?:L\ ?R|st\.?|stereo|stéréo|estereo|estéreo)(?!\w)\)?
    )[\s)\]]*$""",
    re.IGNORECASE | re.VERBOSE,
)
_LEADING_STEREO = re.compile(r"^(?:stereo|stéréo|estéreo|st\.)\s+(?=\S)", re.IGNORECASE)
_SIDE = re.compile(r"^(?P<stem>.*?\S)[\s(\[_.-]+(?P<side>\w+)[)\].]*$")
_UNUSED = (
    "spare, spares, empty, unused, not used, not in use, free, none, reserve, reserved, n a, x, frei, leer, "
    "nicht belegt, libre, vide, vacio, reserva, leeg"
)
UNUSED = frozenset((*_UNUSED.split(", "), ""))

# Role: words in the name or the mic/DI column that mean it, in the order in which they are tried.
_ROLE_WORDS: Mapping[Role, str] = {
    Role.TIMECODE: "ltc, smpte, timecode, time code, tc",
    Role.CLICK: "click, clicks, klick, clic, metronome, metronom, click track",
    Role.TALKBACK: "talkback, talk back, tb, talk, shout, shout mic, kommando, ordres, ordre",
    Role.AMBIENCE: (
        "ambience, ambient, amb, ambiance, audience, crowd, room mic, room mics, publikum, public, publico, publiek, "
        "atmo, saal, ambiente, ambie"
    ),
    Role.WIRELESS: (
        "wireless, radio, rf, handheld, hh, headset, lav, lavalier, beltpack, bodypack, uhf, funk, handfunk, "
        "funkmikrofon, hf, sans fil, inalambrico, draadloos"
    ),
    Role.PLAYBACK: (
        "playback, playbacks, pb, track, tracks, backing, backing track, backing tracks, laptop, computer, zuspieler, "
        "zuspielung, einspieler, bande, bandes, pistas, video, media player, sequencer, sequenzer, interlude, walk in"
    ),
}
_EFFECT_WORDS = (
    "fx, efx, effects, effect, effects return, fx return, fx rtn, fx ret, reverb, verb, rev, delay, dly, hall, "
    "effekt, effekte, effet, effets, efecto, efectos, return, rtn"
)
_DIRECT_WORDS = "di, d i, di box, dibox, direct, direct out, line, line out, xlr, jack, linea, ligne"
_KEYS = "keys, key, keyboard, keyboards, synth, synths, tasten, clavier, claviers, teclado, teclados, e piano, toetsen"


@dataclass(frozen=True, slots=True)
class Numbers:
    """``numbers`` of a cell; ``is_pair`` when two were meant as left and right; ``why`` where it had to be guessed."""

    numbers: tuple[int, ...]
    is_pair: bool = False
    why: str = ""


def read_numbers(text: str) -> Numbers | None:
    """Numbers of a cell: '7', 'Ch 7', '17-18', '17/18', '17+18', '9-12'; None when there are none to be read."""
    cleaned = re.sub(r"^(?:ch(?:annel|an)?|in(?:put)?|no|nr|kanal|line|#)[.:\s]*(?=\d)", "", text.strip().lower())
    if match := re.fullmatch(r"(\d{1,4})(?:[.,]0+)?\.?", cleaned):
        return _numbers(int(match[1]))
    if match := re.fullmatch(r"(\d{1,4})\s*(?:[-–—/+&,]|bis|to|und|and|et|y|a|à)\s*(\d{1,4})", cleaned):
        return _run(int(match[1]), int(match[2]), "")
    if match := re.fullmatch(r"(\d{4})-(\d{2})-(\d{2})", cleaned):
        first, second = sorted((int(match[2]), int(match[3])))
        return _run(first, second, "the spreadsheet had turned it into a date") if second == first + 1 else None
    if match := re.fullmatch(r"(\d{1,2})[.\s/-]*([a-z]{3,9})\.?|([a-z]{3,9})[.\s/-]*(\d{1,2})", plain(text)):
        month = _MONTHS.get(match[2] or match[3])
        if month:
            first, second = sorted((int(match[1] or match[4]), month))
            return _run(first, second, "the spreadsheet had turned it into a date") if second == first + 1 else None
    return None


def _numbers(*numbers: int, is_pair: bool = False, why: str = "") -> Numbers | None:
    return Numbers(numbers, is_pair, why) if all(1 <= n <= HIGHEST_NUMBER for n in numbers) else None


def _run(first: int, last: int, why: str) -> Numbers | None:
    if last == first + 1:
        return _numbers(first, last, is_pair=True, why=why)
    if first < last <= first + 63:
        return _numbers(*range(first, last + 1), why=why)
    return None


def stem_of_pair(name: str) -> str | None:
    """'Keys' of 'Keys L/R', 'Keys St', 'Stereo Keys', 'Keys (links/rechts)'; None for a name that is no pair."""
    for pattern in (_BOTH, _LEADING_STEREO):
        if pattern.search(name):
            stem = pattern.sub("", name).strip(" -_/(")
            if stem:
                return stem
    return None


def side_of(name: str) -> tuple[str, str, tuple[str, str]] | None:
    """Stem, side and the pair of sides of 'Keys L', 'OH right', 'Clavier G'; None where no side is named."""
    match = _SIDE.match(name)
    if match is None:
        return None
    side = plain(match["side"])
    sides = next((pair for pair in _SIDES if side in pair), None)
    return (plain(match["stem"]), side, sides) if sides else None


def are_sides(left: str, right: str) -> bool:
    """Whether two names are the left and right of one thing."""
    a, b = side_of(left), side_of(right)
    return bool(a and b and a[0] == b[0] and a[2] == b[2] and (a[1], b[1]) == a[2])


def guess_role(name: str, mic: str) -> tuple[Role, str]:
    """Role and reason. The reason is '' only where a microphone is named or nothing says otherwise."""
    for role, words in _ROLE_WORDS.items():
        for text, where in ((mic, "the mic/DI column"), (name, "the name")):
            if hit := _find_word(text, words):
                return role, f"{role} guessed from '{hit}' in {where}"
    if not mic and (hit := _find_word(name, _EFFECT_WORDS)):
        return Role.EFFECTS_RETURN, f"{Role.EFFECTS_RETURN} guessed from '{hit}' in the name"
    if hit := _find_word(mic, _DIRECT_WORDS):
        return Role.DIRECT, f"direct guessed from '{hit}' in the mic/DI column"
    if hit := _find_word(name, "di, d i, di box, direct"):
        return Role.DIRECT, f"direct guessed from '{hit}' in the name"
    if not mic and (hit := _find_word(name, _KEYS)):
        return Role.DIRECT, f"direct guessed from '{hit}' in the name and no microphone given"
    return Role.MIC, "" if mic else "taken for a microphone: nothing says otherwise"


def _find_word(text: str, words: str) -> str:
    """The first of the words that stands in the text as whole words, numbers behind them allowed ('FX 1', 'RF2')."""
    padded = f" {re.sub(r'(?<=[a-z])(?=[0-9])', ' ', plain(text))} "
    return next((word for word in words.split(", ") if f" {word} " in padded), "")
