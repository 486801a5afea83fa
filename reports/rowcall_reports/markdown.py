"""The report as Markdown: first screen, a chapter a baghouse, cautions, method."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from rowcall.day_report import DayReport
from rowcall.guard import UNGUARDED, Guard
from rowcall.model import Chapter
from rowcall_reports.chapters.cautions import write_cautions
from rowcall_reports.chapters.compressed_air import write_headers
from rowcall_reports.chapters.data_quality import write_health, write_unjudged
from rowcall_reports.chapters.method import write_method
from rowcall_reports.chapters.one_baghouse import (
    write_dp,
    write_found,
    write_recovery,
    write_temperature,
)
from rowcall_reports.chapters.roll_call import write_roll_call
from rowcall_reports.figures.picture import Picture, by_name, embed, picture_name
from rowcall_reports.figures.row_panels import pictured_rows
from rowcall_reports.first_page.summary import write_summary
from rowcall_reports.inlet import near_limit
from rowcall_reports.prepared import PreparedDay, prepare

Write = Callable[[], Sequence[str]]


def write_markdown(report: DayReport, pictures: Sequence[Picture], guard: Guard = UNGUARDED) -> str:
    """Return the whole report; the same `report` gives the same text, byte for byte."""
    prepared, images = prepare(report, guard), by_name(pictures)
    chapters = [_baghouse(baghouse, images, guard) for baghouse in prepared.baghouses]
    closing: dict[str, Write] = {
        "Before anyone works on it": lambda: [write_cautions(prepared)],
        "How this was judged": lambda: [write_method(prepared)],
    }
    before, after = (_titled("##", title, write, "", guard) for title, write in closing.items())
    summary = _guarded("Summary", lambda: [write_summary(prepared, guard.failures)], "", guard)
    return "\n\n".join([*summary, *before, *chapters, *after]) + "\n"


def _guarded(title: str, write: Write, baghouse: str, guard: Guard) -> Sequence[str]:
    """Return what a chapter holds, or why it could not be written."""
    content = guard.run(
        baghouse,
        f"chapter {title}",
        write,
        lambda why: [f"This chapter could not be written: {why}."],
    )
    return [part for part in content if part]


def _titled(mark: str, title: str, write: Write, baghouse: str, guard: Guard) -> Sequence[str]:
    filled = _guarded(title, write, baghouse, guard)
    return [f"{mark} {title}", *filled] if filled else []


def _baghouse(baghouse: PreparedDay, images: Mapping[str, Picture], guard: Guard) -> str:
    """Return the chapters of one baghouse: what was found, then its numbers and pictures.

    Chapters without content are left out; of a day that could not be studied there is only why.
    """
    why = f"Nothing of it could be judged: {baghouse.day.failed}." if baghouse.day.failed else ""
    unjudged: dict[str, Write] = {"Could not be judged": lambda: [write_unjudged(baghouse) or why]}
    sections: dict[str, Write] = {
        **{chapter.value: partial(_chapter, chapter, baghouse, images) for chapter in Chapter},
        **unjudged,
        "Data": lambda: [write_health(baghouse.day)],
    }
    parts = [f"## {baghouse.name}"]
    for title, write in (unjudged if baghouse.day.failed else sections).items():
        parts += _titled("###", title, write, baghouse.day.baghouse.id, guard)
    return "\n\n".join(parts)


def _chapter(
    chapter: Chapter, baghouse: PreparedDay, images: Mapping[str, Picture]
) -> Sequence[str]:
    house = baghouse.day.baghouse.id
    if chapter is Chapter.ROWS:
        stacks = embed(images, "stacks", house)
        pictured = pictured_rows(baghouse) if stacks else ()
        found = write_found(baghouse, chapter, pictured)
        return found, stacks, write_roll_call(baghouse), embed(images, "rows", house)
    found = write_found(baghouse, chapter)
    if chapter is Chapter.AIR:
        recovery = write_recovery(baghouse), embed(images, "recovery", house)
        return found, *recovery, write_headers(baghouse.day, baghouse.facts, baghouse.off)
    if chapter is Chapter.DP:
        return found, write_dp(baghouse), embed(images, "dp", house)
    temperature = embed(images, "temperature", house) or _see_recovery(baghouse, images)
    return found, write_temperature(baghouse), temperature


def _see_recovery(baghouse: PreparedDay, images: Mapping[str, Picture]) -> str:
    """Refer to the temperature over the day where it is drawn beside header recovery."""
    house = baghouse.day.baghouse
    if picture_name("recovery", house.id) not in images or not near_limit(house, baghouse.inlet):
        return ""
    return f'The temperature over the day is in the picture under "{Chapter.AIR.value}".'
