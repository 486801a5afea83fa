"""The report of a range: what differs and why, cases on a time line, trends."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from helpers import report_days
from helpers.report_answers import rules as helper_rules
from helpers.report_facts import DAY, START

from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Fact, Repair, Rule, Subject, Urgency, Verdict, Work, WorkEntry
from rowcall.model.case import Check
from rowcall.site.plant import UnitsTable
from rowcall_reports.range.difference_tables import write_differences
from rowcall_reports.range.differences import Turn, differences
from rowcall_reports.range.range_days import (
    FACTS,
    Basis,
    JudgedDay,
    OtherRun,
    RangeDays,
    Said,
    settings_in_words,
)
from rowcall_reports.range.range_report import range_files
from rowcall_reports.range.trends import trend_table, write_trends

FOUND: Said = (Verdict.FOUND, Urgency.NEXT_OUTAGE)
CLEAR: Said = (Verdict.CLEAR, None)
UNKNOWN: Said = (Verdict.CANNOT_TELL, None)
ROW = Subject("BH1", 1, 7)
SETTINGS = {"row_weak.weak": "0.72", "row_silent.min_pulses": "30", "BH1: pulse_time": "0.1"}


def judged(
    said: Mapping[Subject, Said], rule: str = "row_weak", **basis: Any
) -> dict[date, JudgedDay]:
    """Return a day with verdicts of one rule."""
    known: dict[str, Any] = {"version": "1", "settings": SETTINGS, "files": {"a": "a.csv"}}
    verdicts = {(rule, subject): one for subject, one in said.items()}
    return {DAY: JudgedDay(verdicts, Basis(**{**known, **basis}))}


def rules() -> tuple[Rule, ...]:
    """Return rules of which the weak one reads what the silent one says."""
    return tuple(
        replace(rule, after=("row_silent",) if rule.name == "row_weak" else ())
        for rule in helper_rules()
    )


def ranged(n_days: int = 4, **plant: str) -> RangeDays:
    """Return a range that ends with the day of the report tests."""
    report = report_days.report(**plant)
    limits = {rule.name: {limit.key: 1.0 for limit in rule.thresholds} for rule in report.rules}
    words = settings_in_words(report.site, report.rules, limits)
    made = RangeDays(report.site, report.rules, words, {"rules.row_weak.weak": "0.5"})
    for back in reversed(range(n_days)):
        made.add(replace(report, day=DAY - timedelta(days=back)))
    return made


def files_of(made: RangeDays, others: Mapping[date, JudgedDay] | None = None) -> dict[str, bytes]:
    days = sorted(made.days)
    return range_files(made, (days[0], days[-1]), OtherRun("the nightly record", others or {}))


@pytest.mark.parametrize(
    ("before", "now", "turn"),
    [
        (CLEAR, FOUND, Turn.CAME),
        (FOUND, UNKNOWN, Turn.WENT),
        (FOUND, (Verdict.FOUND, Urgency.NOW), Turn.CHANGED),
        (CLEAR, UNKNOWN, Turn.UNFOUND),
    ],
)
def test_a_difference_says_what_became_of_the_finding(before: Said, now: Said, turn: Turn) -> None:
    (one,) = differences(judged({ROW: now}), judged({ROW: before}), rules())
    assert (one.before, one.now, one.turn) == (before, now, turn)


def test_a_verdict_that_only_one_run_has_differs_and_equal_ones_do_not() -> None:
    other = Subject("BH1", 1, 8)
    here, there = judged({ROW: FOUND, other: CLEAR}), judged({other: CLEAR})
    (one,) = differences(here, there, rules())
    assert (one.subject, one.before, one.turn) == (ROW, None, Turn.CAME)
    assert differences(here, {}, rules()) == []


@pytest.mark.parametrize(
    ("there", "why"),
    [
        ({"settings": SETTINGS | {"row_weak.weak": "0.5"}}, ["row_weak.weak 0.5 became 0.72"]),
        # The rule reads the answers of this one, and everything rests on the baghouse's own.
        (
            {"settings": SETTINGS | {"row_silent.min_pulses": "9", "BH1: pulse_time": "0.2"}},
            ["BH1: pulse_time 0.2 became 0.1", "row_silent.min_pulses 9 became 30"],
        ),
        (
            {"settings": SETTINGS | {"row_closes_late.late": "1 s", "BH2: pulse_time": "1"}},
            ["other verdicts or days before, or the work log, that it rests on"],
        ),
        ({"settings": None}, ["other settings, not known which"]),
        ({"files": {}}, ["data of a.csv came in since"]),
        ({"files": {"a": "a.csv", "b": "b.csv"}}, ["exports that are not in the store any more"]),
        ({"version": "0"}, ["rowcall 0 became 1"]),
        ({"version": None, "files": None, "settings": None}, ["other settings, not known which"]),
    ],
)
def test_a_difference_names_what_it_may_come_from(there: dict[str, Any], why: list[str]) -> None:
    (one,) = differences(judged({ROW: FOUND}), judged({ROW: CLEAR}, **there), rules())
    assert list(one.why) == why


def test_places_and_days_of_the_same_difference_are_one_line() -> None:
    rows = [Subject("BH1", 1, row) for row in (3, 4, 9)]
    later = DAY + timedelta(days=1)
    here = judged(dict.fromkeys(rows, FOUND)) | {
        later: next(iter(judged(dict.fromkeys(rows, FOUND)).values()))
    }
    there = {day: next(iter(judged(dict.fromkeys(rows, CLEAR)).values())) for day in here}
    made = RangeDays(report_days.site(), rules(), SETTINGS, {}, days=here)
    text = "\n".join(write_differences(made, OtherRun("the trial", there)))
    (line,) = [line for line in text.splitlines() if "compartment" in line]
    assert "BH1, compartment 1, rows 3, 4, 9" in line
    assert f"{DAY} to {later}" in line
    assert "found here only: 6" in text


def test_nothing_in_common_and_nothing_different_are_said() -> None:
    made = RangeDays(report_days.site(), rules(), SETTINGS, {}, days=judged({ROW: FOUND}))
    (none,) = write_differences(made, OtherRun("the nightly record", {}))
    assert none == "The nightly record holds none of these days."
    (same,) = write_differences(made, OtherRun("the nightly record", judged({ROW: FOUND})))
    assert same == "Both hold 1 day; no verdict differs."


def facts(lines: Iterable[tuple[int, str, int, Fact, float]]) -> pl.DataFrame:
    """Return facts of days counted from the first of January."""
    first = date(2026, 1, 1)
    return pl.DataFrame(
        [
            (first + timedelta(days=n), house, compartment, 0, fact.column, value)
            for n, house, compartment, fact, value in lines
        ],
        schema=FACTS,
        orient="row",
    )


def test_trends_are_of_the_baghouse_or_over_its_headers() -> None:
    table = trend_table(
        facts(
            [
                (0, "BH1", 0, Fact.RESIDUAL_DP_PA, 900.0),
                (0, "BH1", 0, Fact.N_PULSES, 100.0),
                (0, "BH1", 1, Fact.N_PULSES, 60.0),
                (0, "BH1", 1, Fact.FREE_AIR_DAY_M3, 20.0),
                (0, "BH1", 2, Fact.FREE_AIR_DAY_M3, 30.0),
                (0, "BH1", 1, Fact.RECOVERY_S, 4.0),
                (0, "BH1", 2, Fact.RECOVERY_S, 6.0),
                (1, "BH1", 0, Fact.RESIDUAL_DP_PA, float("nan")),
                (1, "BH1", 0, Fact.N_PULSES, 110.0),
                (1, "BH2", 0, Fact.RESIDUAL_DP_PA, 5.0),
            ]
        ),
        "BH1",
    )
    assert table.to_dicts() == [
        {
            "day": date(2026, 1, 1),
            "residual_dp_pa": 900.0,
            "n_pulses": 100.0,
            "free_air_day_m3": 50.0,
            "recovery_s": 6.0,
        },
        {
            "day": date(2026, 1, 2),
            "residual_dp_pa": None,
            "n_pulses": 110.0,
            "free_air_day_m3": None,
            "recovery_s": None,
        },
    ]
    assert "| 2026-01-02 |                - |          110 |" in write_trends(
        table, UnitsTable().scales
    )


def test_trends_are_in_the_units_of_the_site() -> None:
    table = trend_table(facts([(0, "BH1", 0, Fact.RESIDUAL_DP_PA, 996.0)]), "BH1")
    text = write_trends(table, UnitsTable(dp="[in_i'H2O]").scales)
    assert "Residual DP, in. w.c." in text
    assert text.rstrip().endswith("4.00 |")


def test_a_long_range_goes_by_week() -> None:
    lines = [(n, "BH1", 0, Fact.N_PULSES, float(n)) for n in range(42)]
    text = write_trends(trend_table(facts(lines), "BH1"), UnitsTable().scales)
    body = [[cell.strip() for cell in line.split("|")[1:-1]] for line in text.splitlines()[2:]]
    assert body[1] == ["2026-01-05", "7"]  # a Monday; the median of days 4 to 10
    assert len(body) == 7


def test_the_report_of_a_range_holds_its_parts_and_pictures() -> None:
    made = files_of(ranged())
    stem = f"range-{DAY - timedelta(days=3)}-{DAY}"
    assert set(made) == {f"{stem}.{end}" for end in ("md", "html", "json")} | {
        f"{stem}-{kind}.png" for kind in ("cases", "trends-BH1", "trends-BH2")
    }
    text = made[f"{stem}.md"].decode()
    named = ["What differs from the nightly record", "Cases", "Trends of BH1", "Verdicts by rule"]
    assert all(f"## {title}" in text for title in named)
    assert "rules.row\\_weak.weak = 0.5" in text or "rules.row_weak.weak = 0.5" in text
    assert all(made[name].startswith(b"\x89PNG") for name in made if name.endswith(".png"))
    assert all(f"({name})" in text for name in made if name.endswith(".png"))
    assert files_of(ranged()) == made


def test_two_days_make_no_picture_and_foreign_names_stay_text() -> None:
    made = files_of(ranged(2, name=report_days.ODD_NAME))
    assert {name.rpartition(".")[2] for name in made} == {"md", "html", "json"}
    page = next(text for name, text in made.items() if name.endswith(".html"))
    assert b"<script>" not in page


def test_cases_stand_with_the_days_on_which_they_were_found() -> None:
    made = ranged(3)
    silent = next(case for case in made.cases.values() if case.subject == Subject("BH1", 1, 4))
    entry = WorkEntry(at=START, line=2, day=DAY, work=Work.SOLENOID_RENEWED, subject=silent.subject)
    repaired = replace(silent, repairs=(Repair(entry, Check.VERIFIED, DAY, "mended"),))
    made.cases[silent.id] = repaired
    made.found[silent.id] = [DAY]
    text = next(text for name, text in files_of(made).items() if name.endswith(".md")).decode()
    (line,) = [
        line for line in text.splitlines() if line.startswith("| BH1, compartment 1, row 4 |")
    ]
    assert [cell.strip() for cell in line.split("|")][5:8] == [str(DAY), "1", "open"]
    assert f"solenoid renewed {DAY}: helped" in line


def test_settings_are_in_the_units_of_their_defaults() -> None:
    known = load_rules()
    limits = limits_in_force(known, {"row_closes_late": {"late": "400 ms"}})
    words = settings_in_words(report_days.site(), known, limits)
    assert words["row_closes_late.late"] == "0.4 s"
    assert words["BH1: residual_dp_limit"] == "1600 Pa"
