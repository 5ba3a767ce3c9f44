"""What sets marks from outside: the table ``[marks]`` of show.toml, written by the user. Pure.

    [marks]
    osc_port = 9124                 # listen for OSC over UDP; osc_from = "0.0.0.0" lets other computers send
    midi_device = "/dev/snd/midiC1D0"
    timecode_line = 31              # a line with LTC: jumps set marks
    when = [
        { osc = "/mark" },                                  # begins the next song, or is named by its text argument
        { osc = "/cue/*/go", name = "Cue {address}" },
        { midi = "program change", channel = 1 },           # a desk's scene recall begins the next song
        { midi = "note on", channel = 10, number = 60, name = "Talking" },
        { midi = "timecode", name = "Timecode {timecode}" },
    ]

Names may hold {address}, {text}, {number}, {timecode}. Without a name the mark begins the next song.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from nightreel.capture.midi import MidiMessage
from nightreel.capture.osc import OscMessage, matches
from nightreel.errors import ShowInvalid

MIDI_KINDS = ("program change", "note on", "control change", "song select", "timecode")
_KEYS = {"osc_port", "osc_from", "midi_device", "timecode_line", "when"}
_RULE_KEYS = {"osc", "midi", "channel", "number", "name"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """Exactly one of ``osc`` (an address pattern) and ``midi`` (a kind of message) is set."""

    osc: str = ""
    midi: str = ""
    channel: int | None = None
    number: int | None = None
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkMapping:
    osc_port: int | None = None
    osc_from: str = "127.0.0.1"
    midi_device: str = ""
    timecode_line: int | None = None
    rules: tuple[Rule, ...] = ()

    @property
    def is_empty(self) -> bool:
        return self.osc_port is None and not self.midi_device and self.timecode_line is None


DEFAULT_RULES = (Rule(osc="/mark"), Rule(midi="program change"))


def parse_mapping(text: str, *, where: str = "show.toml") -> MarkMapping:
    """The mapping in a show document; empty where it has none. Raises ShowInvalid that names every problem."""
    table = tomllib.loads(text).get("marks")
    if table is None:
        return MarkMapping()
    problems: list[str] = []
    if not isinstance(table, dict):
        raise ShowInvalid("the marks contradict themselves", where=where, problems=("[marks] must be a table",))
    problems += [
        f"[marks]: the key '{key}' is not known; known: {', '.join(sorted(_KEYS))}" for key in table if key not in _KEYS
    ]
    port = _whole(table, "osc_port", 1, 65_535, problems, "[marks]")
    line = _whole(table, "timecode_line", 1, 100_000, problems, "[marks]")
    address, device = _text(table, "osc_from", "127.0.0.1", problems), _text(table, "midi_device", "", problems)
    when = table.get("when", [])
    rules: list[Rule] = []
    if not isinstance(when, list):
        problems.append("[marks], key when: must be a list of tables")
        when = []
    for number, entry in enumerate(when, 1):
        rule = _rule(entry, f"[marks], entry {number} of when", problems)
        if rule is not None:
            rules.append(rule)
    if problems:
        raise ShowInvalid("the marks contradict themselves", where=where, problems=tuple(problems), now="Mend them")
    return MarkMapping(
        osc_port=port,
        osc_from=address,
        midi_device=device,
        timecode_line=line,
        rules=tuple(rules) if "when" in table else DEFAULT_RULES,
    )


def name_for_osc(mapping: MarkMapping, message: OscMessage) -> str | None:
    """The name of the mark that a message sets ('' = the next song), None where it sets none."""
    for rule in mapping.rules:
        if rule.osc and matches(rule.osc, message.address):
            text = next((a for a in message.arguments if isinstance(a, str)), "")
            number = next((a for a in message.arguments if type(a) is int), "")
            return _fill(rule.name, address=message.address, text=text, number=number) if rule.name else text
    return None


def name_for_midi(mapping: MarkMapping, message: MidiMessage) -> str | None:
    """As :func:`name_for_osc`."""
    number = message.data[0] if message.data else None
    for rule in mapping.rules:
        if (
            rule.midi != message.kind
            or rule.channel not in (None, message.channel)
            or rule.number not in (None, number)
        ):
            continue
        return _fill(rule.name, number="" if number is None else number)
    return None


def name_for_timecode(mapping: MarkMapping, label: str, *, kind: str) -> str | None:
    """``kind`` is 'midi', which needs a rule of its own, or 'ltc', which needs none."""
    for rule in mapping.rules:
        if rule.midi == "timecode":
            return _fill(rule.name or "Timecode {timecode}", timecode=label)
    return f"Timecode {label}" if kind == "ltc" else None


def _rule(entry: object, where: str, problems: list[str]) -> Rule | None:
    if not isinstance(entry, dict):
        problems.append(f"{where}: must be a table such as {{ osc = '/mark' }}")
        return None
    before = len(problems)
    problems += [
        f"{where}: the key '{key}' is not known; known: {', '.join(sorted(_RULE_KEYS))}"
        for key in entry
        if key not in _RULE_KEYS
    ]
    osc, midi, name = (_text(entry, key, "", problems, where) for key in ("osc", "midi", "name"))
    if bool(osc) == bool(midi):
        problems.append(f"{where}: give either osc or midi")
    if osc and not osc.startswith("/"):
        problems.append(f"{where}: an OSC address begins with '/', not '{osc}'")
    if midi and midi not in MIDI_KINDS:
        problems.append(f"{where}: the message '{midi}' is not known; known: {', '.join(MIDI_KINDS)}")
    channel = _whole(entry, "channel", 1, 16, problems, where)
    number = _whole(entry, "number", 0, 127, problems, where)
    return Rule(osc=osc, midi=midi, channel=channel, number=number, name=name) if len(problems) == before else None


def _whole(table: Mapping[str, Any], key: str, least: int, most: int, problems: list[str], where: str) -> int | None:
    value = table.get(key)
    if value is None or (type(value) is int and least <= value <= most):
        return value
    problems.append(f"{where}, key {key}: must be a whole number from {least} to {most}, not {value!r}")
    return None


def _text(table: Mapping[str, Any], key: str, usual: str, problems: list[str], where: str = "[marks]") -> str:
    value = table.get(key, usual)
    if isinstance(value, str):
        return value
    problems.append(f"{where}, key {key}: must be text, not {value!r}")
    return usual


def _fill(name: str, **values: object) -> str:
    for key, value in values.items():
        name = name.replace("{" + key + "}", str(value))
    return name
