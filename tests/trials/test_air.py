"""Trials of the compressed air: what is planted shows, and the product finds it on small ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy.integrate import solve_ivp

from rowcall.model import Answer, BaghouseDay, Quantity, Subject, Verdict
from trials.air import orifice_feed, supply_net
from trials.air.air_day import AirDay, recoveries_of, truth_of
from trials.air.air_faults import DAY_S, PSI, fault_of
from trials.air.air_judging import PHYSICS, Judged, PhysicsName, judge_trial
from trials.air.air_keeping import baghouse_of, condition_of
from trials.air.air_plan import draw_plan
from trials.air.air_score import AirTally, found_in, lines_of, parts_of, right
from trials.air.lanes import VALVE
from trials.by_plant import START
from trials.flow import ATMOSPHERE_PA, R_AIR, area_for_drop, outflow_kg_s_m2
from trials.schedule import Floats

SEED = 116  # a small one: two headers with five rows each, a pulse every 19 s
SPAN_S = (DAY_S, 1.1 * DAY_S)
NAMES: tuple[PhysicsName, ...] = tuple(PHYSICS)


@cache
def day_of(physics: PhysicsName, fault: str, seed: int = SEED) -> AirDay:
    plan = draw_plan(seed, fault_of(fault), 2)
    return PHYSICS[physics](plan, SPAN_S)


def truth(physics: PhysicsName, fault: str, name: str) -> float:
    day = day_of(physics, fault)
    return truth_of(day)[day.plan.planted.compartment, 0, name]


# 1. What is planted shows in the noise-free pressure.


@pytest.mark.parametrize("physics", NAMES)
def test_a_third_of_the_feed_takes_three_times_as_long(physics: PhysicsName) -> None:
    ratio = truth(physics, "feed 1/3", "t63_s") / truth(physics, "none", "t63_s")
    assert 2.3 < ratio < 3.3  # less where it no longer recovers all, or waits for others too


@pytest.mark.parametrize("physics", NAMES)
def test_a_leak_lowers_the_plateau_of_its_header_alone(physics: PhysicsName) -> None:
    day = day_of(physics, "leak 8 %")
    at_s = np.array([1.05 * DAY_S])
    for compartment, plateau_pa in enumerate(day.plateau_pa, start=1):
        lost = 0.08 if compartment == day.plan.planted.compartment else 0.0
        sound = day_of(physics, "none").plateau_pa[compartment - 1](at_s)[0]
        assert plateau_pa(at_s)[0] / sound == pytest.approx(1 - lost, abs=3e-3)


def test_a_header_with_a_leak_settles_at_its_plateau() -> None:
    plan = draw_plan(SEED, fault_of("leak 8 %"), 2)
    build = orifice_feed.draw_build(plan)
    c = plan.planted.compartment - 1
    supply = np.array([plan.set_pa + ATMOSPHERE_PA])
    level = supply - 0.08 * plan.set_pa
    m_in = build.feed_kg_s_pa[c] * supply * orifice_feed.drive(level, supply, build.soft)
    hole = orifice_feed.leak_areas(plan, build)[c]
    assert m_in == pytest.approx(hole * outflow_kg_s_m2(level, np.array([orifice_feed.WALL_K])))


@pytest.mark.parametrize("physics", NAMES)
def test_a_shortage_lowers_all_headers_in_its_hours(physics: PhysicsName) -> None:
    plans = [draw_plan(SEED, fault_of(name), 2) for name in ("none", "supply short")]
    planted = plans[1].planted
    assert 10 * PSI <= planted.short_pa <= 20 * PSI
    begin_s = planted.short_s[0]
    sound, short = (PHYSICS[physics](p, (begin_s - 900.0, begin_s + 3600.0)) for p in plans)
    for one, other in zip(sound.header_pa, short.header_pa, strict=True):
        at_s = begin_s + np.array([3000.0, -300.0])
        lost = one(at_s) - other(at_s)
        assert lost == pytest.approx([planted.short_pa, 0.0], rel=0.15, abs=50.0)


@pytest.mark.parametrize("physics", NAMES)
def test_slow_but_sound_headers_recover_most_of_a_drop(physics: PhysicsName) -> None:
    day = day_of(physics, "none, slow headers")
    of = truth_of(day)
    for compartment in range(1, day.plan.compartments + 1):
        lacks, drop = (of[compartment, 0, name] for name in ("shortfall_pa", "drop_pa"))
        assert 0.03 < lacks / (lacks + drop) < 0.27


# 2. The integrator against another one.


@pytest.mark.parametrize("fault", ["none", "leak 8 %"])
def test_lanes_agree_with_another_integrator(fault: str) -> None:
    """The last pulses before the end of the span, started some minutes before as lanes are."""
    day = day_of("vessel", fault)
    plan, build = day.plan, orifice_feed.draw_build(day.plan)
    c = plan.planted.compartment
    hole = orifice_feed.leak_areas(plan, build)[c - 1]
    pulses = plan.pulses.between(SPAN_S[1] - 400.0, SPAN_S[1])
    pulses = pulses.of(pulses.compartment == c)
    share = pulses.drop_frac * plan.set_pa / (plan.set_pa + ATMOSPHERE_PA)
    volume, wall_k = orifice_feed.VOLUME_M3, orifice_feed.WALL_K
    area = area_for_drop(share, volume, build.n, wall_k, VALVE.open_s)

    def slope(t: float, y: Floats, open_m2: float, fire_s: float) -> Floats:
        p, m = y[:1], y[1:]
        supply = plan.supply_pa(np.array([t])) + ATMOSPHERE_PA
        kelvin = p * volume / (m * R_AIR)
        m_in = build.feed_kg_s_pa[c - 1] * supply * orifice_feed.drive(p, supply, build.soft)
        none = np.zeros(1)
        opened = hole + open_m2 * VALVE.opening(np.array([t - fire_s]), none, none)
        m_out = opened * outflow_kg_s_m2(p, kelvin)
        swept = build.n * R_AIR / volume * (wall_k * m_in - kelvin * m_out)
        warming = p * (wall_k / kelvin - 1.0) / build.warming_s
        return np.concatenate((swept + warming, m_in - m_out))

    p0 = plan.supply_pa(pulses.at_s[:1]) + ATMOSPHERE_PA
    state = np.concatenate((p0, p0 * volume / (R_AIR * wall_k)))
    for k in range(pulses.at_s.size - 1):
        span = (pulses.at_s[k], pulses.at_s[k + 1])
        args = (area[k], span[0])
        solved = solve_ivp(slope, span, state, rtol=1e-7, max_step=0.3, args=args)
        state = solved.y[:, -1]
    found = day.header_pa[c - 1](solved.t)
    assert found == pytest.approx(solved.y[0] - ATMOSPHERE_PA, abs=1200.0)  # between nodes
    refill = solved.t - span[0] > 0.5
    # A transmitter of 12 bit over 10 bar has steps of 244 Pa.
    assert found[refill] == pytest.approx(solved.y[0, refill] - ATMOSPHERE_PA, abs=100.0)


@pytest.mark.parametrize(
    ("physics", "ratio"),
    [("plant", np.log(20.0)), ("vessel", 1.98)],
    ids=["first order", "orifice"],
)
def test_slow_headers_are_timed_from_their_plateau(physics: PhysicsName, ratio: float) -> None:
    """The time to 95 % over that to 63 % of a drop is that of its form, if never seen in operation.

    An orifice ends sooner than an exponential.
    """
    plan = draw_plan(SEED, fault_of("none, slow headers"), 1)
    of = recoveries_of(PHYSICS[physics], plan, 0.0)
    seen = truth_of(PHYSICS[physics](plan, (0.0, DAY_S)))
    assert of[1, 0, "alone95_s"] / of[1, 0, "alone63_s"] == pytest.approx(ratio, rel=0.1)
    assert of[1, 0, "alone95_s"] > 1.2 * seen[1, 0, "t95_s"]


@pytest.mark.parametrize("kind", range(3))
def test_nets_recover_in_about_the_time_asked_for(kind: int) -> None:
    day = day_of("net", "none", SEED - 2 + kind)
    plan = day.plan
    net = supply_net.draw_net(plan)
    assert net.kind == supply_net.KINDS[kind]
    of = truth_of(day)
    share = plan.interval_s / plan.header_interval_s if net.kind == "small vessel" else 1.0
    wanted = np.maximum(share * np.array(plan.refill_s), 3.0)
    found = [of[c, 0, "t95_s"] for c in range(1, plan.compartments + 1)]
    assert found == pytest.approx(wanted, rel=0.3)


def test_a_row_with_fewer_bags_draws_less_in_every_compartment() -> None:
    of = truth_of(day_of("plant", "none, rows with fewer bags"))
    for compartment in (1, 2):
        drops = np.array([of[compartment, row, "drop_pa"] for row in range(1, 6)])
        assert np.min(drops) / np.median(drops) < 0.9


# 3. Findings are counted at their place.


def judged_as(fault: str, found: dict[tuple[str, int, int], dict[str, float]]) -> Judged:
    """A trial in which these were found, by (rule, compartment, row), with these numbers."""
    plan = draw_plan(SEED, fault_of(fault), 2)
    start = START + timedelta(days=1)
    empty = pl.DataFrame()
    day = BaghouseDay(
        day=start.date(),
        start=start,
        end=start + timedelta(days=1),
        baghouse=baghouse_of(plan, condition_of("1 s")),
        signals={},
        health=(),
        minutes=empty,
        pulses=empty,
        cycles=empty,
        facts=empty,
    )
    begin, end = (START + timedelta(seconds=at) for at in plan.planted.short_s)
    answers = {}
    for (rule, compartment, row), values in found.items():
        subject = Subject("BH1", compartment, row)
        answers[rule, subject] = Answer(
            subject=subject,
            verdict=Verdict.FOUND,
            text="x",
            start=begin - timedelta(minutes=30),
            end=end + timedelta(minutes=30),
            values=tuple(Quantity(name, value, "1") for name, value in values.items()),
        )
    sound = (answers, {}) if plan.planted.fault.is_sound else ()
    return Judged(plan, day, answers, {}, sound, 1.0)


def tally_of(fault: str, found: dict[tuple[str, int, int], dict[str, float]]) -> AirTally:
    tally = AirTally()
    tally.add(judged_as(fault, found), "seed")
    return tally


def test_a_leak_counts_at_its_header_with_its_size() -> None:
    place = draw_plan(SEED, fault_of("leak 5 %"), 2).planted.compartment
    tally = tally_of("leak 5 %", {("header_leak", place, 0): {"plateau_ratio": 0.94}})
    assert tally.found == {("leak 5 %", "leak"): 1}
    assert tally.errors["size of leak", "leak 5 %"][0] == pytest.approx((0.2, np.nan), nan_ok=True)
    assert not tally.misses


@pytest.mark.parametrize(("low", "high", "inside"), [(0.93, 0.96, 1.0), (0.93, 0.945, 0.0)])
def test_an_interval_of_a_leak_covers_its_planted_size(
    low: float, high: float, inside: float
) -> None:
    place = draw_plan(SEED, fault_of("leak 5 %"), 2).planted.compartment
    values = {"plateau_ratio": 0.94, "plateau_ratio_low": low, "plateau_ratio_high": high}
    tally = tally_of("leak 5 %", {("header_leak", place, 0): values})
    assert tally.errors["size of leak", "leak 5 %"][0][1] == inside


@pytest.mark.parametrize("said", [("header_leak", 0), ("slow_header_recovery", 1)])
def test_another_header_or_rule_does_not_count(said: tuple[str, int]) -> None:
    rule, here = said
    place = draw_plan(SEED, fault_of("leak 5 %"), 2).planted.compartment
    tally = tally_of("leak 5 %", {(rule, place if here else 3 - place, 0): {}})
    assert tally.found["leak 5 %", "leak"] == 0
    assert tally.trials["leak 5 %", "leak"] == 1
    # What else is said of the header that leaks is not said where nothing is wrong.
    assert sum(tally.beside.values()) == (0 if here else 1)
    assert tally.misses


def test_a_shortage_counts_for_the_baghouse_with_hours_and_depth() -> None:
    planted = draw_plan(SEED, fault_of("supply short"), 2).planted
    left = 5e5
    values = {
        "plateau_pa_header_1": left,
        "plateau_ratio_header_1": left / (left + 0.9 * planted.short_pa),
    }
    tally = tally_of("supply short", {("supply_short", 0, 0): values})
    assert tally.found == tally.hours == {("supply short", "short"): 1}
    assert tally.errors["size of short", "supply short"][0][0] == pytest.approx(-0.1)
    assert tally_of("supply short", {("supply_short", 1, 0): {}}).found.total() == 0


def test_findings_on_sound_days_are_false() -> None:
    tally = tally_of("none", {("row_weak", 1, 2): {}, ("short_interval", 1, 0): {}})
    assert (tally.false_days["none"], tally.sound_days["none"]) == (1, 2)
    assert tally.false.total() == 2
    text = "\n".join(lines_of(tally))
    assert "false days  50.0 %" in text
    assert "row_weak" in text
    both = AirTally()
    both.merge(tally)
    both.merge(tally)
    assert both.sound_days["none"] == 4


# 4. The product.


@pytest.mark.parametrize("fault", ["feed 1/3", "leak 5 %"])
def test_a_fault_is_found_at_its_place(fault: str) -> None:
    judged = judge_trial(SEED, "plant", condition_of("5 s"), fault_of(fault))
    assert all(right(judged, part) for part in parts_of(judged.planted.fault))
    assert [found_in(answers) for answers in judged.sound] == [{}] * len(judged.sound)


def test_a_row_before_a_rest_does_not_close_late() -> None:
    """The last row of a compartment is seen for 25 s, its peers for the 13 s to the next pulse."""
    judged = judge_trial(401, "vessel", condition_of("5 s"), fault_of("none, slow headers"), days=1)
    rows = {s: one for (rule, s), one in judged.answers.items() if rule == "row_closes_late"}
    assert {one.verdict for one in rows.values()} == {Verdict.CLEAR}


def test_a_plateau_that_is_never_reached_is_stated_with_an_error_that_holds() -> None:
    """Its gas warms again after a pulse, which no law of inflow follows."""
    judged = judge_trial(402, "vessel", condition_of("5 s"), fault_of("none, slow headers"), days=1)
    for compartment in range(1, judged.plan.compartments + 1):
        hours = judged.day.hours.filter(pl.col("compartment") == compartment)
        off = hours["plateau_pa"] - judged.truth[compartment, 0, "plateau_pa"]
        assert float((off.abs() <= 1.96 * hours["plateau_error_pa"]).mean()) > 0.9  # type: ignore[arg-type]


@pytest.mark.parametrize("physics", NAMES)
def test_a_row_that_closes_late_empties_its_header_on_every_physics(physics: PhysicsName) -> None:
    """Down to where its outflow is no longer choked."""
    plan = draw_plan(SEED, fault_of("none"), 2)
    own = (plan.pulses.at_s > SPAN_S[0]) & (plan.pulses.compartment == 1)
    before_s, at_s = plan.pulses.at_s[own][:2]
    late = replace(plan.pulses, late_s=np.where(plan.pulses.at_s == at_s, 0.7, 0.0))
    day = PHYSICS[physics](replace(plan, pulses=late), (SPAN_S[0], SPAN_S[0] + 600.0))
    sound, emptied = (
        float(day.header_pa[0](pulse_s + np.linspace(0.0, 2.0, 200)).min())
        for pulse_s in (before_s, at_s)
    )
    assert 0.0 < emptied < 0.6 * sound
