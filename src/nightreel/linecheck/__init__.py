"""Room 2: prove the paths between stage, desk and computer before the doors open."""

from nightreel.linecheck.explain import Explanation, explain
from nightreel.linecheck.model import Kind, Method, Outcome, Proof, Statement, Weight
from nightreel.linecheck.patch import ExpectedPatch, PatchedLine, expected_patch
from nightreel.linecheck.proofs import LineCheck, latest_proofs, proven_stations, read_checks, write_check
from nightreel.linecheck.signals import MUTE_CAUTION, Identified, Stopped, identify

__all__ = [
    "MUTE_CAUTION",
    "ExpectedPatch",
    "Explanation",
    "Identified",
    "Kind",
    "LineCheck",
    "Method",
    "Outcome",
    "PatchedLine",
    "Proof",
    "Statement",
    "Stopped",
    "Weight",
    "expected_patch",
    "explain",
    "identify",
    "latest_proofs",
    "proven_stations",
    "read_checks",
    "write_check",
]
