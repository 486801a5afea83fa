"""What would make it judgeable: what rules lack, and what a change buys."""

from __future__ import annotations

import ast
from datetime import date, timedelta
from pathlib import Path

import pytest
from helpers.report_days import report, site

import rowcall.diagnosis
import rowcall_rules
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Answer, Finding, Lack, Subject
from rowcall_reports.judgeable import CHANGES, judgeable, pressure_steps

DAY = date(2026, 3, 15)
RULES = load_rules()


def unjudged(
    rule: str, lack: Lack, *places: tuple[int, int], days: int = 30, of: str = ""
) -> list[Finding]:
    return [
        Finding(
            DAY - timedelta(days=n),
            rule,
            Answer.cannot_tell(Subject("BH1", *place), "no", lack, of),
        )
        for n in range(days)
        for place in places or ((0, 0),)
    ]


def test_a_change_says_how_many_rows_and_row_days_it_buys() -> None:
    rows = [(1, row) for row in range(1, 12)] + [(2, row) for row in range(1, 12)]
    (advice,) = judgeable(
        unjudged("row_closes_late", Lack.FINE_PRESSURE, *rows), site(), RULES, {("BH1", 0): 5.0}
    )
    assert advice.do == "Record header pressure once a second, every value, without thinning."
    assert advice.row_days == 660
    assert "22 rows, 660 row-days" in advice.buys
    title = next(rule.title for rule in RULES if rule.name == "row_closes_late")
    assert f"at 5 s and at 1 s: {title} 10 and 20" in advice.buys


def test_what_is_recorded_once_a_second_is_not_asked_for_again() -> None:
    found = unjudged("row_closes_late", Lack.FINE_PRESSURE, (1, 1), (2, 1))
    (advice,) = judgeable(found, site(), RULES, {("BH1", 1): 1.0, ("BH1", 2): 5.0})
    assert advice.row_days == 30


def test_trials_are_quoted_only_where_the_change_finds_more() -> None:
    found = unjudged("row_silent", Lack.FINE_PRESSURE, (1, 1))
    (advice,) = judgeable(found, site(), RULES, {("BH1", 0): 5.0})
    assert "trials" not in advice.buys


def test_a_days_report_counts_its_own_answers() -> None:
    day = report()
    (advice,) = judgeable(day.findings, day.site, day.rules, {("BH1", 0): 5.0})
    assert advice.do == CHANGES[Lack.FINE_PRESSURE]
    assert "rows)" in advice.buys
    assert "row-day" not in advice.buys
    known = pressure_steps(day.baghouses)
    assert known == {("BH1", 1): 1.0, ("BH1", 2): 1.0}
    assert judgeable(day.findings, day.site, day.rules, known) == ()


def test_an_answer_on_the_whole_baghouse_counts_its_rows() -> None:
    found = unjudged("row_silent", Lack.TAG, days=1, of="header pressure")
    (advice,) = judgeable(found, site(), RULES)
    assert advice.do == "Export a tag of header pressure and name it in the site file."
    assert advice.row_days == 24
    title = next(rule.title for rule in RULES if rule.name == "row_silent")
    assert advice.buys == f"Becomes judgeable: {title} (24 rows)."


def test_the_change_that_buys_most_comes_first() -> None:
    found = [
        *unjudged("pulse_pressure", Lack.MEDIA, (1, 0)),
        *unjudged("row_silent", Lack.ROW_SIGNAL, (1, 1), (1, 2)),
    ]
    assert [one.row_days for one in judgeable(found, site(), RULES)] == [60, 30]


def test_a_verdict_is_nothing_to_be_bought() -> None:
    clear = Finding(DAY, "row_silent", Answer.clear(Subject("BH1", 1, 1), "Closes in time."))
    assert judgeable([clear], site(), RULES) == ()


@pytest.mark.parametrize(
    ("lack", "of", "begins"),
    [
        (Lack.STEP, "DP at least every 60 s", "Export DP at least every 60 s."),
        (Lack.COVERAGE, "DP", "Close the gaps in the export of DP."),
        (Lack.USABLE_TAG, "LK.PDT_01 (DP)", "Repair LK.PDT_01 (DP)"),
        (Lack.ROW_SIGNAL, "", "Record the solenoid bits by change"),
        (Lack.PHASES, "", "Record header pressure once a second: now"),
        (Lack.HISTORY, "", "Export older days"),
        (Lack.FINE_PRESSURE, "", "Record header pressure once a second, every"),
        (Lack.MEDIA, "", "State the media"),
    ],
)
def test_what_lacks_says_what_to_change(lack: Lack, of: str, begins: str) -> None:
    (advice,) = judgeable(unjudged("row_silent", lack, (1, 1), of=of), site(), RULES)
    assert advice.do.startswith(begins)


def test_what_no_record_mends_is_left_out() -> None:
    assert judgeable(unjudged("row_silent", Lack.NOTHING, (1, 1)), site(), RULES) == ()


def named_in(folder: Path) -> set[Lack]:
    """Return what the code of a folder says that rules lack."""
    return {
        Lack[node.attr]
        for path in folder.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "Lack"
    }


def test_every_lack_has_its_change_and_a_rule_that_says_it() -> None:
    folders = [Path(str(*module.__path__)) for module in (rowcall_rules, rowcall.diagnosis)]
    assert set[Lack]().union(*map(named_in, folders)) == set(Lack) == set(CHANGES)
    assert [lack for lack, change in CHANGES.items() if not change] == [
        Lack.NOTHING,
        Lack.OTHER_TAG,
    ]


def test_every_change_of_something_says_of_what() -> None:
    """An empty name would leave a hole in the sentence."""
    of_something = {lack for lack, change in CHANGES.items() if "{}" in change}
    for module in (rowcall_rules, rowcall.diagnosis):
        for path in Path(str(*module.__path__)).rglob("*.py"):
            for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(call, ast.Call):
                    said = [getattr(one, "attr", "") for one in call.args]
                    lacks = [n for n, one in enumerate(said) if one in Lack.__members__]
                    assert all(
                        (n + 1 < len(said)) is (Lack[said[n]] in of_something) for n in lacks
                    ), f"{path.name}, line {call.lineno}"
