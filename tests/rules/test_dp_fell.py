"""Drag that falls at once, on days whose drag is known second by second, and histories made."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from helpers.fall_days import AT_S, DAY, DAY_S, Mode, casing, fall_day, house, signals_of
from helpers.scene_answers import ask, value_of
from helpers.scenes import history_of
from helpers.work_logs import log, only

from rowcall.model import (
    VERDICT_COLUMNS,
    Answer,
    Fact,
    Floats,
    History,
    Lack,
    Signal,
    Urgency,
    Verdict,
    Work,
    WorkLog,
)
from rowcall.site import Role

RULE = "dp_fell"
DUST = (Role.DUST_SIGNAL, 0, 0)
MINUTES = np.arange(0.0, DAY_S, 60.0)


def judged(
    mode: Mode = "on_time",
    *,
    dust: Floats | None = None,
    history: History | None = None,
    work: WorkLog | None = None,
    facts: dict[Fact, float] | None = None,
    **plan: float,
) -> Answer:
    made = casing(mode, **plan)
    signals = signals_of(made)
    if dust is not None:
        signals[DUST] = Signal(MINUTES, dust)
    day = fall_day(house(mode), signals, made[2], facts, history)
    (answer,) = ask(RULE, day, work=work).values()
    return answer


def dust_times(ratio: float, seed: int = 1) -> Floats:
    noise = np.exp(np.random.default_rng(seed).normal(0, 0.1, MINUTES.size))
    return np.asarray(5e-6 * noise * np.where(AT_S <= MINUTES, ratio, 1.0))


def by_days(clean: Floats, verdicts: list[tuple[date, str]] | None = None) -> dict[str, object]:
    """Histories of drag after cleaning by the clock, the last one today's."""
    n = clean.size
    rng = np.random.default_rng(3)
    series = {
        Fact.CLEAN_DP_PER_FLOW: clean * (1 + rng.normal(0, 0.01, n)),
        Fact.FLOW_M3_S: 10 * (1 + rng.uniform(-0.1, 0.1, n)),
        Fact.CYCLE_TIME_S: np.full(n, 720.0),
        Fact.DP_PER_FLOW_GROWTH: 0.001 * (1 + rng.uniform(-0.3, 0.3, n)),
    }
    past = history_of({fact: one[:-1].tolist() for fact, one in series.items()}, DAY)
    lines = [(day, rule, 1, 1, "found", "next outage") for day, rule in verdicts or ()]
    table = pl.DataFrame(lines, schema=VERDICT_COLUMNS, orient="row")
    return {
        "history": replace(past, verdicts=table),
        "facts": {fact: float(one[-1]) for fact, one in series.items()},
    }


# 1. Found.


@pytest.mark.parametrize(("mode", "at_s"), [("on_time", AT_S), ("on_demand", 45_607.0)])
def test_a_bypass_is_found_with_its_minute_and_interval(mode: Mode, at_s: float) -> None:
    answer = judged(mode, fall=0.15, at_s=at_s)
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.NEXT_OUTAGE)
    assert value_of(answer, "fall_low") <= 0.15 <= value_of(answer, "fall_high")
    assert answer.start is not None
    day_start = answer.start.replace(hour=0, minute=0, second=0)
    assert abs((answer.start - day_start).total_seconds() - at_s) <= 90
    assert "dust after the filter is not recorded" in answer.text


@pytest.mark.parametrize(
    ("fall", "ratio", "urgency"),
    [
        (0.12, 2.0, Urgency.NOW),
        (0.12, 1.0, Urgency.WATCH),
        (0.30, 1.0, Urgency.WATCH),
        (0.30, None, Urgency.NOW),
        (0.12, None, Urgency.NEXT_OUTAGE),
    ],
)
def test_it_presses_by_dust_or_by_size(fall: float, ratio: float | None, urgency: Urgency) -> None:
    answer = judged(fall=fall, dust=None if ratio is None else dust_times(ratio))
    assert answer.urgency is urgency
    if ratio == 2.0:
        assert re.search(r"rose to 2\.[01] times with it", answer.text)


@pytest.mark.parametrize("age", [0, 4])
def test_a_fall_from_day_to_day_is_found_by_the_clock(age: int) -> None:
    clean = np.where(np.arange(30) >= 29 - age, 40.0, 60.0)
    answer = judged(**by_days(clean))  # type: ignore[arg-type]
    assert answer.verdict is Verdict.FOUND
    assert value_of(answer, "fall") == pytest.approx(1 / 3, abs=0.03)
    assert answer.start is not None
    assert answer.start.date() == DAY - timedelta(days=age)


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_day_without_any_drag_is_no_fall() -> None:
    clean = np.where(np.arange(30) == 20, 0.0, 60.0)
    assert judged(**by_days(clean)).verdict is not Verdict.FOUND  # type: ignore[arg-type]
    nothing = by_days(np.zeros(30))
    assert judged(**nothing).verdict is not Verdict.FOUND  # type: ignore[arg-type]


def past_fall(age: int, **more: float) -> History:
    """A fall of 15 % found so many days ago; `rise` undid it the day after."""
    values = {Fact.DRAG_FALL: 0.15, Fact.DRAG_FELL_S: AT_S, Fact.DRAG_FALL_ERROR: 0.01}
    facts = history_of({f: [v] for f, v in values.items()}, DAY - timedelta(days=age - 1)).facts
    if more:
        rises = {Fact.DRAG_RISE: more["rise"], Fact.DRAG_ROSE_S: 100.0}
        back = history_of({f: [v] for f, v in rises.items()}, DAY - timedelta(days=age - 2))
        facts = pl.concat([facts, back.facts])
    return History(facts)


