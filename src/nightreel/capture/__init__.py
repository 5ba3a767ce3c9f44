"""Room 3, the recorder: ring, writers, journal, mirrors, marks, live watch, recovery.

``launch`` starts it as a process of its own; ``Recorder`` is the same machine as an object.
"""

from nightreel.capture.launch import Launched, launch
from nightreel.capture.model import RecorderState, RecordPlan, RecordRequest

__all__ = ["Launched", "RecordPlan", "RecordRequest", "RecorderState", "launch"]
