"""What would make it judgeable: reasons of real rules, what they lack, what a change buys."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from helpers.report_days import site

from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Answer, Finding, Subject
from rowcall_reports.judgeable import judgeable

DAY = date(2026, 3, 15)
RULES = load_rules()
LATE = "its 94 pulses are too few, or too poorly observable, to time its closing"


def unjudged(rule: str, why: str, *places: tuple[int, int], days: int = 30) -> list[Finding]:
    return [
        Finding(DAY - timedelta(days=n), rule, Answer.cannot_tell(Subject("BH1", *place), why))
        for n in range(days)
        for place in places or ((0, 0),)
    ]


def test_a_change_says_how_many_rows_and_row_days_it_buys() -> None:
    rows = [(1, row) for row in range(1, 12)] + [(2, row) for row in range(1, 12)]
    (advice,) = judgeable(
        unjudged("row_closes_late", LATE, *rows), site(), RULES, {("BH1", 0): 5.0}
    )
    assert advice.do == "Record header pressure once a second, every value, without thinning."
    assert advice.row_days == 660
    assert "22 rows, 660 row-days" in advice.buys
    title = next(rule.title for rule in RULES if rule.name == "row_closes_late")
    assert f"at 5 s and at 1 s: {title} 10 and 20" in advice.buys


def test_what_is_recorded_once_a_second_is_not_asked_for_again() -> None:
    found = unjudged("row_closes_late", LATE, (1, 1), (2, 1))
    (advice,) = judgeable(found, site(), RULES, {("BH1", 1): 1.0, ("BH1", 2): 5.0})
    assert advice.row_days == 30


def test_trials_are_quoted_only_where_the_change_finds_more() -> None:
    why = "not certain enough: its 200 pulses, stacked, show 12 % of its peers' drop"
    (advice,) = judgeable(unjudged("row_silent", why, (1, 1)), site(), RULES, {("BH1", 0): 5.0})
    assert "trials" not in advice.buys


def test_an_answer_on_the_whole_baghouse_counts_its_rows() -> None:
    why = "the site file names no tag for header pressure, which this rule needs to see drops"
    (advice,) = judgeable(unjudged("row_silent", why, days=1), site(), RULES)
    assert advice.do == "Export a tag of header pressure and name it in the site file."
    assert advice.row_days == 24


def test_the_change_that_buys_most_comes_first() -> None:
    found = [
        *unjudged("pulse_pressure", "the site file does not state the media of the bags", (1, 0)),
        *unjudged("row_silent", "nothing shows which row was pulsed", (1, 1), (1, 2)),
    ]
    assert [one.row_days for one in judgeable(found, site(), RULES)] == [60, 30]


def test_a_verdict_is_nothing_to_be_bought() -> None:
    clear = Finding(DAY, "row_silent", Answer.clear(Subject("BH1", 1, 1), LATE))
    assert judgeable([clear], site(), RULES) == ()


@pytest.mark.parametrize(
    ("why", "begins"),
    [
        ("DP is sampled every 120 s only, 60 s or less are needed, which this rule needs to see",
         "Export DP at least every 60 s."),
        ("DP covers 40 % of the day, 90 % are needed, which this rule needs to see",
         "Close the gaps in the export of DP."),
        ("no usable DP on this day: LK.PDT_01 (and 2 more like it): flat, which this rule needs",
         "Repair LK.PDT_01 (DP)"),
        ("its bits are scanned or incomplete, and a bit that was missed is no row skipped",
         "Record the solenoid bits by change"),
        ("the samples are in step with the pulses and meet each at the same moment, so its 240 "
         "pulses could not be judged", "Record header pressure once a second: now"),
        ("only 12 days are known so far, 30 are needed, which this rule needs to see a trend",
         "Export older days"),
        ("only 12 of its pulses could be judged", "Record header pressure once a second, every"),
        ("the site file names no media and no temperature limits", "State the media"),
    ],
)  # fmt: skip
def test_what_lacks_is_read_from_the_reason(why: str, begins: str) -> None:
    (advice,) = judgeable(unjudged("row_silent", why, (1, 1)), site(), RULES)
    assert advice.do.startswith(begins)


@pytest.mark.parametrize(
    "why",
    [
        "the controller sent this row no pulses on this day; the valve may be fine",
        "6 of 12 rows are silent alike, so it may not be its valve",
        "no row of this compartment answers",
    ],
)
def test_what_no_record_mends_is_left_out(why: str) -> None:
    assert judgeable(unjudged("row_silent", why, (1, 1)), site(), RULES) == ()
