"""Which cause comes first, and which findings are no job of their own."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pytest
from helpers.case_days import FAMILIES, answer, at, cases, entry, row, valve

from rowcall.model import Case, Finding, Subject, Urgency, Verdict, Work

HOUSE = Subject("BH1")
HEADER = Subject("BH1", 2)


def first_cause(case: Case) -> str:
    return case.causes[0].name


def jobs(found: list[Case]) -> dict[str, Case]:
    return {case.family: case for case in found if case.is_job}


def test_probabilities_of_a_case_add_up_to_one() -> None:
    (case,) = cases(2, [*valve(1, row(1, 7), 1.0), *valve(2, row(1, 7), 0.0)])
    assert math.fsum(one.probability for one in case.causes) == pytest.approx(1)
    assert [one.probability for one in case.causes] == sorted(
        (one.probability for one in case.causes), reverse=True
    )


def silent_after(drops: list[float]) -> Case:
    place, n = row(1, 7), len(drops) + 1
    days = [one for k, drop in enumerate(drops, 1) for one in valve(k, place, 1.0, drop)]
    return cases(n, [*days, *valve(n, place, 0.0)])[0]


def test_a_row_silent_at_once_speaks_for_its_solenoid_and_one_that_faded_for_its_pilot() -> None:
    assert first_cause(silent_after([1.0, 1.0, 0.99, 1.01])) == "no_current"
    assert first_cause(silent_after([1.0, 0.8, 0.6, 0.5])) == "stuck_shut"


def test_a_new_solenoid_without_effect_moves_the_doubt_to_the_pilot() -> None:
    place = row(1, 7)
    days = [one for n in range(1, 4) for one in valve(n, place, 1.0)]
    days += [one for n in range(4, 8) for one in valve(n, place, 0.0)]
    (before,) = cases(7, days)
    (after,) = cases(7, days, entry(5, Work.SOLENOID_RENEWED, place))
    assert (first_cause(before), first_cause(after)) == ("no_current", "stuck_shut")
    signs = [sign.text for sign in after.causes[0].signs]
    assert any("solenoid renewed" in text for text in signs)


def test_a_row_that_closes_late_has_a_worn_diaphragm() -> None:
    place = row(1, 7)
    late = answer(1, "row_closes_late", place, late_s=1.0, late_s_error=0.05)
    silent = answer(1, "row_silent", place, Verdict.CLEAR, answered_share=1.0)
    (case,) = cases(1, [late, silent])
    assert first_cause(case) == "worn_diaphragm"
    assert case.causes[0].probability > 0.9
    assert case.number == "closes 1.0 s late"


def test_a_row_that_was_always_so_is_so_by_design() -> None:
    place = row(1, 7)
    days = [one for n in range(1, 12) for one in valve(n, place, 1.0, 0.68)]
    assert first_cause(cases(11, days)[0]) == "by_design"
    days = [one for n in range(1, 12) for one in valve(n, place, 1.0, 1.0 if n < 6 else 0.68)]
    assert first_cause(cases(11, days)[0]) != "by_design"


def header(*found: str) -> Iterator[Finding]:
    for rule in ("header_leak", "slow_header_recovery", "short_interval", "pulse_pressure"):
        verdict = Verdict.FOUND if rule in found else Verdict.CLEAR
        yield answer(1, rule, HEADER, verdict, Urgency.NOW)


@pytest.mark.parametrize(
    ("found", "cause"),
    [
        (("header_leak",), "leak"),
        (("header_leak", "slow_header_recovery", "short_interval"), "leak"),
        (("slow_header_recovery",), "feed"),
        (("slow_header_recovery", "short_interval", "pulse_pressure"), "feed"),
        (("short_interval",), "interval"),
        (("pulse_pressure",), "set_pressure"),
    ],
)
def test_findings_on_one_header_are_one_case(found: tuple[str, ...], cause: str) -> None:
    (case,) = cases(1, header(*found))
    assert first_cause(case) == cause


@pytest.mark.parametrize(("share", "cause"), [(0.18, "interval"), (0.02, "set_pressure")])
def test_low_pulses_that_the_header_could_refill_to_are_pulsed_too_fast(
    share: float, cause: str
) -> None:
    """Even where `short_interval` holds a slow header for sound."""
    pulses = [one for one in header("pulse_pressure") if one.rule != "short_interval"]
    refill = answer(1, "short_interval", HEADER, Verdict.CLEAR, shortfall_share=share)
    (case,) = cases(1, [*pulses, refill])
    assert first_cause(case) == cause


def test_air_short_for_all_headers_accounts_for_what_it_makes_of_each() -> None:
    short = answer(1, "supply_short", HOUSE, urgency=Urgency.NOW, hours=4.0)
    lows = [answer(1, "pulse_pressure", Subject("BH1", n)) for n in (1, 2)]
    found = cases(1, [short, *lows])
    assert list(jobs(found)) == ["plant-air"]
    (air,) = (case for case in found if case.family == "plant-air")
    assert {one.finding for one in air.explains} == set(lows)


@pytest.mark.parametrize(("hour", "is_job"), [(5, False), (12, True)])
def test_a_header_that_falls_at_rest_with_the_supply_is_no_leak(hour: int, is_job: bool) -> None:
    def lasting(finding: Finding, hours: float) -> Finding:
        start = finding.answer.start
        assert start is not None
        end = start + timedelta(hours=hours)
        return replace(finding, answer=replace(finding.answer, end=end))

    short = answer(1, "supply_short", HOUSE, urgency=Urgency.NOW, start=at(1, 6), hours=4.0)
    leak = answer(1, "header_leak", HEADER, start=at(1, hour))
    found = cases(1, [lasting(short, 4.0), lasting(leak, 0.1)])
    assert ("header" in jobs(found)) is is_job


def test_a_feed_that_fails_besides_stays_a_job_of_its_own() -> None:
    short = answer(1, "supply_short", HOUSE, urgency=Urgency.NOW, hours=4.0)
    slow = answer(1, "slow_header_recovery", HEADER)
    assert set(jobs(cases(1, [short, slow]))) == {"plant-air", "header"}


def slow_row(compartment: int, *more: Finding) -> list[Finding]:
    place = row(compartment, 5)
    return [answer(1, "slow_header_recovery", place, tau_ratio=1.9), *more]


def test_a_header_that_refills_slowly_does_so_after_each_row() -> None:
    assert list(jobs(cases(1, [*header("slow_header_recovery"), *slow_row(2)]))) == ["header"]


@pytest.mark.parametrize(
    "found",
    [
        [*header("slow_header_recovery"), *slow_row(1)],  # of another header
        [*header("header_leak"), *slow_row(2)],
        [
            *header("slow_header_recovery"),
            *slow_row(2, answer(1, "row_weak", row(2, 5), drop_ratio=0.5)),
        ],
    ],
)
def test_a_row_that_ails_besides_its_header_stays_a_job(found: list[Finding]) -> None:
    assert set(jobs(cases(1, found))) == {"header", "valve"}


def rise(number: int, amount: float, begun: int) -> Finding:
    return answer(
        number,
        "rising_residual_dp",
        HOUSE,
        urgency=Urgency.WATCH,
        start=at(begun),
        step_rise=amount,
        rise=amount,
    )


def with_silent_rows(n_rows: int, amount: float, *, since: int = 2) -> list[Case]:
    places = [row(1, n) for n in range(1, n_rows + 1)]
    days = [
        one
        for n in range(1, 9)
        for place in places
        for one in valve(n, place, 1.0 if n < since else 0.0)
    ]
    return cases(8, [*days, rise(8, amount, 3)])


def test_silent_rows_explain_as_much_of_a_rise_as_their_cloth_and_no_more() -> None:
    small, large = jobs(with_silent_rows(2, 0.08)), jobs(with_silent_rows(2, 0.35))
    assert "cloth" not in small
    assert "cloth" in large
    assert first_cause(large["cloth"]) != "not_cleaned"
    explained = with_silent_rows(2, 0.35)[0].explains[0]
    assert sum(one.share for case in with_silent_rows(2, 0.35) for one in case.explains) == (
        pytest.approx(2 / 22 / 0.35)
    )
    assert "at most 9 % of a rise of 35 %" in explained.text


def test_rows_that_went_silent_after_the_rise_do_not_explain_it() -> None:
    assert "cloth" in jobs(with_silent_rows(2, 0.08, since=7))


@pytest.mark.parametrize(("minutes", "cause"), [(30.0, "cold_start"), (0.0, "blinding")])
def test_a_step_after_a_cold_start_is_blinding_by_it(minutes: float, cause: str) -> None:
    facts = [(n, "cold_gas_min", minutes if n == 3 else 0.0) for n in range(1, 9)]
    (case,) = cases(8, [rise(8, 0.35, 4)], facts=facts)
    assert first_cause(case) == cause


def test_air_short_at_the_same_hours_each_morning_has_other_users() -> None:
    days = [
        answer(n, "supply_short", HOUSE, urgency=Urgency.NOW, start=at(n, 6), hours=4.0)
        for n in range(1, 6)
    ]
    (case,) = cases(5, days)
    assert first_cause(case) == "other_users"


def test_every_rule_belongs_to_a_family_and_every_cause_says_where_its_weights_are_from() -> None:
    from rowcall.diagnosis.rule_book import load_rules

    named = {one.rule for family in FAMILIES for one in family.members}
    assert named == {rule.name for rule in load_rules()}
    for family in FAMILIES:
        for cause in family.causes:
            assert cause.source.startswith(("trials", "chosen: "))
            assert cause.check_first
