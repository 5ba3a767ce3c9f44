"""The ``iXML`` chunk (open specification): project, take, track names, place on the clock, file sets.

Every element is optional and there is no schema; elements not listed here are kept as they came (``other``).
Source of element names: docs/formats/wave.md.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass

from nightreel.errors import AudioFileInvalid

MOST_BYTES = 4 << 20
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True, kw_only=True)
class IxmlTrack:
    """One channel of the file; both indexes count from 1. ``channel_index`` is its place in the recording."""

    channel_index: int
    interleave_index: int
    name: str = ""
    function: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSet:
    """Files that belong together: the mono files of one take."""

    total_files: int
    family_uid: str
    family_name: str = ""
    index: str = ""  # which of them this one is


@dataclass(frozen=True, slots=True, kw_only=True)
class Ixml:
    """``timestamp_frames`` is the bext TimeReference again, as the specification asks; None = not stated."""

    version: str = "2.10"
    project: str = ""
    scene: str = ""
    tape: str = ""
    take: str = ""
    note: str = ""
    file_uid: str = ""
    tracks: tuple[IxmlTrack, ...] = ()
    rate_hz: int | None = None
    bits: int | None = None
    timestamp_frames: int | None = None
    timecode_rate: str = ""
    timecode_flag: str = ""
    file_set: FileSet | None = None
    original_filename: str = ""
    parent_filename: str = ""
    parent_uid: str = ""
    other: tuple[str, ...] = ()  # elements of others, as XML text

    def serialise(self) -> bytes:
        """UTF-8 with declaration."""
        root = ET.Element("BWFXML")
        _add(root, "IXML_VERSION", self.version)
        for tag, text in (
            ("PROJECT", self.project),
            ("SCENE", self.scene),
            ("TAPE", self.tape),
            ("TAKE", self.take),
            ("NOTE", self.note),
            ("FILE_UID", self.file_uid),
        ):
            _add(root, tag, text)
        self._add_speed(root)
        if self.file_set is not None:
            branch = ET.SubElement(root, "FILE_SET")
            _add(branch, "TOTAL_FILES", str(self.file_set.total_files))
            _add(branch, "FAMILY_UID", self.file_set.family_uid)
            _add(branch, "FAMILY_NAME", self.file_set.family_name)
            _add(branch, "FILE_SET_INDEX", self.file_set.index)
        if self.original_filename or self.parent_filename or self.parent_uid:
            branch = ET.SubElement(root, "HISTORY")
            _add(branch, "ORIGINAL_FILENAME", self.original_filename)
            _add(branch, "PARENT_FILENAME", self.parent_filename)
            _add(branch, "PARENT_UID", self.parent_uid)
        if self.tracks:
            branch = ET.SubElement(root, "TRACK_LIST")
            _add(branch, "TRACK_COUNT", str(len(self.tracks)))
            for track in self.tracks:
                leaf = ET.SubElement(branch, "TRACK")
                _add(leaf, "CHANNEL_INDEX", str(track.channel_index))
                _add(leaf, "INTERLEAVE_INDEX", str(track.interleave_index))
                _add(leaf, "NAME", track.name)
                _add(leaf, "FUNCTION", track.function)
        ET.indent(root, " ")
        for element in self.other:  # after indenting: what others wrote keeps its white space
            root.append(ET.fromstring(element))
        text = ET.tostring(root, encoding="unicode")
        return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'.encode()

    def _add_speed(self, root: ET.Element) -> None:
        items: list[tuple[str, str]] = [
            ("TIMECODE_RATE", self.timecode_rate),
            ("TIMECODE_FLAG", self.timecode_flag),
        ]
        if self.rate_hz is not None:
            items += [("FILE_SAMPLE_RATE", str(self.rate_hz)), ("DIGITIZER_SAMPLE_RATE", str(self.rate_hz))]
        if self.bits is not None:
            items.append(("AUDIO_BIT_DEPTH", str(self.bits)))
        if self.timestamp_frames is not None:
            items += [
                ("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", str(self.timestamp_frames >> 32)),
                ("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO", str(self.timestamp_frames & 0xFFFFFFFF)),
            ]
            if self.rate_hz is not None:
                items.append(("TIMESTAMP_SAMPLE_RATE", str(self.rate_hz)))
        if any(text for _, text in items):
            branch = ET.SubElement(root, "SPEED")
            for tag, text in items:
                _add(branch, tag, text)


_OURS = frozenset(
    "IXML_VERSION PROJECT SCENE TAPE TAKE NOTE FILE_UID SPEED FILE_SET HISTORY TRACK_LIST".split()  # noqa: SIM905
)


def parse_ixml(data: bytes, *, where: str = "") -> Ixml:
    """Raises AudioFileInvalid for text that is no XML, is oversized, or defines entities (they can explode)."""
    if len(data) > MOST_BYTES:
        raise AudioFileInvalid(f"its iXML chunk claims {len(data)} bytes", where=where)
    try:
        root = ET.fromstring(_decode(data))
        other = tuple(ET.tostring(branch, encoding="unicode").strip() for branch in root if branch.tag not in _OURS)
    except _Refused as error:
        raise AudioFileInvalid(f"its iXML chunk {error}, which is not read", where=where) from error
    except (ET.ParseError, ValueError, LookupError) as error:
        raise AudioFileInvalid(f"its iXML chunk is no XML ({error})", where=where) from error
    except RecursionError as error:
        raise AudioFileInvalid("its iXML chunk is nested too deeply", where=where) from error
    if root.tag != "BWFXML":
        raise AudioFileInvalid(f"its iXML chunk begins with {root.tag[:40]} instead of BWFXML", where=where)
    high = _number(root, "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI")
    low = _number(root, "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO")
    return Ixml(
        version=_find(root, "IXML_VERSION"),
        project=_find(root, "PROJECT"),
        scene=_find(root, "SCENE"),
        tape=_find(root, "TAPE"),
        take=_find(root, "TAKE"),
        note=_find(root, "NOTE"),
        file_uid=_find(root, "FILE_UID"),
        tracks=_tracks(root),
        rate_hz=_number(root, "SPEED/FILE_SAMPLE_RATE"),
        bits=_number(root, "SPEED/AUDIO_BIT_DEPTH"),
        timestamp_frames=None if low is None else (high or 0) << 32 | low,
        timecode_rate=_find(root, "SPEED/TIMECODE_RATE"),
        timecode_flag=_find(root, "SPEED/TIMECODE_FLAG"),
        file_set=_file_set(root),
        original_filename=_find(root, "HISTORY/ORIGINAL_FILENAME"),
        parent_filename=_find(root, "HISTORY/PARENT_FILENAME"),
        parent_uid=_find(root, "HISTORY/PARENT_UID"),
        other=other,
    )


class _Refused(ValueError):
    pass


def _decode(data: bytes) -> bytes | str:
    """The XML text, without what writers pad it with; refuses what could hide or define entities."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text: bytes | str = data.decode("utf-16").rstrip("\0 \r\n\t")
        probe = str(text)
    else:
        text = data.rstrip(b"\0 \r\n\t")
        probe = text.decode("latin-1")  # the letters looked for are the same in every byte encoding that XML knows
        if "\0" in probe:
            raise _Refused("holds zero bytes")
    if "<!DOCTYPE" in probe or "<!ENTITY" in probe:
        raise _Refused("defines a document type or entities")
    return text


