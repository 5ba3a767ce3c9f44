"""Room 1: capacity, storage, allocation of ports, patch sheets.

Pure computation, from a show and wishes to a :class:`Plan`; only ``folder`` and ``drives`` touch the disk, to keep
plans and measurements with the show.
"""

from nightreel.advance.allocate import Allocation, Space, allocate
from nightreel.advance.difference import Difference, compare_plans
from nightreel.advance.evidence import Evidence
from nightreel.advance.folder import list_plans, read_plan, write_plan
from nightreel.advance.known import Figure, Known
from nightreel.advance.plan import Plan
from nightreel.advance.planning import make_plan
from nightreel.advance.record import plan_dict, version_of
from nightreel.advance.returns_sdp import describe_returns
from nightreel.advance.verdict import screen, verdict_of
from nightreel.advance.what_if import what_if
from nightreel.advance.wishes import Network, Wishes, wishes_from

__all__ = [
    "Allocation",
    "Difference",
    "Evidence",
    "Figure",
    "Known",
    "Network",
    "Plan",
    "Space",
    "Wishes",
    "allocate",
    "compare_plans",
    "describe_returns",
    "list_plans",
    "make_plan",
    "plan_dict",
    "read_plan",
    "screen",
    "verdict_of",
    "version_of",
    "what_if",
    "wishes_from",
    "write_plan",
]
