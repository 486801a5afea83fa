"""All pictures of a day's report, at most seven a baghouse."""

from __future__ import annotations

from functools import partial

from rowcall.day_report import DayReport
from rowcall.guard import UNGUARDED, Guard
from rowcall_reports.figures.canvas import house_style
from rowcall_reports.figures.dp import draw_dp
from rowcall_reports.figures.hours import draw_hours
from rowcall_reports.figures.month import draw_month
from rowcall_reports.figures.picture import Picture
from rowcall_reports.figures.puff_stacks import draw_puffs
from rowcall_reports.figures.rows import draw_rows
from rowcall_reports.figures.stacks import draw_stacks
from rowcall_reports.figures.start_curves import draw_starts
from rowcall_reports.prepared import prepare

_DRAWN = {
    "month": draw_month,
    "stacks": draw_stacks,
    "rows": draw_rows,
    "recovery": draw_hours,
    "dp": draw_dp,
    "starts": draw_starts,
    "puffs": draw_puffs,
}


def draw(report: DayReport, guard: Guard = UNGUARDED) -> tuple[Picture, ...]:
    """Return the pictures for which the day holds data, in the order of the report."""
    with house_style():
        made = [
            guard.run(
                one.day.baghouse.id, f"picture {kind}", partial(figure, one), lambda why: None
            )
            for one in prepare(report, guard).baghouses
            if not one.day.failed
            for kind, figure in _DRAWN.items()
        ]
    return tuple(picture for picture in made if picture is not None)
