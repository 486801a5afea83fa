"""What is mailed of a day: subject and counts as on the page, parts of baghouses, quiet days."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import get_args

import pytest
from helpers import report_days
from helpers.report_facts import SILENT

from rowcall.day_report import DayReport
from rowcall.mail.day_mail import DayMail, to_json
from rowcall.model import Event, News, State, Subject, Urgency
from rowcall.site import Mail, Reader
from rowcall.site.plant import Pressing
from rowcall_reports.day_mails import day_mails
from rowcall_reports.figures.picture import Picture

ROW = Subject("BH1", *SILENT)
PICTURES = tuple(Picture(f"rows-{house}.png", b"", "rows", "Rows.") for house in ("BH1", "BH2"))


def mailed(report: DayReport, *houses: str) -> DayMail:
    """Return what the reader of some baghouses, or of all, is mailed."""
    reader = {"to": "a@b.example", "baghouses": houses} if houses else None
    mail = Mail.model_validate(
        {"to": "c@d.example", "from": "e@f.example", "host": "h", "reader": [reader] * bool(houses)}
    )
    site = report.site.model_copy(update={"mail": mail})
    return day_mails(replace(report, site=site), PICTURES)[-1]


def only_silent(*news: News, urgency: Urgency = Urgency.NOW) -> DayReport:
    """Return a day on which the silent row is the only one found."""
    report = report_days.report()
    found = [one for one in report.findings if one.answer.subject == ROW][:1]
    answer = replace(found[0].answer, urgency=urgency)
    found = [replace(found[0], answer=answer)]
    case = next(case for case in report.cases if case.subject == ROW)
    said = tuple(Event(report.day, one, "") for one in news)
    case = replace(case, findings=tuple(found), news=news, history=said, urgency=urgency)
    return replace(report, findings=tuple(found), cases=(case,))


@pytest.mark.parametrize(
    ("news", "urgency", "subject", "pressing"),
    [
        ((News.OPENED,), Urgency.NOW, "NOW: BH1 compartment 1, row 4: ", "now"),
        ((), Urgency.NOW, "NOW: BH1 compartment 1, row 4: ", "now"),
        ((News.WORSE,), Urgency.WATCH, "Watch: BH1 compartment 1, row 4: ", "watch"),
        (
            (),
            Urgency.NEXT_OUTAGE,
            "Nothing new (1 thing to do any day, 1 of these for the next outage, 1 to watch) - ",
            None,
        ),
    ],
)
def test_the_subject_opens_with_the_most_pressing_and_a_day_without_news_is_quiet(
    news: tuple[News, ...], urgency: Urgency, subject: str, pressing: str | None
) -> None:
    mail = mailed(only_silent(*news, urgency=urgency))
    assert mail.subject.startswith(subject)
    assert mail.subject.endswith(" - Ondravel Lime, 24 Nov")
    assert mail.pressing == pressing
    assert all(f"1 {one.value}" in mail.subject for one in news)


def test_subject_and_page_count_alike() -> None:
    mail = mailed(report_days.report())
    counted = mail.subject.partition("(")[2].partition(";")[0].partition(")")[0]
    assert counted[0].isdigit()
    assert f"**{counted}.**" in mail.markdown


def test_a_case_that_another_accounts_for_is_no_news() -> None:
    report = only_silent(News.OPENED, urgency=Urgency.WATCH)
    case = replace(report.cases[0], explained_by=("other",))
    assert mailed(replace(report, cases=(case,))).pressing is None


def test_news_without_a_job_is_in_the_subject() -> None:
    report = only_silent(News.VERIFIED)
    case = replace(report.cases[0], found_today=False, state=State.CLOSED)
    mail = mailed(replace(report, findings=(), cases=(case,)))
    assert "1 mended" in mail.subject
    assert mail.pressing == "now"


def test_a_baghouse_without_data_is_never_quiet() -> None:
    report = only_silent(urgency=Urgency.WATCH)
    first, *others = report.baghouses
    empty = replace(first, health=(), signals={})
    mail = mailed(replace(report, baghouses=(empty, *others)))
    assert mail.subject.startswith("No data from BH1")
    assert mail.pressing == "now"


@pytest.mark.parametrize(("house", "other"), [("BH1", "BH2"), ("BH2", "BH1")])
def test_a_reader_of_one_baghouse_gets_nothing_of_another(house: str, other: str) -> None:
    mail = mailed(report_days.report(), house)
    assert mail.baghouses == (house,)
    assert house in mail.markdown
    assert other not in mail.markdown + mail.subject
    assert set(mail.pictures) <= {f"rows-{house}.png"}


def test_revisions_are_named_and_the_same_day_gives_the_same_bytes() -> None:
    again = replace(report_days.report(), revision=2)
    assert mailed(again).subject.endswith(" (revision 2)")
    one, two = (to_json([mailed(again)]) for _ in range(2))
    assert one == two
    assert json.loads(one)[0]["baghouses"] == []


def test_readers_name_urgencies_as_findings_do() -> None:
    assert get_args(Pressing) == tuple(one.value for one in Urgency)


@pytest.mark.parametrize(
    ("wanted", "pressing", "is_quiet"),
    [
        ("now", "now", False),
        ("now", "watch", True),
        ("next outage", "next outage", False),
        ("next outage", "watch", True),
        ("watch", "watch", False),
        ("watch", None, True),
    ],
)
def test_what_is_quiet_follows_the_urgency_wanted(
    wanted: str, pressing: str | None, is_quiet: bool
) -> None:
    reader = Reader.model_validate({"to": "a@b.example", "from_urgency": wanted})
    assert replace(mailed(only_silent()), pressing=pressing).is_quiet_for(reader) is is_quiet
