"""Gas too hot for the media: minutes and degree-minutes against hand-made truth."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers.gas_days import DAY, DAY_S, TEMPERATURE, gas_day, house
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit, reordered, shifted, with_values
from helpers.scenes import Export, exports, history_of, kiln, local, sample_tag, study

from rowcall.events.operation.heat import excess, hours_at_limit
from rowcall.model import (
    Answer,
    Fact,
    FactBook,
    Floats,
    History,
    Signal,
    Subject,
    Urgency,
    Verdict,
    Work,
)
from rowcall.model.restart import RESTARTS
from rowcall.site import Role
from rowcall.store.samples import BAD, TagSamples
from rowcall.units import Dimension, parse_quantity
from rowcall_plant import TemperatureExcursion

RULE = "temperature_excursion"
HOUSE = Subject("BH1")
# Aramid: continuous 400 degF, surge 425 degF. APTI SI:412A, Lesson 4, Table 4-1.
CONTINUOUS_C, SURGE_C = (400 - 32) / 1.8, (425 - 32) / 1.8


AIR = ("row_solenoid", "header_pressure", "supply_pressure")  # no concern of this rule


def excursion(above_min: float, surge_min: float) -> TemperatureExcursion:
    return TemperatureExcursion(
        start=local(0, 14, 10),
        continuous_c=CONTINUOUS_C,
        surge_c=SURGE_C,
        above_min=above_min,
        surge_min=surge_min,
    )


@pytest.fixture(scope="module")
def healthy() -> Export:
    return exports(kiln(), seed=4, drop=AIR)[0]


def hot(export: Export, spans: list[tuple[float, float, float]]) -> Export:
    """Lay flat spans (begin [s], end [s], Cel) over the inlet temperature."""

    def change(time_s: Floats, value: Floats) -> Floats:
        for begin, end, level in spans:
            value = np.where((time_s >= begin) & (time_s < end), level, value)
        return value

    return with_values(export, sample_tag(export, "inlet_temperature"), change)


def test_a_peak_just_above_a_limit_does_not_read_as_the_limit(healthy: Export) -> None:
    answer = judged(hot(healthy, [(36_000.0, 36_300.0, CONTINUOUS_C + 0.04)]))
    assert "peak 204.5 °C; 5.0 min above the continuous limit of 204.4 °C" in answer.text


def test_a_reading_of_exactly_the_limit_in_its_own_unit_is_not_above_it(healthy: Export) -> None:
    level = parse_quantity("400 [degF]", Dimension.TEMPERATURE)
    answer = judged(hot(healthy, [(36_000.0, 36_300.0, level)]))
    assert value_of(answer, "above_continuous") == 0.0


def judged(export: Export, **settings: str) -> Answer:
    (answer,) = ask(RULE, study(export).day, settings).values()
    assert answer.subject == HOUSE
    return answer


# 1. Found, with its minutes and its start.


@pytest.mark.parametrize(("above_min", "surge_min"), [(25.0, 4.0), (10.0, 1.0)])
def test_an_excursion_into_surge_is_urgent(above_min: float, surge_min: float) -> None:
    answer = judged(
        exports(kiln(), [excursion(above_min, surge_min)], seed=4, drop=AIR, hours=12)[0]
    )
    assert answer.verdict is Verdict.FOUND
    assert answer.urgency is Urgency.NOW
    # Sensor noise of 0.15 K blurs the edges of a ramp of about 1 K a minute by seconds.
    assert value_of(answer, "above_continuous") == pytest.approx(60 * above_min, abs=30)
    assert value_of(answer, "above_surge") == pytest.approx(60 * surge_min, abs=15)
    assert value_of(answer, "max_c") == pytest.approx(SURGE_C + 6, abs=1.0)
    assert answer.start is not None
    assert abs(answer.start - local(0, 14, 10)) < timedelta(seconds=30)
    assert answer.end is not None
    length = (answer.end - answer.start).total_seconds()
    assert length == pytest.approx(60 * above_min, abs=45)


def test_an_excursion_below_surge_waits_for_the_outage() -> None:
    answer = judged(exports(kiln(), [excursion(20.0, 0.0)], seed=4, drop=AIR, hours=12)[0])
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.NEXT_OUTAGE)
    assert value_of(answer, "above_surge") == 0


def test_degree_minutes_add_up_over_spans(healthy: Export) -> None:
    spans = [(3600.0, 4200.0, CONTINUOUS_C + 5), (7200.0, 7320.0, SURGE_C + 1)]
    answer = judged(hot(healthy, spans))
    surge_over = SURGE_C + 1 - CONTINUOUS_C
    assert value_of(answer, "above_continuous") == 600 + 120
    assert value_of(answer, "dose_above_continuous") == pytest.approx(10 * 5 + 2 * surge_over)
    assert value_of(answer, "above_surge") == 120
    assert value_of(answer, "dose_above_surge") == pytest.approx(2.0)
    assert answer.start == study(healthy).day.start + timedelta(hours=1)


def test_a_sample_counts_until_the_next_and_across_no_gap() -> None:
    signal = Signal(
        np.array([0.0, 60.0, 120.0, 5000.0]), np.array([90.0, 110.0, 120.0, 90.0]), False, 300.0
    )
    over = excess(signal, 100.0, 86_400.0)
    assert over.seconds == 60 + 300
    assert over.degree_minutes == pytest.approx((10 * 60 + 20 * 300) / 60)
    assert (over.first_s, over.last_s) == (60.0, 420.0)


def test_time_before_the_day_does_not_count() -> None:
    signal = Signal(np.array([-7200.0, 600.0]), np.array([110.0, 90.0]), False, 14_400.0)
    over = excess(signal, 100.0, 86_400.0)
    assert over.seconds == 600
    assert (over.first_s, over.last_s) == (0.0, 600.0)
    long_ago = Signal(np.array([-7200.0, 600.0]), np.array([110.0, 90.0]), False, 3600.0)
    assert excess(long_ago, 100.0, 86_400.0).seconds == 0


# 2. Healthy, and the bounds of what counts.


def test_a_healthy_day_is_clear(healthy: Export) -> None:
    answer = judged(healthy)
    assert answer.verdict is Verdict.CLEAR
    assert value_of(answer, "continuous_limit") == pytest.approx(CONTINUOUS_C)
    assert value_of(answer, "surge_limit") == pytest.approx(SURGE_C)


@pytest.mark.parametrize(
    ("length_s", "over_c", "is_found"),
    [
        (59, CONTINUOUS_C + 3, False),
        (60, CONTINUOUS_C + 3, True),
        (4, SURGE_C + 3, False),
        (5, SURGE_C + 3, True),
    ],
)
def test_a_minute_above_continuous_or_five_seconds_above_surge_count(
    healthy: Export, length_s: int, over_c: float, is_found: bool
) -> None:
    answer = judged(hot(healthy, [(3600.0, 3600.0 + length_s, over_c)]))
    assert (answer.verdict is Verdict.FOUND) is is_found


def test_the_limit_itself_is_not_above_it(healthy: Export) -> None:
    warm = hot(healthy, [(3600.0, 5000.0, 204.0)])
    limits = {"continuous_limit": 204.0, "surge_limit": 218.0}
    at_limit = replace(warm, baghouse=warm.baghouse.model_copy(update=limits))
    assert judged(at_limit).verdict is Verdict.CLEAR


# 3. Look-alikes.


@pytest.mark.parametrize("shown_c", [300.0, 320.0, 1370.0, -200.0])
def test_a_failed_thermocouple_is_no_excursion(healthy: Export, shown_c: float) -> None:
    # The range is 0 to 300 degC: broken wires drive the reading to or past its end.
    answer = judged(hot(healthy, [(36_000.0, 39_000.0, shown_c)]))
    assert answer.verdict is Verdict.CLEAR
    assert value_of(answer, "above_continuous") == 0


def test_a_hot_value_of_bad_quality_is_no_excursion(healthy: Export) -> None:
    warm = hot(healthy, [(36_000.0, 39_000.0, 230.0)])
    name = sample_tag(warm, "inlet_temperature")
    one = warm.samples[name]
    quality = np.where(one.value > 200, BAD, one.quality).astype(np.uint8)
    bad = TagSamples(one.time_us, one.value, quality)
    assert judged(replace(warm, samples={**warm.samples, name: bad})).verdict is Verdict.CLEAR


def test_a_value_frozen_hot_is_no_excursion(healthy: Export) -> None:
    # From an instant on, the last digit never changes again.
    answer = judged(hot(healthy, [(80_000.0, 86_400.0, 210.0)]))
    assert answer.verdict is not Verdict.FOUND


def test_the_outlet_is_not_the_inlet(healthy: Export) -> None:
    outlet = sample_tag(healthy, "outlet_temperature")
    warm = with_values(healthy, outlet, lambda time_s, value: value + 80.0)
    assert judged(warm).verdict is Verdict.CLEAR


# 4. Thin data.


def test_a_day_with_gaps_cannot_be_called_clear(healthy: Export) -> None:
    name = sample_tag(healthy, "inlet_temperature")
    one = healthy.samples[name]
    part = TagSamples(one.time_us[:70_000], one.value[:70_000], one.quality[:70_000])
    answer = judged(replace(healthy, samples={**healthy.samples, name: part}))
    assert answer.verdict is Verdict.CANNOT_TELL
    assert "only 81 % of the day is covered" in answer.text
    still = judged(hot(replace(healthy, samples={**healthy.samples, name: part}), [(0, 90, 215)]))
    assert still.verdict is Verdict.FOUND  # what was seen was seen


def test_without_media_and_limits_nothing_is_compared(healthy: Export) -> None:
    bare = healthy.baghouse.model_copy(update={"media": None})
    answer = judged(replace(healthy, baghouse=bare))
    assert answer.verdict is Verdict.CANNOT_TELL
    assert "no media and no temperature limits" in answer.text


# 5. Invariance.


def test_unit_day_and_order_do_not_matter() -> None:
    export = exports(kiln(), [excursion(25.0, 4.0)], seed=4, drop=AIR, hours=12)[0]
    base = judged(export)
    for unit in ("[degF]", "K"):
        other = judged(in_unit(export, "inlet_temperature", unit))
        assert (other.text, other.start, other.end) == (base.text, base.start, base.end)
    later = judged(shifted(export, 10))
    assert later.text == base.text
    assert base.start is not None
    assert later.start == base.start + timedelta(days=10)
    assert judged(reordered(export)) == base
    assert found({HOUSE: base}) == {(0, 0)}


# Every tag of the role is judged, or named as not judged.


def by_compartment(export: Export, second: TagSamples) -> Export:
    """Give each of two compartments an inlet temperature of its own."""
    name = sample_tag(export, "inlet_temperature")
    tags = [tag for tag in export.baghouse.tag if tag.tag != name]
    first = next(tag for tag in export.baghouse.tag if tag.tag == name)
    own = [
        first.model_copy(update={"tag": f"{name}-{number}", "compartment": number})
        for number in (1, 2)
    ]
    baghouse = export.baghouse.model_copy(update={"tag": (*tags, *own)})
    samples = {**export.samples, f"{name}-1": export.samples[name], f"{name}-2": second}
    return replace(export, baghouse=baghouse, samples=samples)


def test_a_hot_second_compartment_is_found(healthy: Export) -> None:
    one = healthy.samples[sample_tag(healthy, "inlet_temperature")]
    hot_one = replace(one, value=one.value + 60.0)
    answers = ask(RULE, study(by_compartment(healthy, hot_one)).day)
    assert found(answers) == {(2, 0)}
    assert answers[Subject("BH1", 1)].verdict is Verdict.CLEAR


def test_a_dead_second_tag_is_named_as_not_judged(healthy: Export) -> None:
    one = healthy.samples[sample_tag(healthy, "inlet_temperature")]
    dead = replace(one, quality=np.full(one.quality.size, BAD))
    answers = ask(RULE, study(by_compartment(healthy, dead)).day)
    assert answers[Subject("BH1", 1)].verdict is Verdict.CLEAR
    assert answers[Subject("BH1", 2)].verdict is Verdict.CANNOT_TELL
    assert "-2:" in answers[Subject("BH1", 2)].text


# Spikes of seconds, and what the bags have borne before, on hand-made signals.


def spike(fall_s: float, *, top_c: float = SURGE_C + 40, length_s: float = 20.0) -> Signal:
    """Inlet gas of 170 degC with one spike, which falls back with a time constant."""
    at = np.arange(0.0, 86_400.0)
    since = at - 40_000.0
    tail = np.exp(-np.maximum(since - length_s, 0.0) / fall_s)
    return Signal(at, np.where(since >= 0, 170.0 + (top_c - 170.0) * tail, 170.0))


def of_signal(
    signal: Signal, other: Signal | None = None, history: History | None = None
) -> Answer:
    signals = {TEMPERATURE: signal}
    if other is not None:
        signals[Role.INLET_TEMPERATURE, 2, 0] = other
    day = gas_day(house(media="aramid", compartments=2), signals, history)
    return ask(RULE, day)[Subject("BH2")]


@pytest.mark.parametrize(
    ("fall_s", "urgency"),
    [(10.0, Urgency.NOW), (2.5, Urgency.NOW), (1.2, Urgency.WATCH), (0.01, Urgency.WATCH)],
)
def test_a_spike_that_falls_back_faster_than_a_thermocouple_is_one_of_the_sensor(
    fall_s: float, urgency: Urgency
) -> None:
    """In a second, a thermocouple of 2 s falls by 1 - exp(-1/2) = 39 % of a spike at most."""
    answer = of_signal(spike(fall_s))
    assert answer.urgency is urgency
    assert ("faster than a thermocouple can" in answer.text) is (urgency is Urgency.WATCH)


def test_a_spike_that_another_thermocouple_follows_is_of_the_gas() -> None:
    sharp, calm = spike(0.01), spike(0.01, top_c=171.0)
    assert of_signal(sharp, other=spike(30.0, top_c=200.0)).urgency is Urgency.NOW
    assert of_signal(spike(10.0), other=calm).urgency is Urgency.WATCH


@pytest.mark.parametrize(("length_s", "urgency"), [(55.0, Urgency.WATCH), (65.0, Urgency.NOW)])
def test_a_spike_of_more_than_a_minute_is_judged_as_gas(length_s: float, urgency: Urgency) -> None:
    assert of_signal(spike(0.01, length_s=length_s)).urgency is urgency


@pytest.mark.parametrize(("rise_k", "is_gas"), [(19.0, True), (21.0, False)])
def test_a_low_spike_is_gas_about_the_limit(rise_k: float, is_gas: bool) -> None:
    low = spike(0.01, top_c=SURGE_C + 2)
    base = np.where(low.value == 170.0, SURGE_C + 2 - rise_k, low.value)
    answer = of_signal(replace(low, value=base))
    assert (answer.urgency is Urgency.NOW) is is_gas


def test_degree_minutes_are_summed_since_the_bags_were_changed() -> None:
    long = spike(10.0, top_c=CONTINUOUS_C + 10, length_s=600.0)
    assert "days before" not in of_signal(long).text
    history = history_of({Fact.HEAT_DOSE: (50.0, 0.0, 200.0)}, DAY)
    dose = FactBook(gas_day(house(media="aramid"), {TEMPERATURE: long}).facts).of(Fact.HEAT_DOSE)
    assert dose == pytest.approx(100.0, abs=1.0)  # 10 K for 10 min, and a tail of seconds
    text = of_signal(long, history=history).text
    assert f"With the 3 days before that are known: {250 + dose:.0f} degree-minutes" in text


def test_new_bags_begin_a_new_sum() -> None:
    assert Fact.HEAT_DOSE in RESTARTS[Work.BAGS_CHANGED].facts
    assert Fact.HEAT_DOSE not in RESTARTS[Work.SET_POINT_CHANGED].facts


# Rates by hand: exp(E / R (1 / T_limit - 1 / T)), with R = 8.314 J/(mol K) and kelvin.
@pytest.mark.parametrize(
    ("above_k", "energy", "hours"),
    [(0.0, 100.0, 24.0), (20.0, 100.0, 67.286), (-20.0, 50.0, 13.696)],
)
def test_hours_are_weighed_by_the_activation_energy(
    above_k: float, energy: float, hours: float
) -> None:
    at = np.arange(0.0, DAY_S, 60.0)
    gas = Signal(at, np.full(at.size, 200.0 + above_k))
    assert hours_at_limit(gas, 200.0, energy, DAY_S) == pytest.approx(hours, rel=1e-3)


def test_the_weighed_hours_are_named_as_an_assumption_and_only_where_it_is_made() -> None:
    at = np.arange(0.0, DAY_S, 60.0)
    hot = {TEMPERATURE: Signal(at, np.full(at.size, 214.0))}
    history = history_of({Fact.HEAT_DOSE: (50.0,), Fact.HEAT_AGE_H: (100.0,)}, DAY)
    assumed = house(media="aramid", activation_energy="100 kJ/mol")
    day = gas_day(assumed, hot, history)
    hours = 100 + FactBook(day.facts).of(Fact.HEAT_AGE_H)
    (answer,) = ask(RULE, day).values()
    assert f"ages the bags as {hours:.0f} h at that limit would, if the activation energy is " in (
        answer.text
    )
    (plain,) = ask(RULE, gas_day(house(media="aramid"), hot, history)).values()
    assert "activation" not in plain.text
