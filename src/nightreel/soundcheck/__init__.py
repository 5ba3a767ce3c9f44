"""Room 5: play any night back through the desk, and come safely back to live."""

from nightreel.soundcheck.drive import Drive
from nightreel.soundcheck.plan import LinePlan, ReturnPlan, Wishes, parse_entries, plan_returns
from nightreel.soundcheck.player import Channel, Player, PlayerStatus, State
from nightreel.soundcheck.sheets import back_sheet, switch_sheet, write_sheets

__all__ = [
    "Channel",
    "Drive",
    "LinePlan",
    "Player",
    "PlayerStatus",
    "ReturnPlan",
    "State",
    "Wishes",
    "back_sheet",
    "parse_entries",
    "plan_returns",
    "switch_sheet",
    "write_sheets",
]
