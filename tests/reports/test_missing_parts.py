"""A picture or chapter that fails is named in the report, and all others are there."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from helpers import report_days
from helpers.day_pages import all_pages, page_of
from helpers.report_facts import DAY

from rowcall.guard import Failure, Guard
from rowcall.model import BaghouseDay, Chapter
from rowcall_reports import markdown, row_marks
from rowcall_reports.figures import all_pictures
from rowcall_reports.figures.picture import Picture
from rowcall_reports.markdown import write_pages
from rowcall_reports.prepared import PreparedDay


def fail(*_: Any) -> Any:
    raise ZeroDivisionError("of the test")


def dp(baghouse: PreparedDay) -> Picture:
    return Picture(f"dp-{baghouse.day.baghouse.id}.png", b"", alt="DP", caption="DP")


def test_a_picture_that_fails_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(all_pictures, "_DRAWN", {"stacks": fail, "dp": dp})
    report, guard = report_days.report(), Guard(DAY, isolates=True)
    pictures = all_pictures.draw(report, guard)
    assert [picture.name for picture in pictures] == ["dp-BH1.png", "dp-BH2.png"]
    text = all_pages(report, pictures, guard)
    for failure, house in zip(guard.failures, ("BH1", "BH2"), strict=True):
        said = f"- {house}, picture stacks: could not be drawn: {failure.why}."
        assert said in text.split("Before anything")[0]
    assert text.count("dp-BH1.png") == 1


def test_a_chapter_that_fails_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    report = report_days.report()
    whole = all_pages(report, ())
    monkeypatch.setattr(markdown, "write_dp", fail)
    guard = Guard(DAY, isolates=True)
    text = all_pages(report, (), guard)
    assert {failure.part for failure in guard.failures} == {"chapter DP"}
    assert f"## DP\n\nThis chapter could not be written: {guard.failures[0].why}." in text
    assert f"BH1, chapter DP: could not be written: {guard.failures[0].why}." in text
    assert text.count("## ") == whole.count("## ")
    for chapter in (Chapter.ROWS, Chapter.AIR, Chapter.TEMPERATURE):
        assert text.count(f"## {chapter.value}\n") == whole.count(f"## {chapter.value}\n")


def test_a_baghouse_that_cannot_be_prepared_leaves_the_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    report = report_days.report()
    of_mill = page_of(report, "BH2")

    def marks(day: BaghouseDay, *rest: Any) -> Any:
        return fail() if day.signals and day.baghouse.id == "BH1" else actual(day, *rest)

    actual = row_marks.marks_today
    monkeypatch.setattr(row_marks, "marks_today", marks)
    monkeypatch.setattr(all_pictures, "_DRAWN", {"dp": dp})
    guard = Guard(DAY, isolates=True)
    pictures = all_pictures.draw(report, guard)
    assert [picture.name for picture in pictures] == ["dp-BH2.png"]
    pages = write_pages(report, (), guard)
    (failure,) = guard.failures
    first, kiln = pages["rowcall-2026-11-24"], pages["baghouse-BH1"]
    assert f"- BH1, report: could not be prepared: {failure.why}." in first
    assert failure.why in kiln
    assert pages["baghouse-BH2"] == of_mill


@pytest.mark.parametrize(
    "name", ["write_summary", "write_news", "write_jobs", "write_not_judged", "write_method"]
)
def test_what_is_of_the_whole_plant_costs_itself(
    monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    report = report_days.report()
    whole = all_pages(report, ())
    monkeypatch.setattr(markdown, name, fail)
    guard = Guard(DAY, isolates=True)
    text = all_pages(report, (), guard)
    (failure,) = guard.failures
    assert f"This chapter could not be written: {failure.why}." in text
    of_houses, of_whole = (one.split("\n# BH1")[1].count("\n### ") for one in (text, whole))
    assert of_houses == of_whole > 0


def test_a_day_that_could_not_be_studied_has_no_chapters(monkeypatch: pytest.MonkeyPatch) -> None:
    report = report_days.report()
    kiln, mill = report.baghouses
    failure = Failure(report.day, "BH1", "study", "12345678")
    span = (kiln.start, kiln.end)
    unstudied = BaghouseDay.unstudied(kiln.baghouse, kiln.day, span, kiln.history, failure.why)
    guard = Guard(report.day, isolates=True, failures=[failure])
    pages = write_pages(replace(report, baghouses=(unstudied, mill)), (), guard)
    assert "## Could not be judged" in pages["baghouse-BH1"]
    assert pages["baghouse-BH1"].count("## ") == 1
    first = pages["rowcall-2026-11-24"]
    assert "no data" not in first
    assert "- **BH1 Kiln baghouse:** could not be judged.\n" in first
    monkeypatch.setattr(all_pictures, "_DRAWN", {"dp": dp})
    assert [one.name for one in all_pictures.draw(replace(report, baghouses=(unstudied,)))] == []
