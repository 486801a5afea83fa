"""The first screen follows cases: what is new of them, what is a job, what could not be seen."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from helpers import report_days
from helpers.day_pages import all_pages, first_page, page_of
from helpers.report_facts import DAY, SILENT, START

from rowcall.day_report import DayReport
from rowcall.model import (
    Case,
    Check,
    Event,
    Explained,
    News,
    RankedCause,
    Repair,
    State,
    Subject,
    Work,
    WorkEntry,
    WorkLog,
)

ROW = Subject("BH1", *SILENT)
ENTRY = WorkEntry(
    at=START,
    line=2,
    day=DAY - timedelta(days=2),
    work=Work.SOLENOID_RENEWED,
    subject=ROW,
)


def silent_case(report: DayReport) -> Case:
    return next(case for case in report.cases if case.subject == ROW)


def only(**changes: object) -> DayReport:
    """Return the day with other things said of the silent row's case, the only one."""
    report = report_days.report()
    case = replace(silent_case(report), **changes)  # type: ignore[arg-type]
    found = [one for one in report.findings if one.answer.subject == ROW]
    return replace(report, findings=tuple(found), cases=(case,))


def page(**changes: object) -> str:
    """Return the page of that day."""
    return first_page(only(**changes))


@pytest.mark.parametrize(
    ("news", "words"),
    [
        (News.OPENED, "New"),
        (News.WORSE, "Worse"),
        (News.BETTER, "Better"),
        (News.BACK, "Back again"),
        (News.CONTRADICTED, "Not mended"),
        (News.CHATTERS, "Comes and goes"),
    ],
)
def test_what_became_of_a_case_stands_first(news: News, words: str) -> None:
    text = page(news=(news,), history=(Event(DAY, news, "answers 3 % of its pulses"),))
    assert f"- **{words}:** BH1, compartment 1, row 4 (answers 3 % of its pulses)." in text
    assert text.index(words) < text.index("**Before anything is opened:**")


def test_a_day_on_which_nothing_changed_says_so() -> None:
    assert "Nothing new." in page(news=())


def test_a_mended_case_is_told_and_is_no_job() -> None:
    text = page(
        state=State.CLOSED,
        closed=DAY,
        found_today=False,
        news=(News.VERIFIED,),
        history=(Event(DAY, News.VERIFIED, "solenoid renewed; since then: drop 100 %"),),
    )
    assert (
        "- **Mended:** BH1, compartment 1, row 4 (solenoid renewed; since then: drop 100 %)" in text
    )
    assert "Still open" not in text


def test_a_job_says_its_number_since_when_what_is_likely_and_what_was_done() -> None:
    causes = (
        RankedCause("no_current", "solenoid dead", 0.8, (), ()),
        RankedCause("stuck_shut", "pilot line blocked", 0.2, (), ()),
    )
    done = Repair(
        ENTRY, Check.CONTRADICTED, DAY, "solenoid renewed on 2026-11-22, but still: silent"
    )
    day = only(number="answers 0 % of its pulses", causes=causes, repairs=(done,))
    assert "Answers 0 % of its pulses. Since 16 Nov. Pulse row 4 manually" in first_page(day)
    text = page_of(day, "BH1")
    assert "**Now.** Answers 0 % of its pulses. Since 16 Nov (day 9)." in text
    assert "\n- Likely: solenoid dead.\n" in text  # no percentage where no trial stands behind it
    assert "\n- Solenoid renewed on 2026-11-22, but still: silent." in text
    measured = tuple(replace(cause, is_measured=True) for cause in causes)
    assert "Likely: solenoid dead (80 %)." in page_of(only(causes=measured), "BH1")


def test_a_repair_that_no_day_has_judged_yet_is_said() -> None:
    text = page_of(only(repairs=(Repair(ENTRY, Check.WAITING),)), "BH1")
    assert "Solenoid renewed on 2026-11-22; whether it helped is not yet seen." in text


def test_what_another_case_accounts_for_is_no_job_of_its_own() -> None:
    report = report_days.report()
    behind = silent_case(report)
    rise = next(case for case in report.cases if case.findings[0].rule == "rising_residual_dp")
    text = "rows not cleaned account for all of it"
    explains = (Explained(rise.findings[0], 1.0, text),)
    cases = (replace(behind, explains=explains), replace(rise, explained_by=(behind.id,)))
    day = replace(report, cases=cases)
    assert "residual DP rises" not in first_page(day)
    assert "\n- Rows not cleaned account for all of it." in page_of(day, "BH1")
    assert f"\n- Accounted for by: {behind.id}\n" in page_of(day, "BH1")


def test_an_open_case_that_could_not_be_judged_is_not_forgotten() -> None:
    report = report_days.report()
    last = DAY - timedelta(days=3)
    case = replace(silent_case(report), found_today=False, last_found=last, unknown_days=3)
    text = first_page(replace(report, findings=(), cases=(case,)))
    part = text.split("## Still open, but not to be seen on this day")[1]
    assert "**Nothing was judged; 1 thing found earlier is still open.**" in text
    assert "compartment 1, row 4: row does not answer.** Last found on 21 Nov" in part


def test_a_row_that_is_off_on_purpose_is_shown_so_and_no_row_of_few_pulses() -> None:
    report = report_days.report()
    row = Subject("BH1", 1, 2)
    entry = replace(ENTRY, work=Work.OFF, subject=row)
    whole = all_pages(replace(report, work=WorkLog((entry,))), ())
    line = next(one for one in whole.splitlines() if one.startswith("| Comp. 1"))
    assert [cell.strip() for cell in line.split("|")][3] == "off"
    assert "`off`: off on purpose, by the work log" in whole
