"""What the work log says was off on purpose is no finding, and upsets none of its peers'."""

from __future__ import annotations

from datetime import timedelta

import pytest
from helpers.scene_answers import ask, found
from helpers.scenes import FIRST, exports, kiln, local, on_time, study
from helpers.work_logs import log, only

from rowcall.model import Answer, BaghouseDay, Subject, Verdict, Work
from rowcall_plant import Fault, RowNotCalled, RowSilent

OFF = only(Work.OFF, FIRST, 1, 3, line=7)
SAID = "Off on purpose since 2 Mar (work log, line 7)."


def day_of(*faults: Fault) -> BaghouseDay:
    return study(exports(kiln(cleaning=on_time(6, 5.0)), faults, hours=2)[0]).day


def row_of(answers: dict[Subject, Answer], compartment: int, row: int = 0) -> Answer:
    return answers[Subject("BH1", compartment, row)]


@pytest.mark.parametrize(
    ("rule", "fault"), [("row_not_pulsed", RowNotCalled), ("row_silent", RowSilent)]
)
def test_a_row_off_on_purpose_is_no_finding(
    rule: str, fault: type[RowNotCalled] | type[RowSilent]
) -> None:
    day = day_of(fault(start=local(0), compartment=1, row=3))
    assert found(ask(rule, day)) == {(1, 3)}
    answer = row_of(ask(rule, day, work=log(OFF)), 1, 3)
    assert (answer.verdict, answer.text) == (Verdict.CLEAR, SAID)
    for before in (only(Work.OFF, FIRST, 1, 4), only(Work.OFF, FIRST + timedelta(days=1), 1, 3)):
        assert found(ask(rule, day, work=log(before))) == {(1, 3)}
    on_again = only(Work.ON, FIRST, 1, 3, line=8)
    assert found(ask(rule, day, work=log(OFF, on_again))) == {(1, 3)}


def test_a_row_off_on_purpose_that_answers_is_said_to() -> None:
    answer = row_of(ask("row_silent", day_of(), work=log(OFF)), 1, 3)
    assert answer.verdict is Verdict.CLEAR
    assert answer.text.startswith(f"{SAID} It answered ")
    assert answer.text.endswith(" pulses all the same.")


def test_rows_off_on_purpose_are_no_usual_rows_and_no_common_cause() -> None:
    """Four of six rows are not pulsed, three on purpose; three of six silent, two on purpose."""
    skipped = day_of(
        *(RowNotCalled(start=local(0), compartment=1, row=row) for row in (1, 2, 4, 5))
    )
    assert found(ask("row_not_pulsed", skipped)) == set()  # a usual row has no pulses
    off = [only(Work.OFF, FIRST, 1, row) for row in (1, 2, 4)]
    assert found(ask("row_not_pulsed", skipped, work=log(*off))) == {(1, 5)}
    silent = day_of(*(RowSilent(start=local(0), compartment=1, row=row) for row in (2, 4, 5)))
    assert found(ask("row_silent", silent)) == {(1, 0)}
    assert found(ask("row_silent", silent, work=log(*off[1:]))) == {(1, 5)}


@pytest.mark.parametrize("rule", ["row_silent", "pulse_pressure", "short_interval", "header_leak"])
def test_of_an_isolated_compartment_rows_and_header_are_excused(rule: str) -> None:
    faults = [RowNotCalled(start=local(0), compartment=1, row=row) for row in range(1, 7)]
    answers = ask(rule, day_of(*faults), work=log(only(Work.OFF, FIRST, 1, line=7)))
    mine = [one for one in answers.values() if one.subject.compartment == 1]
    assert {(one.verdict, one.text) for one in mine} == {(Verdict.CLEAR, SAID)}
    assert {one.text == SAID for one in answers.values() if one.subject.compartment == 2} == {False}


def test_what_is_not_of_rows_or_headers_is_judged_as_ever() -> None:
    day, all_off = day_of(), log(only(Work.OFF, FIRST))
    for rule in ("temperature_excursion", "rising_residual_dp"):
        assert ask(rule, day, work=all_off) == ask(rule, day)
