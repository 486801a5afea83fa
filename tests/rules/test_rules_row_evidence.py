"""Rules that weigh facts of a row against each other, on a day with facts written by hand."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from helpers.scene_answers import ask
from helpers.scenes import exports, history_of, kiln, study

from rowcall.model import BaghouseDay, Fact, Subject, Urgency, Verdict
from rowcall.site import Role

PLACE = Subject("BH1", 1, 3)


@pytest.fixture(scope="module")
def healthy() -> BaghouseDay:
    return study(exports(kiln(), seed=4)[0]).day


UNJUDGED = {"n_judged": 0.0, "n_answered": 0.0}  # no pulse could be judged by itself


def stacked(ratio: float, error: float) -> dict[str, float]:
    return {"drop_ratio": ratio, "drop_ratio_error": error}


def with_facts(day: BaghouseDay, facts: dict[str, float], row: int = PLACE.row) -> BaghouseDay:
    here = (pl.col("compartment") == PLACE.compartment) & (pl.col("row") == row)
    kept = day.facts.filter(~(here & pl.col("name").is_in(list(facts))))
    lines = [(PLACE.compartment, row, name, value) for name, value in facts.items()]
    more = pl.DataFrame(lines, schema=day.facts.schema, orient="row")
    return replace(day, facts=pl.concat([kept, more]))


# Late alone needs 99.9 %, deep alone 140 % of the peers' drop.
@pytest.mark.parametrize(
    ("ratio", "chance", "verdict"),
    [
        (1.3, 0.9, Verdict.FOUND),
        (1.3, 0.3, Verdict.CANNOT_TELL),
        (1.15, 0.9, Verdict.CANNOT_TELL),
        (1.15, 0.9995, Verdict.FOUND),
    ],
)
def test_a_row_deeper_and_likely_late_is_found_with_less_of_each(
    healthy: BaghouseDay, ratio: float, chance: float, verdict: Verdict
) -> None:
    facts = {"drop_ratio": ratio, "drop_ratio_error": 0.03, "late_power": 0.2}
    day = with_facts(healthy, facts | {"late_s": 0.5, "late_s_error": 0.2, "p_late": chance})
    assert ask("row_closes_late", day)[PLACE].verdict is verdict


@pytest.mark.parametrize(
    ("ratio", "error_s", "verdict"),
    [(1.05, 0.2, Verdict.FOUND), (1.05, 0.3, Verdict.CANNOT_TELL), (1.3, 0.3, Verdict.FOUND)],
)
def test_a_lateness_whose_interval_holds_none_takes_a_deeper_drop(
    healthy: BaghouseDay, ratio: float, error_s: float, verdict: Verdict
) -> None:
    facts = stacked(ratio, 0.03) | {"late_s": 0.5, "late_s_error": error_s, "p_late": 0.9995}
    assert ask("row_closes_late", with_facts(healthy, facts))[PLACE].verdict is verdict


@pytest.mark.parametrize(("ratio", "verdict"), [(1.05, Verdict.CLEAR), (1.15, Verdict.FOUND)])
def test_a_late_valve_in_a_thinned_pressure_has_a_deeper_drop(
    healthy: BaghouseDay, ratio: float, verdict: Verdict
) -> None:
    header = (Role.HEADER_PRESSURE, PLACE.compartment, 0)
    signal = replace(healthy.signals[header], bridge_s=3600.0)
    day = replace(healthy, signals={**healthy.signals, header: signal})
    facts = stacked(ratio, 0.03) | {"late_s": 0.5, "late_s_error": 0.2, "p_late": 0.9995}
    assert ask("row_closes_late", with_facts(day, facts))[PLACE].verdict is verdict


@pytest.mark.parametrize(("ratio", "verdict"), [(0.02, Verdict.FOUND), (0.3, Verdict.CANNOT_TELL)])
def test_a_row_whose_stack_shows_a_drop_is_not_silent_by_its_pulses(
    healthy: BaghouseDay, ratio: float, verdict: Verdict
) -> None:
    facts = {"n_judged": 80.0, "n_answered": 0.0, "drop_ratio": ratio, "drop_ratio_error": 0.02}
    assert ask("row_silent", with_facts(healthy, facts))[PLACE].verdict is verdict


@pytest.mark.parametrize(("error", "is_found"), [(0.2, True), (0.45, False)])
def test_a_late_closing_that_a_handful_of_points_show_is_not_believed(
    healthy: BaghouseDay, error: float, is_found: bool
) -> None:
    """A wild fit has any lateness and any depth; its depth is then known badly."""
    facts = {"drop_ratio": 2.3, "drop_ratio_error": error, "late_power": 0.0}
    day = with_facts(healthy, facts | {"late_s": 2.5, "late_s_error": 0.1, "p_late": 0.9999})
    assert (ask("row_closes_late", day)[PLACE].verdict is Verdict.FOUND) is is_found


@pytest.mark.parametrize(("rate", "is_found"), [(0.5, True), (0.02, False)])
def test_a_row_that_hardly_ever_answers_does_not_miss_pulses(
    healthy: BaghouseDay, rate: float, is_found: bool
) -> None:
    coming = {"intermittent_gain": 17.0, "answer_rate": rate, "answer_rate_low": 0.01}
    facts = {"n_judged": 0.0, "n_answered": 0.0, "drop_ratio": 0.06, "drop_ratio_error": 0.06}
    day = with_facts(healthy, facts | coming | {"answer_rate_high": rate + 0.1})
    assert (ask("row_silent", day)[PLACE].verdict is Verdict.FOUND) is is_found


# How far a drop must lie from the limit of silence, in standard errors: 3.5 of them.
@pytest.mark.parametrize(("errors", "is_sure"), [(3.0, False), (4.0, True)])
def test_a_stacked_row_is_silent_only_well_below_any_answer(
    healthy: BaghouseDay, errors: float, is_sure: bool
) -> None:
    error = 0.02
    day = with_facts(healthy, UNJUDGED | stacked(0.15 - errors * error, error))
    verdict = Verdict.FOUND if is_sure else Verdict.CANNOT_TELL
    assert ask("row_silent", day)[PLACE].verdict is verdict


@pytest.mark.parametrize(("errors", "is_sure"), [(3.0, False), (4.0, True)])
def test_a_stacked_row_answers_only_well_above_a_silent_one(
    healthy: BaghouseDay, errors: float, is_sure: bool
) -> None:
    error = 0.02
    day = with_facts(healthy, UNJUDGED | stacked(0.15 + errors * error, error))
    verdict = Verdict.CLEAR if is_sure else Verdict.CANNOT_TELL
    assert ask("row_silent", day)[PLACE].verdict is verdict


@pytest.mark.parametrize(("n_found", "urgency"), [(1, Urgency.NEXT_OUTAGE), (2, Urgency.NOW)])
def test_one_silent_row_alone_is_not_urgent_however_few_the_rows(
    healthy: BaghouseDay, n_found: int, urgency: Urgency
) -> None:
    day = healthy
    for row in range(3, 3 + n_found):
        day = with_facts(day, {"n_judged": 80.0, "n_answered": 0.0} | stacked(0.01, 0.01), row)
    answers = ask("row_silent", day, {"many_share": "0.1"})
    assert answers[PLACE].urgency is urgency


# Four standard errors above a drop of 60 % must stay below 85 %.
@pytest.mark.parametrize(("error", "verdict"), [(0.06, Verdict.FOUND), (0.07, Verdict.CANNOT_TELL)])
def test_a_row_that_may_be_sound_is_not_called_weak(
    healthy: BaghouseDay, error: float, verdict: Verdict
) -> None:
    day = with_facts(healthy, UNJUDGED | stacked(0.6, error))
    assert ask("row_weak", day)[PLACE].verdict is verdict


@pytest.mark.parametrize(("sent", "verdict"), [(50.0, Verdict.CLEAR), (49.0, Verdict.FOUND)])
def test_half_of_the_usual_pulses_is_enough(
    healthy: BaghouseDay, sent: float, verdict: Verdict
) -> None:
    day = healthy
    for row in range(1, 7):
        day = with_facts(day, {"n_sent": sent if row == PLACE.row else 100.0}, row)
    assert ask("row_not_pulsed", day)[PLACE].verdict is verdict


def test_the_text_names_judged_and_sent_pulses(healthy: BaghouseDay) -> None:
    facts = {"n_sent": 1294.0, "n_judged": 1057.0, "n_answered": 0.0}
    answer = ask("row_silent", with_facts(healthy, facts | stacked(0.01, 0.01)))[PLACE]
    seen = "no pressure drop at any of 1,057 pulses that could be judged (1,294 sent)"
    assert seen in answer.text


def test_a_share_is_written_with_a_space_and_never_below_zero(healthy: BaghouseDay) -> None:
    answer = ask("row_weak", with_facts(healthy, stacked(-0.01, 0.01)))[PLACE]
    assert "is 0 % of its peers' (standard error 1.0 %)" in answer.text


def test_header_pressure_sampled_every_two_hours_is_not_judged(healthy: BaghouseDay) -> None:
    sparse = [
        replace(tag, step_s=7200.0) if tag.role is Role.HEADER_PRESSURE else tag
        for tag in healthy.health
    ]
    for rule in ("row_silent", "row_weak", "row_closes_late"):
        (answer,) = ask(rule, replace(healthy, health=tuple(sparse))).values()
        assert answer.verdict is Verdict.CANNOT_TELL
        assert "sampled every 7200 s only" in answer.text


def test_a_row_of_several_days_has_no_number_of_pulses_where_none_is_known(
    healthy: BaghouseDay,
) -> None:
    facts = {"n_sent": float("nan"), "days_stacked": 3.0, "n_stacked": 60.0}
    answer = ask("row_silent", with_facts(healthy, facts))[PLACE]
    assert "Judged by its pulses of 3 days together" in answer.text


def test_a_row_silent_from_some_time_on_names_its_earlier_answers(healthy: BaghouseDay) -> None:
    here = (pl.col("compartment") == PLACE.compartment) & (pl.col("row") == PLACE.row)
    late = pl.when(here & (pl.col("time_s") > 6 * 3600.0)).then(False).otherwise("answered")
    day = replace(healthy, pulses=healthy.pulses.with_columns(answered=late))
    facts = {"n_judged": 90.0, "n_answered": 40.0} | stacked(0.4, 0.02)
    answer = ask("row_silent", with_facts(day, facts))[PLACE]
    assert "a pressure drop at 40 of 90 pulses that could be judged" in answer.text
    assert "all earlier" in answer.text


# Fewer than nine in ten answered, three missed at least; the answered ones as deep as the peers'.
@pytest.mark.parametrize(
    ("answered", "depth", "verdict"),
    [
        (17.0, 1.0, Verdict.FOUND),
        (18.0, 1.0, Verdict.CLEAR),
        (10.0, 0.6, Verdict.FOUND),
        (10.0, 0.59, Verdict.CLEAR),
    ],
)
def test_a_row_misses_pulses_where_enough_of_them_had_no_drop(
    healthy: BaghouseDay, answered: float, depth: float, verdict: Verdict
) -> None:
    facts = {"n_judged": 20.0, "n_answered": answered, "answered_drop_ratio": depth}
    assert ask("row_silent", with_facts(healthy, facts))[PLACE].verdict is verdict


@pytest.mark.parametrize(("high", "verdict"), [(0.89, Verdict.FOUND), (0.91, Verdict.CLEAR)])
def test_a_row_that_may_answer_steadily_does_not_miss_pulses(
    healthy: BaghouseDay, high: float, verdict: Verdict
) -> None:
    coming = {"intermittent_gain": 17.0, "answer_rate": 0.8, "answer_rate_low": 0.7}
    day = with_facts(healthy, UNJUDGED | stacked(0.8, 0.02) | coming | {"answer_rate_high": high})
    assert ask("row_silent", day)[PLACE].verdict is verdict


def changed(before: float, after: float, error: float, n_after: float = 30.0) -> dict[str, float]:
    later = {"drop_ratio_after": after, "drop_ratio_after_error": error, "n_after": n_after}
    return {"onset_s": 36_000.0, "drop_ratio_before": before} | later


@pytest.mark.parametrize(
    ("error", "words"), [(0.04, "Was silent and answers again"), (0.05, "Misses pulses")]
)
def test_a_row_is_back_only_where_it_surely_answers(
    healthy: BaghouseDay, error: float, words: str
) -> None:
    facts = {"n_judged": 80.0, "n_answered": 40.0} | changed(0.05, 0.3, error)
    assert ask("row_silent", with_facts(healthy, facts))[PLACE].text.startswith(words)


@pytest.mark.parametrize(("days", "words"), [(1.0, "Misses pulses"), (3.0, "Silent since")])
def test_a_change_days_ago_is_judged_by_what_followed(
    healthy: BaghouseDay, days: float, words: str
) -> None:
    """Of one day the single pulses say more: here the last one was answered."""
    facts = {"n_judged": 80.0, "n_answered": 40.0, "days_stacked": days, "n_stacked": 80.0}
    day = with_facts(healthy, facts | changed(1.0, 0.0, 0.01))
    assert ask("row_silent", day)[PLACE].text.startswith(words)


@pytest.mark.parametrize(("n_after", "verdict"), [(20.0, Verdict.FOUND), (19.0, Verdict.CLEAR)])
def test_a_change_counts_with_twenty_pulses_after_it(
    healthy: BaghouseDay, n_after: float, verdict: Verdict
) -> None:
    facts = UNJUDGED | stacked(0.5, 0.02) | changed(1.0, 0.01, 0.01, n_after)
    assert ask("row_silent", with_facts(healthy, facts))[PLACE].verdict is verdict


def test_a_row_that_changed_is_not_of_two_kinds(healthy: BaghouseDay) -> None:
    coming = {"intermittent_gain": 17.0, "answer_rate": 0.5, "answer_rate_high": 0.6}
    facts = UNJUDGED | stacked(0.7, 0.02) | changed(1.0, 0.5, 0.02) | coming
    assert ask("row_silent", with_facts(healthy, facts))[PLACE].verdict is Verdict.CLEAR


def test_a_row_sent_no_pulses_today_is_not_judged_by_those_of_days_before(
    healthy: BaghouseDay,
) -> None:
    facts = UNJUDGED | stacked(0.01, 0.01) | {"days_stacked": 3.0, "n_stacked": 60.0}
    answer = ask("row_silent", with_facts(healthy, facts | {"n_sent": 0.0}))[PLACE]
    assert answer.verdict is Verdict.CANNOT_TELL
    assert "sent this row no pulses" in answer.text


# Four standard errors below must stay half of the peers' drop; 3.5 below, more than silence.
@pytest.mark.parametrize(
    ("ratio", "error", "verdict"),
    [
        (0.8, 0.07, Verdict.CLEAR),
        (0.8, 0.08, Verdict.CANNOT_TELL),
        (0.25, 0.02, Verdict.FOUND),
        (0.25, 0.04, Verdict.CANNOT_TELL),
    ],
)
def test_a_badly_known_drop_is_neither_full_nor_weak(
    healthy: BaghouseDay, ratio: float, error: float, verdict: Verdict
) -> None:
    day = with_facts(healthy, UNJUDGED | stacked(ratio, error))
    assert ask("row_weak", day)[PLACE].verdict is verdict


@pytest.mark.parametrize(
    ("answered", "verdict"), [(80.0, Verdict.FOUND), (79.0, Verdict.CANNOT_TELL)]
)
def test_full_and_missing_drops_make_no_weak_row(
    healthy: BaghouseDay, answered: float, verdict: Verdict
) -> None:
    facts = {"n_judged": 80.0, "n_answered": answered, "answered_drop_ratio": 0.9}
    day = with_facts(healthy, facts | stacked(0.6, 0.02))
    assert ask("row_weak", day)[PLACE].verdict is verdict


@pytest.mark.parametrize(
    ("past", "words"),
    [([0.9, 0.8], "peers'. Its"), ([0.7, 0.9, 0.8], "(80 %"), ([0.5] * 9 + [0.9] * 4, "(90 %")],
)
def test_a_weak_row_is_compared_with_its_last_week(
    healthy: BaghouseDay, past: list[float], words: str
) -> None:
    history = history_of({Fact.DROP_RATIO: past}, healthy.day, (PLACE.compartment, PLACE.row))
    day = replace(with_facts(healthy, UNJUDGED | stacked(0.6, 0.02)), history=history)
    assert words in ask("row_weak", day)[PLACE].text


# Depth alone counts where lateness could not be seen; lateness alone, where no drop is shallower.
@pytest.mark.parametrize(
    ("ratio", "chance", "power", "verdict"),
    [
        (1.6, 0.3, 0.89, Verdict.FOUND),
        (1.6, 0.3, 0.9, Verdict.CLEAR),
        (1.0, 0.9999, 0.95, Verdict.FOUND),
        (0.99, 0.9999, 0.95, Verdict.CLEAR),
    ],
)
def test_one_sign_of_a_late_valve_is_enough_where_the_other_does_not_speak_against_it(
    healthy: BaghouseDay, ratio: float, chance: float, power: float, verdict: Verdict
) -> None:
    facts = stacked(ratio, 0.03) | {"late_s": 0.5, "p_late": chance, "late_power": power}
    assert ask("row_closes_late", with_facts(healthy, facts))[PLACE].verdict is verdict


@pytest.mark.parametrize(("usual", "verdict"), [(20.0, Verdict.FOUND), (19.0, Verdict.CANNOT_TELL)])
def test_a_compartment_is_judged_from_twenty_pulses_a_row_on(
    healthy: BaghouseDay, usual: float, verdict: Verdict
) -> None:
    day = healthy
    for row in range(1, 7):
        day = with_facts(day, {"n_sent": 0.0 if row == PLACE.row else usual}, row)
    assert ask("row_not_pulsed", day)[PLACE].verdict is verdict
