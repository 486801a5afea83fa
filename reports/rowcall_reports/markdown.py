"""The report as Markdown: first screen, a chapter a baghouse, cautions, method."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rowcall.day_report import DayReport
from rowcall.model import BaghouseDay
from rowcall_reports import actions, fact_lookup
from rowcall_reports.chapters.cautions import write_cautions
from rowcall_reports.chapters.compressed_air import write_headers
from rowcall_reports.chapters.data_quality import write_health, write_untold
from rowcall_reports.chapters.method import write_method
from rowcall_reports.chapters.one_baghouse import (
    write_dp,
    write_found,
    write_recovery,
    write_temperature,
)
from rowcall_reports.chapters.roll_call import write_roll_call
from rowcall_reports.chapters.summary import write_summary
from rowcall_reports.figures.picture import Picture, by_name, embed
from rowcall_reports.figures.row_panels import drawn_places


def write_markdown(report: DayReport, pictures: Sequence[Picture]) -> str:
    """Return the whole report; the same `report` gives the same text, byte for byte."""
    images = by_name(pictures)
    parts = [write_summary(report)]
    cautions = write_cautions(report)
    if cautions:
        parts += ["## Before anyone works on it", cautions]
    parts += [_chapter(report, day, images) for day in report.baghouses]
    parts += ["## How this was judged", write_method(report)]
    return "\n\n".join(parts) + "\n"


def _chapter(report: DayReport, day: BaghouseDay, images: Mapping[str, Picture]) -> str:
    """Return the chapter of one baghouse; parts without content are left out."""
    house = day.baghouse.id
    roll_call = ""
    if fact_lookup.has_data(day):
        roll_call = write_roll_call(day, report.findings, report.site.plant.zone)
    stacks = embed(images, "stacks", house)
    drawn = drawn_places(report, day) if stacks else frozenset()
    sections = [
        ("Found", [write_found(report, day, drawn), stacks]),
        ("Roll call", [roll_call, embed(images, "rows", house)]),
        ("Header recovery", [write_recovery(day), embed(images, "recovery", house)]),
        ("Compressed air", [write_headers(day)]),
        ("DP", [write_dp(day), embed(images, "dp", house)]),
        ("Temperature", [write_temperature(day), embed(images, "temperature", house)]),
        ("Could not be judged", [write_untold(report, day)]),
        ("Data", [write_health(day)]),
    ]
    parts = [f"## {actions.name_of(report, house)}"]
    for title, content in sections:
        filled = [part for part in content if part]
        if filled:
            parts += [f"### {title}", *filled]
    return "\n\n".join(parts)