def _tracks(root: ET.Element) -> tuple[IxmlTrack, ...]:
    return tuple(
        IxmlTrack(
            channel_index=_number(leaf, "CHANNEL_INDEX") or place,
            interleave_index=_number(leaf, "INTERLEAVE_INDEX") or place,
            name=_find(leaf, "NAME"),
            function=_find(leaf, "FUNCTION"),
        )
        for place, leaf in enumerate(root.findall("TRACK_LIST/TRACK"), 1)
    )


def _file_set(root: ET.Element) -> FileSet | None:
    if root.find("FILE_SET") is None:
        return None
    return FileSet(
        total_files=_number(root, "FILE_SET/TOTAL_FILES") or 0,
        family_uid=_find(root, "FILE_SET/FAMILY_UID"),
        family_name=_find(root, "FILE_SET/FAMILY_NAME"),
        index=_find(root, "FILE_SET/FILE_SET_INDEX"),
    )


def _add(parent: ET.Element, tag: str, text: str) -> None:
    if text:
        ET.SubElement(parent, tag).text = _NOT_XML.sub("", text)


def _find(parent: ET.Element, path: str) -> str:
    return (parent.findtext(path) or "").strip()


def _number(parent: ET.Element, path: str) -> int | None:
    text = _find(parent, path)
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 20 else None
