"""A header that loses air: by its plateau, by its resting pressure, and what looks like it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import time, timedelta
from functools import cache

import polars as pl
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit
from helpers.scenes import exports, history_of, kiln, local, on_time, study

from rowcall.model import (
    FACT_COLUMNS,
    Answer,
    BaghouseDay,
    Fact,
    History,
    Subject,
    Urgency,
    Verdict,
)
from rowcall.runs.judge import with_day
from rowcall_plant import (
    BaghousePlan,
    Fault,
    HeaderLeak,
    PlannedStop,
    RowDrawnOut,
    SlowHeaderRecovery,
)

RULE = "header_leak"
STOP = PlannedStop(start=local(0, 19), end=local(0, 23))
STOPPED = kiln(stops=(STOP,))
HOURS = 10
FIRST = Subject("BH1", 1)


@cache
def sound_days(plan: BaghousePlan, drop: tuple[str, ...]) -> History:
    """A day without a fault, five times over, as the days after them see them."""
    return again(study(exports(plan, seed=2, drop=drop, hours=HOURS)[0]).day, History(), 5)


def again(day: BaghouseDay, history: History, days: int) -> History:
    """Return the past that ends with a day, as many times in a row."""
    one = with_day(History(), day, ()).facts
    copies = [one.with_columns(pl.col("day") + timedelta(days=n)) for n in range(days)]
    return History(pl.concat([history.facts, *copies]))


def last_day(plan: BaghousePlan, faults: list[Fault], drop: tuple[str, ...] = ()) -> BaghouseDay:
    """The last of seven days, the sixth of which was the same."""
    export = exports(plan, faults, first=6, seed=2, drop=drop, hours=HOURS)[0]
    sixth = replace(study(export).day, day=export.day - timedelta(days=1))
    return replace(study(export).day, history=again(sixth, sound_days(plan, drop), 1))


def resting(leak_1_s: float, compartment: int | None = 1) -> HeaderLeak:
    off = (local(0, 20), local(0, 22))
    return HeaderLeak(start=local(0), compartment=compartment, leak_1_s=leak_1_s, air_off=off)


@pytest.mark.parametrize(
    ("plan", "leak_1_s"),
    [(kiln(), 0.02), (kiln(), 0.04), (kiln(cleaning=on_time(6, 40.0)), 0.02)],
    ids=["demand", "large", "time"],
)
def test_a_lower_plateau_is_found_and_sized(plan: BaghousePlan, leak_1_s: float) -> None:
    """Plateau p_s / (1 + leak tau); the leak takes leak * p of it a second, of 0.25 m3."""
    leak = HeaderLeak(start=local(5), compartment=1, leak_1_s=leak_1_s)
    answers = ask(RULE, last_day(plan, [leak]))
    assert found(answers) == {(1, 0)}
    answer = answers[FIRST]
    assert answer.urgency is Urgency.NEXT_OUTAGE
    assert value_of(answer, "plateau_ratio") == pytest.approx(1 / (1 + 2.2 * leak_1_s), abs=0.01)
    lost = 0.25 * leak_1_s * value_of(answer, "plateau_pa") / 101_325
    assert value_of(answer, "leak_m3_s") == pytest.approx(lost, rel=0.2)
    assert "ultrasonic" in answer.action
    assert answers[Subject("BH1", 2)].verdict is Verdict.CLEAR


@pytest.mark.parametrize(
    "fault",
    [
        SlowHeaderRecovery(start=local(5), compartment=1, tau_factor=2.5),
        SlowHeaderRecovery(start=local(5), tau_factor=1.5, sag_frac=0.08),
        SlowHeaderRecovery(
            start=local(5), tau_factor=2.2, sag_frac=0.06, daily_hours=(time(15), time(19))
        ),
        RowDrawnOut(start=local(5), compartment=1, row=2, late_s=1.5),
    ],
    ids=["slow", "supply down", "supply down for hours", "drawn out"],
)
def test_what_looks_like_a_leak_is_not_named(fault: Fault) -> None:
    answers = ask(RULE, last_day(kiln(), [fault]))
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


@pytest.mark.parametrize("rows", [(6,), (6, 6)])
def test_a_lower_plateau_without_anything_to_compare_is_left_open(rows: tuple[int, ...]) -> None:
    leak = HeaderLeak(start=local(5), leak_1_s=0.04)  # of all headers there are
    day = last_day(kiln(rows=rows), [leak], ("supply_pressure",))
    answers = ask(RULE, day)
    assert found(answers) == set()
    if rows == (6,):
        assert answers[FIRST].verdict is Verdict.CANNOT_TELL


@pytest.mark.parametrize("leak_1_s", [1e-3, 0.01, 0.04])
def test_pressure_lost_while_nothing_fires_is_found_on_the_first_day(leak_1_s: float) -> None:
    """The simulator's gauge pressure decays at the leak's rate, so -dp/dt = leak * p at first."""
    day = study(exports(STOPPED, [resting(leak_1_s)], hours=6)[0]).day
    answers = ask(RULE, day)
    assert found(answers) == {(1, 0)}
    pressure = 6e5 / (1 + 2.2 * leak_1_s)
    assert value_of(answers[FIRST], "decay_pa_s") == pytest.approx(leak_1_s * pressure, rel=0.08)
    lost = 0.25 * leak_1_s * pressure / 101_325
    assert value_of(answers[FIRST], "leak_m3_s") == pytest.approx(lost, rel=0.08)
    assert answers[Subject("BH1", 2)].verdict is Verdict.CANNOT_TELL  # one day is no history


def test_without_a_supply_tag_another_header_vouches_for_the_supply() -> None:
    drop = ("supply_pressure",)
    one = study(exports(STOPPED, [resting(1e-3)], drop=drop, hours=6)[0]).day
    assert found(ask(RULE, one)) == {(1, 0)}
    both = study(exports(STOPPED, [resting(1e-3, None)], drop=drop, hours=6)[0]).day
    assert {a.verdict for a in ask(RULE, both).values()} == {Verdict.CANNOT_TELL}
    assert "supply" in ask(RULE, both)[FIRST].text


def test_a_healthy_stop_is_no_leak() -> None:
    answers = ask(RULE, study(exports(STOPPED, hours=6)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}


def test_without_volume_no_air_is_stated() -> None:
    export = exports(STOPPED, [resting(0.01)], hours=6)[0]
    unknown = export.baghouse.model_copy(update={"header_volume": None})
    answer = ask(RULE, study(replace(export, baghouse=unknown)).day)[FIRST]
    assert answer.verdict is Verdict.FOUND
    assert "free air" not in answer.text
    assert not [quantity for quantity in answer.values if quantity.name == "leak_m3_s"]


def test_the_unit_of_the_export_does_not_matter() -> None:
    export = exports(STOPPED, [resting(0.01)], hours=6)[0]
    plain = ask(RULE, study(export).day)[FIRST]
    in_psi = ask(RULE, study(in_unit(export, "header_pressure", "[psi]")).day)[FIRST]
    assert math.isclose(value_of(plain, "decay_pa_s"), value_of(in_psi, "decay_pa_s"), rel_tol=1e-6)


# At the limits, on a day whose facts are given.


def stating(day: BaghouseDay, facts: dict[tuple[Fact, int], float]) -> BaghouseDay:
    """Return the day with these facts of headers and no others."""
    lines = [(header, 0, fact.column, value) for (fact, header), value in facts.items()]
    return replace(day, facts=pl.DataFrame(lines, schema=FACT_COLUMNS, orient="row"))


@pytest.fixture(scope="module")
def day() -> BaghouseDay:
    return study(exports(kiln())[0]).day


@pytest.mark.parametrize(("fell", "is_found"), [(0.005, False), (0.03, True), (0.08, True)])
@pytest.mark.parametrize("supply", [1.0, 0.93], ids=["supply holds", "supply lower"])
def test_a_header_is_compared_with_the_others_of_the_day(
    day: BaghouseDay, fell: float, is_found: bool, supply: float
) -> None:
    past = [history_of({Fact.PLATEAU_PA: [6e5] * 7}, day.day, (c, 0)).facts for c in (1, 2)]
    own = pl.when(pl.col("compartment") == 1).then(1.0 - fell).otherwise(1.0)
    hours = day.hours.with_columns(plateau_pa=6e5 * supply * own, plateau_error_pa=pl.lit(300.0))
    answers = ask(RULE, replace(day, hours=hours, history=History(pl.concat(past))))
    assert found(answers) == ({(1, 0)} if is_found else set())
    if is_found:
        assert value_of(answers[FIRST], "plateau_ratio") == pytest.approx(1.0 - fell, abs=0.003)


def of_first(value: float, other: float) -> pl.Expr:
    """Return a column of hours: one value for header 1, another for the others."""
    return pl.when(pl.col("compartment") == 1).then(value).otherwise(other)


@pytest.mark.parametrize(
    ("tau_s", "verdict"), [(3.0, Verdict.CANNOT_TELL), (5.0, Verdict.FOUND)], ids=["same", "slower"]
)
def test_a_plateau_that_is_little_known_counts_where_the_header_refills_more_slowly_too(
    day: BaghouseDay, tau_s: float, verdict: Verdict
) -> None:
    usual = {Fact.PLATEAU_PA: [6e5] * 7, Fact.TAU_S: [3.0] * 7}
    past = [history_of(usual, day.day, (c, 0)).facts for c in (1, 2)]
    hours = day.hours.with_columns(
        plateau_pa=of_first(5.7e5, 6e5),
        plateau_error_pa=of_first(7e3, 300.0),
        left_pa=of_first(2e4, 0.0),
        tau_s=of_first(tau_s, 3.0),
        tau_log_error=pl.lit(0.03),
    )
    answers = ask(RULE, replace(day, hours=hours, history=History(pl.concat(past))))
    assert answers[FIRST].verdict is verdict
    assert " % down" in answers[FIRST].text
    assert answers[Subject("BH1", 2)].verdict is Verdict.CLEAR


@pytest.mark.parametrize(
    ("left_pa", "verdict"), [(0.0, Verdict.FOUND), (5e4, Verdict.CANNOT_TELL)], ids=["seen", "not"]
)
def test_a_usual_plateau_that_no_sample_ever_showed_is_little_known(
    day: BaghouseDay, left_pa: float, verdict: Verdict
) -> None:
    usual = {Fact.PLATEAU_PA: [6e5] * 7, Fact.SHORTFALL_PA: [left_pa] * 7}
    past = [history_of(usual, day.day, (c, 0)).facts for c in (1, 2)]
    hours = day.hours.with_columns(
        plateau_pa=of_first(5.7e5, 6e5), plateau_error_pa=pl.lit(300.0), left_pa=pl.lit(0.0)
    )
    answers = ask(RULE, replace(day, hours=hours, history=History(pl.concat(past))))
    assert answers[FIRST].verdict is verdict


@pytest.mark.parametrize(
    ("hours", "is_found"), [((6, 10), False), ((10, 24), True), ((22, 24), False)]
)
def test_a_fall_counts_from_its_first_hour_if_it_lasts(
    day: BaghouseDay, hours: tuple[int, int], is_found: bool
) -> None:
    past = [history_of({Fact.PLATEAU_PA: [6e5] * 7}, day.day, (c, 0)).facts for c in (1, 2)]
    inside = pl.col("hour").is_between(*hours, closed="left") & (pl.col("compartment") == 1)
    level = 6e5 * pl.when(inside).then(0.94).otherwise(1.0)
    table = day.hours.with_columns(plateau_pa=level, plateau_error_pa=pl.lit(300.0))
    answers = ask(RULE, replace(day, hours=table, history=History(pl.concat(past))))
    assert found(answers) == ({(1, 0)} if is_found else set())
    if is_found:
        assert answers[FIRST].start == day.start + timedelta(hours=hours[0])


def test_a_plateau_that_falls_now_and_then_is_no_leak(day: BaghouseDay) -> None:
    """Every third hour, the last one too: a leak does not shut by itself."""
    past = [history_of({Fact.PLATEAU_PA: [6e5] * 7}, day.day, (c, 0)).facts for c in (1, 2)]
    low = (pl.col("hour") % 3 == 2) & (pl.col("compartment") == 1)
    level = 6e5 * pl.when(low).then(0.94).otherwise(1.0)
    table = day.hours.with_columns(plateau_pa=level, plateau_error_pa=pl.lit(300.0))
    answers = ask(RULE, replace(day, hours=table, history=History(pl.concat(past))))
    assert found(answers) == set()


@pytest.mark.parametrize(("held", "verdict"), [(1.0, "found"), (0.0, "cannot tell")])
def test_a_decay_counts_only_where_the_supply_held_meanwhile(
    day: BaghouseDay, held: float, verdict: str
) -> None:
    known = {
        (Fact.DECAY_TAU_S, 1): 500.0,
        (Fact.DECAY_PA_S, 1): 1_000.0,
        (Fact.DECAY_START_S, 1): 1_000.0,
        (Fact.DECAY_END_S, 1): 2_000.0,
        (Fact.DECAY_SUPPLY_HELD, 1): held,
    }
    assert str(ask(RULE, stating(day, known))[FIRST].verdict) == verdict


def leaking(day: BaghouseDay, supply: float, recovery_s: float) -> Answer:
    """5 % lost by one header, with what usual refills show; first order, pulsed every 12 s."""
    usual = {
        Fact.PLATEAU_PA: 6e5,
        Fact.TAU_S: 2.2,
        Fact.RECOVERY_S: 6.6,
        Fact.REFILL_DROP_PA: 1.2e5,
    }
    past = [history_of({k: [v] * 7 for k, v in usual.items()}, day.day, (c, 0)) for c in (1, 2)]
    own = pl.when(pl.col("compartment") == 1).then(0.95).otherwise(1.0)
    hours = day.hours.with_columns(
        plateau_pa=6e5 * supply * own, plateau_error_pa=pl.lit(300.0), drop_pa=pl.lit(1.2e5)
    )
    stated = stating(day, {(Fact.INTERVAL_S, 1): 12.0, (Fact.RECOVERY_S, 1): recovery_s})
    history = History(pl.concat(one.facts for one in past))
    return ask(RULE, replace(stated, hours=hours, history=history))[FIRST]


def test_leak_interval_of_a_single_header(day: BaghouseDay) -> None:
    """Of a drop of 1.2 bar 2 % are 0.4 % of the plateau, headers agree to 0.3 %."""
    answer = leaking(day, 1.0, 6.6)
    reach = 1.96 * math.hypot(0.003, 0.02 * 1.2e5 / 5.7e5)
    assert value_of(answer, "plateau_ratio_low") == pytest.approx(0.95 * math.exp(-reach), abs=1e-3)
    assert value_of(answer, "plateau_ratio_high") == pytest.approx(0.95 * math.exp(reach), abs=1e-3)
    assert "All headers" not in answer.text


def test_leak_interval_holds_what_all_headers_share(day: BaghouseDay) -> None:
    """A leak also empties the line that feeds the others; or the supply fell by itself."""
    answer = leaking(day, 0.97, 6.6)
    assert value_of(answer, "plateau_pa") == pytest.approx(0.97 * 0.95 * 6e5)
    assert value_of(answer, "plateau_ratio_low") < 0.97 * 0.95
    assert value_of(answer, "plateau_ratio_high") > 0.95
    assert "stands at 5.53 bar" in answer.text
    assert "All headers are" in answer.text


@pytest.mark.parametrize(("recovery_s", "is_at_rest"), [(6.6, True), (10.0, False)])
def test_leak_interval_is_open_where_its_feed_does_not_rest(
    day: BaghouseDay, recovery_s: float, is_at_rest: bool
) -> None:
    """0.3 bar at 2.2 s of 0.25 m3: 0.034 m3/s, 120 m3 an hour."""
    answer = leaking(day, 1.0, recovery_s)
    assert value_of(answer, "leak_m3_s") == pytest.approx(0.0336, rel=0.03)
    assert ("at most" in answer.text) is not is_at_rest
    assert ("about 120 m³ of free air an hour" in answer.text) is is_at_rest
