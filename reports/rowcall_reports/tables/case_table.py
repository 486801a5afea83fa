"""The cases as of the end of a day as a table for other systems."""

from __future__ import annotations

import polars as pl

from rowcall.day_report import DayReport
from rowcall.model import Case, Check, News, State, Urgency, Work
from rowcall_reports.tables.findings import cells_of
from rowcall_reports.tables.table_columns import PLACE, Column, Kind, Table

_NEWS = tuple(News)
CASES = Table(
    "cases",
    "how one case stands at the end of a day",
    (
        Column("id", Kind.TEXT, "place, family and first day; the same on all its days"),
        Column("date", Kind.DAY, "plant-local day at whose end it stands so"),
        *PLACE,
        Column("family", Kind.TEXT, "kind of trouble, as listed by `rowcall rules`"),
        Column("title", Kind.TEXT, "that in words"),
        Column("state", Kind.TEXT, "quiet: clear for some days", allowed=tuple(State)),
        Column("urgency", Kind.TEXT, "when to act", null="not stated", allowed=tuple(Urgency)),
        Column("opened", Kind.DAY, "first day on which it was found"),
        Column("last_found", Kind.DAY, "last day on which it was found"),
        Column("closed", Kind.DAY, "day on which it was closed", null="it is not closed"),
        Column("clear_days", Kind.WHOLE, "days that it has been clear since"),
        Column("unknown_days", Kind.WHOLE, "days up to this one that could not be judged"),
        Column("is_job", Kind.YES_NO, "something is to be done about it by itself"),
        Column("number", Kind.TEXT, "what its findings measured; may be empty"),
        Column("findings", Kind.TEXT, "ids of those of its last day", many=True),
        Column("news", Kind.TEXT, "what became of it on the day", many=True, allowed=_NEWS),
        Column(
            "causes",
            (
                Column("name", Kind.TEXT, "as listed by `rowcall rules`"),
                Column("title", Kind.TEXT, "in words"),
                Column("probability", Kind.NUMBER, "to 4 decimals; all of a case add up to 1"),
                Column("is_measured", Kind.YES_NO, "trials stand behind it"),
            ),
            "what may be behind it, the most probable first",
            flat="{title}={probability}",
        ),
        Column("explained_by", Kind.TEXT, "ids of cases that account for all of it", many=True),
        Column(
            "explains",
            (
                Column("finding", Kind.TEXT, "its id"),
                Column("share", Kind.NUMBER, "how much of it, 0 to 1"),
                Column("text", Kind.TEXT, "in words"),
            ),
            "findings elsewhere that it accounts for",
            flat="{finding}={share}",
        ),
        Column(
            "repairs",
            (
                Column("day", Kind.DAY, "on which it was done"),
                Column("work", Kind.TEXT, "as the work log has it", allowed=tuple(Work)),
                Column("check", Kind.TEXT, "what the data say of it", allowed=tuple(Check)),
                Column("text", Kind.TEXT, "that with numbers; may be empty"),
            ),
            "what was done about it, oldest first",
            flat="{day}, {work}: {check}",
        ),
        Column(
            "history",
            (
                Column("day", Kind.DAY, "on which it came to be so"),
                Column("news", Kind.TEXT, "what became of it", allowed=_NEWS),
                Column("text", Kind.TEXT, "in words; may be empty"),
            ),
            "all that became of it, oldest first",
            flat="{day}: {news}",
        ),
    ),
    ("baghouse", "compartment", "row", "place", "id"),
)


def cases_frame(report: DayReport) -> pl.DataFrame:
    """Return every case as of the end of the day, one a line, sorted by place."""
    return CASES.frame(_row(report, case) for case in report.cases)


def _row(report: DayReport, case: Case) -> tuple[object, ...]:
    return (
        case.id,
        report.day,
        *cells_of(case.subject),
        case.family,
        case.title,
        case.state.value,
        case.urgency.value if case.urgency else None,
        case.opened,
        case.last_found,
        case.closed,
        case.clear_days,
        case.unknown_days,
        case.is_job,
        case.number,
        [found.id for found in case.findings],
        [news.value for news in case.news],
        *_lists(case),
    )


def _lists(case: Case) -> tuple[list[object], ...]:
    """Return the cells from `causes` on."""
    return (
        [
            {
                "name": one.name,
                "title": one.title,
                "probability": round(one.probability, 4),
                "is_measured": one.is_measured,
            }
            for one in case.causes
        ],
        list(case.explained_by),
        [
            {"finding": one.finding.id, "share": one.share, "text": one.text}
            for one in case.explains
        ],
        [
            {
                "day": one.entry.day,
                "work": one.entry.work.value,
                "check": one.check.value,
                "text": one.text,
            }
            for one in case.repairs
        ],
        [{"day": one.day, "news": one.news.value, "text": one.text} for one in case.history],
    )
