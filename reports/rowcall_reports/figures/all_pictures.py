"""All pictures of a day's report, at most four a baghouse."""

from __future__ import annotations

from rowcall.day_report import DayReport
from rowcall_reports.figures.canvas import house_style
from rowcall_reports.figures.dp import draw_dp
from rowcall_reports.figures.hours import draw_hours
from rowcall_reports.figures.picture import Picture
from rowcall_reports.figures.rows import draw_rows
from rowcall_reports.figures.stacks import draw_stacks

__all__ = ["Picture", "draw"]


def draw(report: DayReport) -> tuple[Picture, ...]:
    """Return the pictures for which the day holds data, in the order of the report."""
    zone = report.site.plant.zone
    made: list[Picture | None] = []
    with house_style():
        for day in report.baghouses:
            made += [
                draw_stacks(report, day),
                draw_rows(day, report.findings),
                draw_hours(day, zone),
                draw_dp(day, zone),
            ]
    return tuple(picture for picture in made if picture is not None)
