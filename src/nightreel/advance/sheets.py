"""All sheets of a plan, in the order in which they are printed."""

from __future__ import annotations

from nightreel.advance.desk_sheets import box_sheets, gesture_sheet, line_sheet, port_sheets, soundcheck_sheet
from nightreel.advance.home_sheets import (
    figure_sheet,
    limit_sheet,
    media_sheet,
    network_sheets,
    option_sheet,
    time_left_sheet,
)
from nightreel.advance.plan import Plan
from nightreel.advance.sheet import Sheet


def all_sheets(plan: Plan) -> tuple[Sheet, ...]:
    """Empty ones are left out."""
    sheets = (
        gesture_sheet(plan),
        line_sheet(plan),
        *port_sheets(plan),
        *box_sheets(plan),
        soundcheck_sheet(plan),
        *network_sheets(plan),
        option_sheet(plan),
        media_sheet(plan),
        limit_sheet(plan),
        time_left_sheet(plan),
        figure_sheet(plan),
    )
    return tuple(sheet for sheet in sheets if sheet.rows)
