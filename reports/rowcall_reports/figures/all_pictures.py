"""All pictures of a day's report, at most four a baghouse."""

from __future__ import annotations

from rowcall.day_report import DayReport
from rowcall_reports.figures.canvas import house_style
from rowcall_reports.figures.dp import draw_dp
from rowcall_reports.figures.hours import draw_hours
from rowcall_reports.figures.picture import Picture
from rowcall_reports.figures.rows import draw_rows
from rowcall_reports.figures.stacks import draw_stacks
from rowcall_reports.prepared import prepare

_DRAWN = (draw_stacks, draw_rows, draw_hours, draw_dp)


def draw(report: DayReport) -> tuple[Picture, ...]:
    """Return the pictures for which the day holds data, in the order of the report."""
    with house_style():
        made = [figure(baghouse) for baghouse in prepare(report).baghouses for figure in _DRAWN]
    return tuple(picture for picture in made if picture is not None)
