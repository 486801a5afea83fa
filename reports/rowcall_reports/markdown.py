"""A day's pages as Markdown: the page of the day, one a baghouse, how it was judged."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial

from rowcall.day_report import DayReport
from rowcall.guard import UNGUARDED, Guard
from rowcall.model import Chapter
from rowcall_reports import wording
from rowcall_reports.chapters.case_history import write_cases
from rowcall_reports.chapters.cautions import write_cautions
from rowcall_reports.chapters.compressed_air import write_headers
from rowcall_reports.chapters.data_quality import write_health, write_unjudged
from rowcall_reports.chapters.dust import write_dust
from rowcall_reports.chapters.found import write_found
from rowcall_reports.chapters.glossary import write_glossary
from rowcall_reports.chapters.method import HOW_TO_READ, write_method
from rowcall_reports.chapters.one_baghouse import write_dp, write_recovery, write_temperature
from rowcall_reports.chapters.roll_call import write_roll_call
from rowcall_reports.chapters.sensor_table import write_sensors
from rowcall_reports.chapters.settings_found import write_settings_found
from rowcall_reports.figures.picture import Picture, by_name, embed, picture_name
from rowcall_reports.figures.row_panels import pictured_rows
from rowcall_reports.first_page.jobs import SINKING, counts, sinking_rows, write_jobs
from rowcall_reports.first_page.news import write_news
from rowcall_reports.first_page.not_judged import write_not_judged
from rowcall_reports.first_page.summary import write_summary
from rowcall_reports.first_page.sums import write_sums, write_usage
from rowcall_reports.inlet import near_limit
from rowcall_reports.page_links import METHOD_PAGE, baghouse_page, day_page, link, nav
from rowcall_reports.prepared import PreparedDay, PreparedReport, prepare
from rowcall_reports.row_marks import Place

Write = Callable[[], Sequence[str]]
Images = Mapping[str, Picture]


def write_pages(
    report: DayReport, pictures: Sequence[Picture], guard: Guard = UNGUARDED
) -> dict[str, str]:
    """Return the pages by name, that of the day first.

    The same `report` gives the same text, byte for byte.
    """
    prepared, images = prepare(report, guard), by_name(pictures)
    details = {
        baghouse_page(one.day.baghouse.id): _baghouse(one, images, guard)
        for one in prepared.baghouses
    }
    details[METHOD_PAGE] = _method(prepared, guard)
    # Written last: it names what failed on the others.
    return {day_page(report.day): write_day_page(prepared, images, guard), **details}


def _guarded(title: str, write: Write, guard: Guard, baghouse: str = "") -> Sequence[str]:
    """Return what a chapter holds, or why it could not be written."""
    content = guard.run(
        baghouse,
        f"chapter {title}",
        write,
        lambda why: [f"This chapter could not be written: {why}."],
    )
    return [part for part in content if part]


def _chapters(chapters: Mapping[str, Write], guard: Guard, baghouse: str = "") -> list[str]:
    """Return chapters with their headings; those without content are left out."""
    parts: list[str] = []
    for title, write in chapters.items():
        filled = _guarded(title, write, guard, baghouse)
        parts += [f"## {title}", *filled] if filled else []
    return parts


def _page(parts: Sequence[str]) -> str:
    return "\n\n".join(parts) + "\n"


def write_day_page(prepared: PreparedReport, images: Images, guard: Guard) -> str:
    """Return the page of the day."""
    report, houses = prepared.report, prepared.baghouses
    plant, day = wording.escape(report.site.plant.name), wording.long_day(report.day)
    news = "\n".join(_guarded("News", lambda: [write_news(prepared)], guard))
    sums = "\n".join(f"- {part}" for one in houses for part in _sums(one, guard))
    # One list: two lists in a row would be one whose lines stand apart.
    head = [f"{news}\n{sums}"] if news.startswith("- ") else [news, sums]
    rest = [
        *_guarded("Amount", lambda: [f"**{counts(prepared)}.**"], guard),
        *head,
        *_guarded("What to do", lambda: write_jobs(prepared), guard),
        *(_rows_picture(one, images) for one in houses if one.jobs),
        *_chapters({"Not judged": lambda: [write_not_judged(prepared)]}, guard),
        _other_pages(prepared),
    ]
    first = _guarded("Summary", lambda: [write_summary(prepared, guard.failures)], guard)
    title = f"# {plant}: baghouse check-up, {day}"
    return _page([title, *first, *(part for part in rest if part)])


def _sums(baghouse: PreparedDay, guard: Guard) -> Sequence[str]:
    house = baghouse.day.baghouse.id
    return _guarded("Sums", lambda: [write_sums(baghouse)], guard, house)


def _rows_picture(baghouse: PreparedDay, images: Images) -> str:
    house = baghouse.day.baghouse.id
    picture = images.get(picture_name("rows", house))
    if picture is None:
        return ""
    more = link("its page", baghouse_page(house), Chapter.ROWS.value)
    return f"![{wording.escape(picture.alt)}]({picture.name})\n\n*{baghouse.name}; more on {more}.*"


def _other_pages(prepared: PreparedReport) -> str:
    """Return links to the other pages of the day."""
    pages = [link(one.name, baghouse_page(one.day.baghouse.id)) for one in prepared.baghouses]
    return nav([*pages, link("How this was judged", METHOD_PAGE)])


def _method(prepared: PreparedReport, guard: Guard) -> str:
    day = prepared.report.day
    chapters: dict[str, Write] = {
        "How to read the pages": lambda: [HOW_TO_READ],
        "Checks, limits and inputs": lambda: [write_method(prepared)],
        "Words": lambda: [write_glossary()],
    }
    title = f"# How {wording.long_day(day)} was judged"
    back = link("Page of the day", day_page(day))
    return _page([title, back, *_chapters(chapters, guard)])


def _baghouse(baghouse: PreparedDay, images: Images, guard: Guard) -> str:
    """Return the page of one baghouse; of a day that could not be studied there is only why."""
    day = baghouse.day
    why = f"Nothing of it could be judged: {day.failed}." if day.failed else ""
    unjudged: dict[str, Write] = {"Could not be judged": lambda: [write_unjudged(baghouse) or why]}
    chapters: dict[str, Write] = {
        "Before anyone works on it": lambda: [write_cautions(baghouse.jobs)],
        "Found": lambda: [write_found(baghouse, _pictured(baghouse, images))],
        SINKING: lambda: [_sinking(baghouse)],
        **{chapter.value: partial(_chapter, chapter, baghouse, images) for chapter in Chapter},
        "Data": lambda: [write_health(day)],
        **unjudged,
        "Cases": lambda: [write_cases(baghouse)],
        "Words": lambda: [write_glossary()],
    }
    house = day.baghouse.id
    others = link("Page of the day", day_page(day.day)), link("How this was judged", METHOD_PAGE)
    return _page(
        [
            f"# {baghouse.name}, {wording.long_day(day.day)}",
            nav(others),
            *_sums(baghouse, guard),
            *filter(None, [embed(images, "month", house)]),
            *_chapters(unjudged if day.failed else chapters, guard, house),
        ]
    )


def _pictured(baghouse: PreparedDay, images: Images) -> Collection[Place]:
    stacks = picture_name("stacks", baghouse.day.baghouse.id) in images
    return pictured_rows(baghouse) if stacks else ()


def _sinking(baghouse: PreparedDay) -> str:
    rows = sinking_rows(baghouse)
    return "\n".join(
        f"- {wording.places([(row.compartment, row.row)])}: {text}".replace("- c", "- C", 1)
        for row, text in rows
    )


def _chapter(chapter: Chapter, baghouse: PreparedDay, images: Images) -> Sequence[str]:
    house, parts = baghouse.day.baghouse.id, tuple[str, ...]()
    match chapter:
        case Chapter.ROWS:
            stacks, rows = embed(images, "stacks", house), embed(images, "rows", house)
            parts = write_roll_call(baghouse), rows, stacks
        case Chapter.AIR:
            recovery = write_recovery(baghouse), embed(images, "recovery", house)
            headers = write_headers(baghouse.day, baghouse.facts, baghouse.off)
            parts = *recovery, headers, write_usage(baghouse)
        case Chapter.CLEANING:
            parts = (write_settings_found(baghouse),)
        case Chapter.DP:
            parts = write_dp(baghouse), embed(images, "dp", house)
        case Chapter.TEMPERATURE:
            drawn = embed(images, "temperature", house) or _see_recovery(baghouse, images)
            parts = write_temperature(baghouse), drawn, embed(images, "starts", house)
        case Chapter.DUST:
            parts = write_dust(baghouse), embed(images, "puffs", house)
        case Chapter.SENSORS:
            parts = (write_sensors(baghouse),)
    return parts


def _see_recovery(baghouse: PreparedDay, images: Images) -> str:
    """Refer to the temperature over the day where it is drawn beside header recovery."""
    house = baghouse.day.baghouse
    if picture_name("recovery", house.id) not in images or not near_limit(house, baghouse.inlet):
        return ""
    return f'The temperature over the day is in the picture under "{Chapter.AIR.value}".'
