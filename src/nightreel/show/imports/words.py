"""Words of input lists: what engineers in several languages write above a column.

Exact first. Near misses only for words of four letters and more, since short ones ('no', 'in', 'di') are near to
everything. All words from common practice and dictionaries; no published source.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

EITHER = "name or number"  # words such as 'input', of which only the cells can tell which one is meant

# Field: aliases as `plain` writes them. Beyond a line's own attributes: mic (microphone or DI), stand, box.
_WORDS: Mapping[str, str] = {
    "number": (
        "#, ch, chan, chn, channel, channels, channel no, channel nr, channel number, channel #, ch no, ch nr, ch #, "
        "desk ch, desk channel, foh ch, foh channel, foh, console ch, console channel, mix ch, no, nr, num, number, "
        "line no, line nr, line number, line #, input no, input nr, input number, input #, track, track no, lfd nr, "
        "kanal, kanale, kanalnr, kanal nr, kanalnummer, pult, pultkanal, nummer, spur, "
        "voie, voies, voie no, canal, canaux, numero, no canal, no voie, num canal, canales, numero canal, entree no, "
        "kan, kanaal, kanaalnr, kanaal nr, kanaalnummer, canale, canali, numero canale, kanava, kanalnr"
    ),
    EITHER: (
        "input, inputs, in, line, lines, entree, entrees, entrada, entradas, eingang, eingange, ingang, ingangen, "
        "ingresso, ingressi, linea, ligne, lijn"
    ),
    "name": (
        "name, input name, channel name, line name, source, sources, input source, instrument, instruments, "
        "instrument voice, description, desc, input description, label, signal, title, what, "
        "quelle, signalquelle, bezeichnung, beschreibung, instrumente, kanalname, eingangsname, "
        "nom, nom du canal, nom voie, intitule, libelle, designation, "
        "nombre, fuente, instrumento, instrumentos, descripcion, senal, "
        "bron, naam, instrumentnaam, omschrijving, kanaalnaam, "
        "nome, sorgente, strumento, strumenti, descrizione, kilde, navn, benamning"
    ),
    "mic": (
        "mic, mics, mic di, mic or di, di mic, di, mic line, mic line di, mic type, microphone, microphones, "
        "microphone di, microphone or di, mike, mic model, mic choice, transducer, input type, type, typ, "
        "mikrofon, mikrofone, mikrophon, mikro, mikros, mikrofonierung, mikrofon di, abnahme, "
        "micro, micros, micro di, microphone ou di, capteur, captation, "
        "microfono, microfonos, microfono di, tipo, microfoon, microfoons, microfoon di, microfoni"
    ),
    "role": "role, rolle, rol, ruolo",
    "socket": (
        "socket, stage socket, patch, stage patch, input patch, patch in, stage input, stage in, stage line, "
        "stagebox input, stagebox in, stagebox ch, stagebox channel, stage box input, stage box in, stage box ch, "
        "stage box channel, box input, box ch, snake, snake ch, multicore, multicore ch, multi, multi ch, core, "
        "subsnake, sub snake, loom, preamp no, preamp nr, rack input, rack in, "
        "anschluss, steckplatz, buchse, stagebox kanal, multicore kanal, multikanal, prise, patch scene, "
        "toma, patch escenario, manguera, aansluiting, aansluitpunt, presa"
    ),
    "box": (
        "stagebox, stage box, box, rack, stage rack, stagerack, sb, boitier, boitier de scene, "
        "caja, caja de escenario, stagebox name"
    ),
    "gain_db": (
        "gain, gain db, preamp, preamp gain, pre amp gain, head amp, headamp, ha, ha gain, mic gain, "
        "verstarkung, vorverstarkung, eingangsverstarkung, ganancia, guadagno, versterking"
    ),
    "phantom": (
        "phantom, phantom power, phantom 48v, 48v, 48 v, 48, p48, pp, ph, phant, "
        "phantomspeisung, phantomspannung, fantom, fantome, alim, alim 48v, alim fantome, alimentation fantome, "
        "fantasma, alimentacion, alimentacion phantom, alimentacion fantasma, fantoomvoeding, alimentazione phantom"
    ),
    "stand": (
        "stand, stands, mic stand, stand type, stativ, stative, stander, pied, pieds, pied de micro, "
        "pie, pies, soporte, statief, statieven, asta, aste"
    ),
    "group": "group, groups, section, groupe, gruppe, grupo, groep, gruppo, dca, vca, family, department",
    "partner": "partner, stereo, stereo partner, stereo link, st link, link, linked with, pair, paar, paire, pareja",
    "priority": "priority, prio, prioritat, prioritaet, priorite, prioridad, prioriteit, priorita",
    "notes": (
        "notes, note, remarks, remark, comment, comments, info, memo, "
        "bemerkung, bemerkungen, anmerkung, anmerkungen, kommentar, kommentare, notiz, notizen, hinweis, hinweise, "
        "remarque, remarques, commentaire, commentaires, observaciones, notas, nota, comentarios, "
        "opmerking, opmerkingen, commenti"
    ),
    "send": "send",
    "return_port": "return",
    "at_soundcheck": "soundcheck",
}
_EXACT: Mapping[str, str] = {alias: name for name, text in _WORDS.items() for alias in text.split(", ")}
_LONG = [alias for alias in _EXACT if len(alias) >= 4]
_NEAR = 0.84  # 'chanel' to 'channel' is 0.92, 'instument' 0.95; 'stage' to 'stand' 0.60


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a header was taken for; ``rank`` 0 is exact, 1 a near miss, 2 one word of several."""

    field: str
    rank: int
    why: str


def plain(text: str) -> str:
    """Lower case, no accents, words parted by single blanks. '#' stays and '°' becomes 'no': they are words here."""
    spelled = text.replace("°", " no ").replace("º", " no ").replace("ß", "ss").replace("_", " ")
    bare = "".join(c for c in unicodedata.normalize("NFKD", spelled) if not unicodedata.combining(c)).lower()
    bare = re.sub(r"\bn no\b", "no", " ".join(re.sub(r"[^\w#]+", " ", bare).split()))
    return re.sub(r"(?<=\w)#", " #", bare)


def find_meaning(header: str) -> Meaning | None:
    """The field a header names, or None."""
    text = plain(header)
    if not text or len(text) > 40:
        return None
    if text in _EXACT:
        return Meaning(_EXACT[text], 0, "known word")
    if len(text) >= 4:
        near = difflib.get_close_matches(text, _LONG, n=1, cutoff=_NEAR)
        if near:
            return Meaning(_EXACT[near[0]], 1, f"spelled almost like '{near[0]}'")
    words = [word for word in text.split() if word in _EXACT and (len(word) >= 4 or word in ("di", "ch", "mic"))]
    fields = {_EXACT[word] for word in words} - {EITHER} or {_EXACT[word] for word in words}
    if len(fields) == 1 and len(text.split()) <= 4:
        return Meaning(fields.pop(), 2, f"holds the word '{words[0]}'")
    return None
