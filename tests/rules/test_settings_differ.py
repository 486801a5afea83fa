"""Settings of the controller as found against the site file: five parts, on days made by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from helpers.cleaning_days import DAY, START_PA, STOP_PA, bouts, each, house, made, minutes
from helpers.scene_answers import ask, value_of
from helpers.scenes import exports, history_of, kiln, local, study
from helpers.unit_systems import SYSTEMS
from helpers.work_logs import log, only

from rowcall.model import (
    FACT_COLUMNS,
    Answer,
    BaghouseDay,
    Fact,
    Floats,
    Signal,
    Urgency,
    Verdict,
    Work,
    WorkLog,
)
from rowcall.site import Role
from rowcall_plant import SetPointsMoved

RULE = "settings_differ"
PAUSES_S = [900.0 + 60 * n for n in range(9)]
PULSES = bouts(PAUSES_S)
AS_SET = {Fact.START_DP_PA: START_PA, Fact.STOP_DP_PA: STOP_PA, Fact.ROW_INTERVAL_S: 10.0}
BY_CLOCK = each(20.0)


def judged(day: BaghouseDay, work: WorkLog | None = None) -> Answer:
    (answer,) = ask(RULE, day, work=work).values()
    return answer


def with_facts(**found: float) -> BaghouseDay:
    return made(
        house(), PULSES, minutes(1000.0), facts=AS_SET | {Fact[k]: v for k, v in found.items()}
    )


def timed(step_s: float = 20.0, **more: Any) -> BaghouseDay:
    facts = {Fact.ROW_INTERVAL_S: step_s}
    return made(
        house("on_time", interval="20 s"), each(step_s), minutes(700.0), facts=facts, **more
    )


# 1. Found, with its levels and since when.


def test_set_points_moved_at_the_controller_are_found() -> None:
    moved = SetPointsMoved(start=local(0), start_dp_pa=1350.0, stop_dp_pa=900.0)
    answer = judged(study(exports(kiln(), [moved], hours=6)[0]).day)
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.WATCH)
    assert answer.text.startswith("Cleaning starts at 1.35 kPa; the site file has 1.20 kPa.")
    assert value_of(answer, "start_dp_pa") == pytest.approx(1350.0, abs=15.0)
    assert answer.action.startswith("Compare the DP transmitter with a gauge")
    assert "ask who changed it" in answer.action


@pytest.mark.parametrize(
    ("fact", "within", "beyond", "text"),
    [
        (Fact.START_DP_PA, 1229.0, 1231.0, "Cleaning starts at 1.23 kPa"),  # 10 % of the band
        (Fact.STOP_DP_PA, 871.0, 869.0, "Cleaning stops at 0.87 kPa"),
        (Fact.ROW_INTERVAL_S, 10.55, 10.7, "Rows are pulsed 10.7 s apart"),
    ],
)
def test_a_setting_is_found_beyond_its_limit(
    fact: Fact, within: float, beyond: float, text: str
) -> None:
    assert judged(with_facts(**{fact.name: within})).verdict is Verdict.CLEAR
    answer = judged(with_facts(**{fact.name: beyond}))
    assert answer.verdict is Verdict.FOUND
    assert answer.text.startswith(text)


def test_a_narrow_band_leaves_two_per_cent_of_the_level() -> None:
    narrow = house(cleaning={"mode": "on_demand", "start_dp": "1.2 kPa", "stop_dp": "1.15 kPa"})
    verdicts = [
        judged(made(narrow, PULSES, minutes(1170.0), facts={Fact.START_DP_PA: start_pa})).verdict
        for start_pa in (1223.0, 1225.0)
    ]
    assert verdicts == [Verdict.CLEAR, Verdict.FOUND]


@pytest.mark.parametrize(("interval_s", "found"), [(20.9, False), (21.1, True)])
def test_a_long_interval_leaves_five_per_cent(interval_s: float, found: bool) -> None:
    answer = judged(timed(interval_s))
    assert (answer.verdict is Verdict.FOUND) is found
    assert "gauge" not in answer.action  # no transmitter tells the time


@pytest.mark.parametrize(
    ("stated", "length_s", "found"),
    [
        ("50 ms", 0.069, False),
        ("50 ms", 0.073, True),
        ("100 ms", 0.119, False),
        ("100 ms", 0.125, True),
        ("200 ms", 0.239, False),
        ("200 ms", 0.245, True),
    ],
)
def test_a_pulse_length_is_found_beyond_its_limit(
    stated: str, length_s: float, found: bool
) -> None:
    day = with_length(length_s, pulse_time=stated)
    assert (judged(day).verdict is Verdict.FOUND) is found


def with_length(length_s: float, scan_s: float = 0.001, **more: Any) -> BaghouseDay:
    """Return a day on which a bit is on for so long, with times rounded to a scan."""
    edges = np.tile(PULSES + np.random.default_rng(1).uniform(0, 1, PULSES.size), (2, 1)).T
    edges[:, 1] = edges[:, 0] + length_s
    bit = Signal(np.round(edges.ravel() / scan_s) * scan_s, np.tile([1.0, 0.0], PULSES.size), True)
    day = made(house(**more), PULSES, minutes(1000.0), facts=AS_SET)
    line = pl.DataFrame(
        [(0, 0, Fact.PULSE_LENGTH_S.column, length_s)], schema=FACT_COLUMNS, orient="row"
    )
    signals = {**day.signals, (Role.ROW_SOLENOID, 1, 1): bit}
    return replace(day, signals=signals, facts=pl.concat([day.facts, line]))


def test_it_says_since_when_and_whether_the_work_log_has_it() -> None:
    history = history_of({Fact.START_DP_PA: [1200.0, 1350.0, 1200.0, 1350.0, 1350.0]}, DAY)
    day = replace(with_facts(START_DP_PA=1350.0), history=history)
    answer = judged(day)
    assert "1.35 kPa (since 28 Feb); the site file has 1.20 kPa" in answer.text
    assert answer.start == day.start - timedelta(days=2)
    for ago, logged in ((3, True), (4, False)):
        work = log(only(Work.SET_POINT_CHANGED, DAY - timedelta(days=ago)))
        assert ("change of set point on" in judged(day, work).text) is logged
        assert ("ask who" in judged(day, work).action) is not logged
    always = history_of({Fact.START_DP_PA: [1350.0] * 3}, DAY)
    assert "(on all known days)" in judged(replace(day, history=always)).text


def test_another_order_of_the_rows_is_found() -> None:
    stated = house("on_time", interval="20 s", firing_order=[1, 3, 5, 2, 4, 6])
    day = made(stated, BY_CLOCK, minutes(700.0))
    assert (
        "Rows are pulsed in the order 1, 2, 3, 4, 5, 6; the site file has 1, 3, 5, 2, 4, 6"
        in judged(day).text
    )


def by_dp(pauses_s: list[float], spread_pa: float = 0.0) -> BaghouseDay:
    """Return a day stated to be cleaned by the clock, whose DP rises to one level in each pause."""
    pulse_s = bouts(pauses_s)
    begin = pulse_s[:-1][np.diff(pulse_s) > 100.0]
    end = pulse_s[1:][np.diff(pulse_s) > 100.0]
    dp_s = np.concatenate(
        [np.linspace(one + 1, two, 200) for one, two in zip(begin, end, strict=True)]
    )
    tops = 1200.0 + spread_pa * (np.arange(begin.size) % 3 - 1)
    dp = Signal(dp_s, np.concatenate([np.linspace(900.0, top, 200) for top in tops]))
    day = made(house("on_time"), pulse_s, minutes(950.0), facts={Fact.ROW_INTERVAL_S: 10.0})
    return replace(day, signals={**day.signals, (Role.DP, 0, 0): dp})


def test_cleaning_on_demand_where_the_site_file_says_on_time_is_found() -> None:
    answer = judged(by_dp(PAUSES_S))
    assert "Cleaning starts at 1.20 kPa; the site file has cleaning on time" in answer.text


@pytest.mark.parametrize(("n_min", "found"), [(59, False), (61, True)])
def test_pulses_without_a_pause_at_low_dp_are_cleaning_on_time(n_min: int, found: bool) -> None:
    dp = minutes(1000.0, (100, 100 + n_min, 860.0), (300, 900, 880.0))
    answer = judged(made(house(), each(10.0), dp))
    assert ("cleaning on demand" in answer.text and answer.verdict is Verdict.FOUND) is found


# 2. Healthy days.


def test_settings_as_stated_are_clear_and_what_is_not_seen_is_named() -> None:
    answer = judged(made(house(), PULSES, minutes(1000.0), facts=AS_SET))
    assert answer.verdict is Verdict.CLEAR
    assert answer.text == (
        "As in the site file: rows are pulsed 10.0 s apart, cleaning starts at 1.20 kPa, cleaning "
        "stops at 0.90 kPa, mode. Not seen: pulse length."
    )


def test_a_healthy_day_of_the_plant_is_clear() -> None:
    answer = judged(study(exports(kiln(), hours=6)[0]).day)
    assert answer.verdict is Verdict.CLEAR
    assert "order of the rows" in answer.text


# 3. What looks like it but is not.


@pytest.mark.parametrize("length_s", [0.2, 1.2])
def test_a_scanned_or_held_bit_shows_no_pulse_length(length_s: float) -> None:
    answer = judged(with_length(length_s, scan_s=0.2 if length_s < 1 else 0.001))
    assert answer.verdict is Verdict.CLEAR
    assert "Not seen: pulse length" in answer.text


def test_a_timer_that_pauses_between_passes_is_no_cleaning_on_demand() -> None:
    assert "Not seen: pulse length, mode" in judged(by_dp([900.0] * 9)).text


def test_cleaning_switched_by_hand_at_any_dp_is_no_cleaning_on_demand() -> None:
    assert "Not seen: pulse length, mode" in judged(by_dp(PAUSES_S, spread_pa=80.0)).text


@pytest.mark.parametrize(("n_pulses", "found"), [(20, False), (21, True)])
def test_a_score_of_steps_shows_an_order(n_pulses: int, found: bool) -> None:
    stated = house("on_time", interval="20 s", firing_order=[1, 3, 5, 2, 4, 6])
    day = made(stated, BY_CLOCK[:n_pulses], minutes(700.0))
    assert (judged(day).verdict is Verdict.FOUND) is found


def test_a_row_that_is_skipped_is_no_other_order() -> None:
    stated = house("on_time", interval="20 s", firing_order=[1, 2, 3, 4, 5, 6])
    day = made(stated, BY_CLOCK, minutes(700.0), order=[1, 2, 3, 5, 6, 1, 2, 3, 4, 5, 6])
    assert judged(day).verdict is Verdict.CLEAR


def test_low_dp_in_bouts_is_no_cleaning_on_time() -> None:
    pulse_s: Floats = each(10.0, ((0, 200), (210, 1440)))
    assert judged(made(house(), pulse_s, minutes(800.0), facts=AS_SET)).verdict is Verdict.CLEAR


# 4. Too little data.


def test_without_pulses_nothing_is_seen() -> None:
    answer = judged(made(house(), PULSES[:0], minutes(1000.0)))
    assert answer.verdict is Verdict.CANNOT_TELL


def test_times_of_pulses_that_are_not_complete_show_no_interval() -> None:
    day = replace(with_facts(ROW_INTERVAL_S=30.0), fires_known=False)
    assert "Not seen: time from row to row" in judged(day).text


# 5. Invariance.


def test_units_change_words_only_and_days_shift() -> None:
    day = with_facts(START_DP_PA=1350.0)
    us = judged(replace(day, units=SYSTEMS["us"].scales))
    assert "starts at 5.42 in. w.c.; the site file has 4.82 in. w.c. Not seen" in us.text
    assert us.values == judged(day).values
    later = made(
        house(), PULSES, minutes(1000.0), facts=AS_SET | {Fact.START_DP_PA: 1350.0}, shift=9
    )
    assert judged(later).text == judged(day).text
