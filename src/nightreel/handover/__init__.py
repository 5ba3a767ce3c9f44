"""Room 6: split, name, tag, convert, mix, package, copy, read back, receipt."""

from nightreel.handover.bag import BagCheck, check_bag
from nightreel.handover.carry import carry_out, check_places
from nightreel.handover.command import Handover, open_place, run_handover
from nightreel.handover.model import Cut, FileKind, Outcome, Plan, Request
from nightreel.handover.names import TOKENS
from nightreel.handover.plan import make_plan

__all__ = [
    "TOKENS",
    "BagCheck",
    "Cut",
    "FileKind",
    "Handover",
    "Outcome",
    "Plan",
    "Request",
    "carry_out",
    "check_bag",
    "check_places",
    "make_plan",
    "open_place",
    "run_handover",
]