@pytest.mark.parametrize(("age", "is_found"), [(1, True), (7, True), (8, False)])
def test_a_fall_that_was_not_undone_is_reported_for_a_week(age: int, is_found: bool) -> None:
    answer = judged(history=past_fall(age))
    assert (answer.verdict is Verdict.FOUND) is is_found
    if is_found:
        assert f"on {DAY - timedelta(days=age)} at 12:30" in answer.text


@pytest.mark.parametrize(
    ("ratio", "urgency"), [(2.0, Urgency.NOW), (1.0, Urgency.WATCH), (None, Urgency.NOW)]
)
def test_a_fall_from_day_to_day_presses_by_the_level_of_dust(
    ratio: float | None, urgency: Urgency
) -> None:
    known = by_days(np.where(np.arange(30) >= 27, 40.0, 60.0))
    if ratio is not None:
        level = [5e-6] * 26 + [5e-6 * ratio] * 3
        dust = history_of({Fact.DUST_BASE: level}, DAY).facts
        past = known["history"]
        assert isinstance(past, History)
        known["history"] = replace(past, facts=pl.concat([past.facts, dust]))
    assert judged(**known).urgency is urgency  # type: ignore[arg-type]


# 2. Healthy.


@pytest.mark.parametrize("mode", ["on_time", "on_demand"])
@pytest.mark.parametrize("swing", [0.0, 0.3])
def test_a_sound_day_is_clear(mode: Mode, swing: float) -> None:
    answer = judged(mode, swing=swing)
    assert answer.verdict is Verdict.CLEAR
    assert value_of(answer, "seen") > 4 * 3600


def test_products_do_not_make_a_fall_from_day_to_day() -> None:
    clean = 50 * np.exp(np.repeat(np.random.default_rng(1).uniform(-0.1, 0.1, 10), 3))
    assert judged(**by_days(clean)).verdict is Verdict.CLEAR  # type: ignore[arg-type]


# 3. Look-alikes.


def test_a_fall_of_five_per_cent_is_none_that_matters() -> None:
    assert judged(fall=0.05).verdict is Verdict.CLEAR


def test_fewer_or_more_dust_is_no_fall() -> None:
    assert {judged(feed=feed).verdict for feed in (0.4, 2.0)} == {Verdict.CLEAR}


@pytest.mark.parametrize("rise", [0.2, 0.05])
def test_a_fall_undone_the_day_after_is_reported_no_more(rise: float) -> None:
    is_found = judged(history=past_fall(3, rise=rise)).verdict is Verdict.FOUND
    assert is_found is (rise < 0.1)


def test_a_compartment_off_and_back_is_no_fall_where_no_bit_shows_it() -> None:
    """Drag rises at once and falls back hours later; a casing of one compartment has no such."""
    dp, flow, pulses = casing("on_time")
    at = np.arange(dp.size) * 10.0
    signals = signals_of((np.where((at > 20_000) & (at < AT_S), 1.3, 1.0) * dp, flow, pulses))
    for compartments, verdict in ((3, Verdict.CLEAR), (1, Verdict.FOUND)):
        day = fall_day(house(compartments=compartments), signals, pulses)
        (answer,) = ask(RULE, day).values()
        assert answer.verdict is verdict


@pytest.mark.parametrize("kind", [Work.BAGS_CHANGED, Work.SET_POINT_CHANGED, Work.PRE_COATED])
def test_work_on_that_day_explains_it(kind: Work) -> None:
    entry = only(kind, DAY, house="BH2")
    assert judged(fall=0.15, work=log(entry)).verdict is Verdict.CLEAR
    assert judged(fall=0.15, work=log(replace(entry, day=DAY - timedelta(days=1)))).verdict is (
        Verdict.FOUND
    )


@pytest.mark.parametrize(("before_d", "is_found"), [(2, False), (9, True)])
def test_rows_mended_lower_drag_as_they_should(before_d: int, is_found: bool) -> None:
    clean = np.where(np.arange(30) >= 28, 40.0, 60.0)
    found = [(DAY - timedelta(days=1 + before_d), "row_silent")]
    answer = judged(**by_days(clean, found))  # type: ignore[arg-type]
    assert (answer.verdict is Verdict.FOUND) is is_found


# 4. Thin data.


def test_without_flow_it_cannot_tell() -> None:
    made = casing("on_time", fall=0.2)
    signals = {(Role.DP, 0, 0): signals_of(made)[Role.DP, 0, 0]}
    day = replace(fall_day(house(), signals_of(made), made[2]), signals=signals)
    (answer,) = ask(RULE, day).values()
    assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.TAG)


def test_a_noisy_dp_is_not_called_clear() -> None:
    made = casing("on_time", fall=0.1)
    day = fall_day(house(), signals_of(made, noise_pa=200.0), made[2])
    (answer,) = ask(RULE, day).values()
    assert answer.verdict is Verdict.CANNOT_TELL


def test_five_days_show_no_fall_from_day_to_day() -> None:
    clean = np.array([60.0, 60.0, 60.0, 60.0, 40.0])
    assert judged(**by_days(clean)).verdict is Verdict.CLEAR  # type: ignore[arg-type]


# 5. Invariance.


def test_scale_of_flow_and_dp_does_not_matter() -> None:
    made = casing("on_time", fall=0.15)
    base = fall_day(house(), signals_of(made), made[2])
    scaled = {
        place: replace(one, value=one.value * (3.0 if place[0] is Role.DP else 0.1))
        for place, one in signals_of(made).items()
    }
    (one,) = ask(RULE, base).values()
    (other,) = ask(RULE, fall_day(house(), scaled, made[2])).values()
    assert one.start == other.start
    assert value_of(one, "fall") == pytest.approx(value_of(other, "fall"), rel=1e-6)
