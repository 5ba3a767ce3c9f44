"""Where audio comes in and goes out: sound device, JACK, network, files, simulated stage.

Names are looked up when first used: compiled callbacks take a second to load, and most commands need none.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightreel.ports.devices import Device, DeviceDuplex, DeviceSink, DeviceSource, list_devices
    from nightreel.ports.files import FileSink, FileSource
    from nightreel.ports.jack import JackDuplex, JackSink, JackSource
    from nightreel.ports.protocols import Block, Duplex, EndOfFrames, FrameSink, FrameSource
    from nightreel.ports.stage import Desk, SimulatedStage, StageDuplex, StageSink, StageSource

__all__ = [
    "Block",
    "Desk",
    "Device",
    "DeviceDuplex",
    "DeviceSink",
    "DeviceSource",
    "Duplex",
    "EndOfFrames",
    "FileSink",
    "FileSource",
    "FrameSink",
    "FrameSource",
    "JackDuplex",
    "JackSink",
    "JackSource",
    "SimulatedStage",
    "StageDuplex",
    "StageSink",
    "StageSource",
    "list_devices",
]

_HOMES = {
    "devices": ("Device", "DeviceDuplex", "DeviceSink", "DeviceSource", "list_devices"),
    "files": ("FileSink", "FileSource"),
    "jack": ("JackDuplex", "JackSink", "JackSource"),
    "protocols": ("Block", "Duplex", "EndOfFrames", "FrameSink", "FrameSource"),
    "stage": ("Desk", "SimulatedStage", "StageDuplex", "StageSink", "StageSource"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'nightreel.ports' has no attribute '{name}'")
    return getattr(import_module(f"nightreel.ports.{_HOME_OF[name]}"), name)
