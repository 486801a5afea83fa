"""Rules that weigh facts of a row against each other, on a day with facts written by hand."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from helpers.scene_answers import ask
from helpers.scenes import exports, kiln, study

from rowcall.model import BaghouseDay, Subject, Verdict

PLACE = Subject("BH1", 1, 3)


@pytest.fixture(scope="module")
def healthy() -> BaghouseDay:
    return study(exports(kiln(), seed=4)[0]).day


def with_facts(day: BaghouseDay, facts: dict[str, float]) -> BaghouseDay:
    here = (pl.col("compartment") == PLACE.compartment) & (pl.col("row") == PLACE.row)
    kept = day.facts.filter(~(here & pl.col("name").is_in(list(facts))))
    lines = [(PLACE.compartment, PLACE.row, name, value) for name, value in facts.items()]
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


@pytest.mark.parametrize(("ratio", "verdict"), [(0.02, Verdict.FOUND), (0.3, Verdict.CANNOT_TELL)])
def test_a_row_whose_stack_shows_a_drop_is_not_silent_by_its_pulses(
    healthy: BaghouseDay, ratio: float, verdict: Verdict
) -> None:
    facts = {"n_heard": 80.0, "n_answered": 0.0, "drop_ratio": ratio, "drop_ratio_error": 0.02}
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
def test_a_row_that_hardly_ever_answers_does_not_come_and_go(
    healthy: BaghouseDay, rate: float, is_found: bool
) -> None:
    coming = {"coming_gain": 17.0, "coming_rate": rate, "coming_rate_low": 0.01}
    facts = {"n_heard": 0.0, "n_answered": 0.0, "drop_ratio": 0.06, "drop_ratio_error": 0.06}
    day = with_facts(healthy, facts | coming | {"coming_rate_high": rate + 0.1})
    assert (ask("row_silent", day)[PLACE].verdict is Verdict.FOUND) is is_found
