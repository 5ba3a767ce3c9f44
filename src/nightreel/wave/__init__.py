"""The WAVE family: RIFF, RF64 and BW64 as bytes, objects, readers, writers and repair."""

from nightreel.wave.bext import Bext, bext_for, parse_bext
from nightreel.wave.cues import Cue, parse_cues, serialise_cues
from nightreel.wave.format import WaveFormat, parse_format
from nightreel.wave.ixml import FileSet, Ixml, IxmlTrack, parse_ixml
from nightreel.wave.pack import pack, pack_columns, pack_counted, unpack
from nightreel.wave.reader import WaveReader
from nightreel.wave.repair import RepairReport, repair
from nightreel.wave.together import together
from nightreel.wave.writer import WaveWriter

__all__ = [
    "Bext",
    "Cue",
    "FileSet",
    "Ixml",
    "IxmlTrack",
    "RepairReport",
    "WaveFormat",
    "WaveReader",
    "WaveWriter",
    "bext_for",
    "pack",
    "pack_columns",
    "pack_counted",
    "parse_bext",
    "parse_cues",
    "parse_format",
    "parse_ixml",
    "repair",
    "serialise_cues",
    "together",
    "unpack",
]
