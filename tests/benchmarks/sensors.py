"""How well sensor faults are found, and what they make other rules say, on two physics.

    python tests/benchmarks/sensors.py [--plants 12] [--seed 1] [--physics plant casing]

Not a test. A plant runs for nine days, with random noise, load swings of 30 %, products, stops,
samples of 1, 5 or 60 s, every value or with a dead-band, fine or coarse transmitters. Each fault is
then put into what the historian gets of day 9 (`zero` and `drift`: also of day 10, with a stop).
Physics: `rowcall_plant`, and `tests/trials/casing.py`, which shares no formula with it. Facts of
rows are left out: they rest on no tag that fails here but the header's.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from scipy.stats import beta

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from benchmarks.filter import Day, Mode, _plant_day
from helpers.scene_road import study_span
from helpers.scenes import kiln
from trials.casing import Casing, casing_days

from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.events.cycles import find_cycles
from rowcall.events.find import Events, Signals
from rowcall.events.rows.curves import CURVE_COLUMNS
from rowcall.events.rows.pulses import PULSE_COLUMNS
from rowcall.events.stacking.types import STACK_COLUMNS
from rowcall.model import HOUR_COLUMNS, Chapter, Finding, Floats, History, Verdict
from rowcall.runs.judge import with_day
from rowcall.site import Baghouse, Cleaning, Role, Sample, Tag
from rowcall.store.samples import TagSamples
from rowcall_plant import CleaningPlan, PlannedStop
from rowcall_plant.fault_book import FaultBook
from rowcall_plant.physics.cleaning import CleaningState
from rowcall_plant.scene import Scene

MIN_DAYS = 6  # of three tags of DP: what their usual needs
FIRST, DAY_S, N_HEALTHY, STOP_DAY, N_DAYS = date(2026, 1, 5), 86_400, 9, 10, 13
RULES = load_rules()
LIMITS = limits_in_force(RULES, {})
SENSORS = {rule.name for rule in RULES if rule.chapter is Chapter.SENSORS}
Values = dict[str, Floats]


@dataclass(frozen=True, slots=True)
class How:
    """How a plant is recorded."""

    step_s: int
    dead_band: float  # [-] of each tag's typical size; 0: every value
    fine: bool
    noise: float  # [-] of DP: turbulence


def start_of(day: int) -> datetime:
    """Return when a day begins."""
    return datetime.combine(FIRST + timedelta(days=day), datetime.min.time(), UTC)


def stops(rng: np.random.Generator) -> list[tuple[float, float]]:
    """Return [begin, end) of stops since the first day [s]: some days', and that of `STOP_DAY`."""
    days = [day for day in range(N_HEALTHY) if rng.random() < 0.3] + [STOP_DAY]
    begins = [day * DAY_S + rng.uniform(4, 16) * 3600 for day in days]
    return [(begin, begin + rng.uniform(1.5, 5) * 3600) for begin in begins]


def casing(seed: int, mode: Mode) -> Iterator[Day]:
    """Yield the days of the second physics."""
    rng = np.random.default_rng([seed, 1])
    plan = Casing(
        seed=seed,
        mode=mode,
        interval=15.0 if mode == "on_demand" else 60.0,
        load_swing=0.3,
        product_swing=0.3,
        stops=tuple(stops(rng)),
    )
    for number, day in enumerate(casing_days(plan, N_DAYS)):
        first = number * DAY_S
        yield Day(
            day.at_s - first, day.dp, day.flow, day.inlet_c, day.pulse_s - first, day.pulse_row
        )


def plant(seed: int, mode: Mode) -> Iterator[Day]:
    """Yield the days of `rowcall_plant`."""
    rng = np.random.default_rng([seed, 1])
    planned = tuple(
        PlannedStop(
            start=start_of(0) + timedelta(seconds=begin), end=start_of(0) + timedelta(seconds=end)
        )
        for begin, end in stops(rng)
    )
    base = kiln(
        rows=(12,), cleaning=CleaningPlan(mode=mode, interval_s=10 if mode == "on_demand" else 30)
    )
    state: CleaningState | None = None
    product = np.repeat(rng.uniform(-0.3, 0.3, N_DAYS), 3)[:N_DAYS]
    for day in range(N_DAYS):
        gas = replace(
            base.gas,
            load_frac=rng.uniform(0.75, 0.95),
            daily_load_frac=0.15,
            stops=planned,
            inlet_daily_c=rng.uniform(4, 10),
        )
        dust = base.fabric.dust_load_kg_m3 * float(np.exp(product[day]))
        cloth = replace(base.fabric, dust_load_kg_m3=dust)
        one = replace(base, gas=gas, fabric=cloth)
        scene = Scene(one, FaultBook((), base.time_zone), seed, day)
        made, state = _plant_day(scene, start_of(day).timestamp(), state)
        yield made


def values_of(day: Day, how: How, rng: np.random.Generator) -> tuple[Floats, Values]:
    """Return instants and what the transmitters give, without a fault."""
    at = np.arange(0.0, DAY_S, how.step_s)
    n = at.size

    def noise(size: float | Floats) -> Floats:
        return np.asarray(size * rng.standard_normal(n))

    dp = np.interp(at, day.at_s, day.dp)
    hours, wander = np.arange(0.0, DAY_S + 3601.0, 3600.0), rng.normal(0, 2.5, 26)

    def gas_c(when: Floats) -> Floats:
        product = np.interp(when, hours, wander[: hours.size])
        return np.asarray(np.interp(when, day.at_s, day.inlet_c) + product)

    inlet, lagged = gas_c(at), gas_c(at - 240.0)
    flow = np.interp(at, day.at_s, day.flow)
    usual = float(np.quantile(day.flow, 0.9))
    fan = np.where(flow > 0.03 * usual, 28.0 + 52.0 * flow / usual, 0.0)
    pulses = np.sort(day.pulse_s)
    last = np.searchsorted(pulses, at) - 1
    since = np.where(last >= 0, at - pulses[np.maximum(last, 0)], 1e6)
    header = 6e5 * (1 + 0.01 * np.sin(at / 9000.0)) - 1.3e5 * np.exp(-since / 2.2)
    values = {
        "flow": flow + noise(0.006 * flow),
        "fan": fan * (1 + noise(0.005)),
        "inlet": inlet + noise(0.15),
        "outlet": lagged - 9.0 * flow / usual + noise(0.15),
        "header": header + noise(2e3),
    }
    for name in ("dp", "dp1", "dp2"):
        values[name] = dp + noise(how.noise * dp) + noise(2.0)
    return at, values


DIGITS = {"dp": 1.0, "dp1": 1.0, "dp2": 1.0, "flow": 1e-3, "fan": 0.1, "header": 100.0}
COARSE = {"dp": 10.0, "dp1": 10.0, "dp2": 10.0, "inlet": 1.0, "outlet": 1.0}
SIZES = {"flow": 10.0, "fan": 80.0, "inlet": 150.0, "outlet": 150.0, "header": 6e5}
TAGS = {
    "dp": (Role.DP, None, "Pa"),
    "dp1": (Role.DP, 1, "Pa"),
    "dp2": (Role.DP, 2, "Pa"),
    "flow": (Role.GAS_FLOW, None, "m3/s"),
    "fan": (Role.FAN_SIGNAL, None, "A"),
    "inlet": (Role.INLET_TEMPERATURE, None, "Cel"),
    "outlet": (Role.OUTLET_TEMPERATURE, None, "Cel"),
    "header": (Role.HEADER_PRESSURE, None, "Pa"),
}


def recorded(at: Floats, value: Floats, name: str, how: How, day: int) -> TagSamples:
    """Return what the historian keeps: rounded, and with a dead-band only what leaves it."""
    digit = DIGITS.get(name, 0.1) if how.fine else COARSE.get(name, DIGITS.get(name, 0.1))
    rounded = np.round(value / digit) * digit
    keep = np.ones(at.size, np.bool_)
    if how.dead_band and name != "header":
        band = how.dead_band * SIZES.get(name, 1000.0)
        keep[:] = False
        last_value, last_s = np.inf, -np.inf
        for k, (second, one) in enumerate(zip(at.tolist(), rounded.tolist(), strict=True)):
            if abs(one - last_value) > band or second - last_s >= 3600.0:
                keep[max(k - 1, 0) : k + 1] = True
                last_value, last_s = one, second
    time_us = ((start_of(day).timestamp() + at[keep]) * 1e6).astype(np.int64)
    return TagSamples(time_us, rounded[keep], np.zeros(int(keep.sum()), np.uint8))


def house_of(mode: Mode, how: How, low_high: tuple[float, float], *, redundant: bool) -> Baghouse:
    """Return the baghouse: twelve rows in each of two compartments on one header."""
    kind = Sample.THINNED if how.dead_band else Sample.AT_INTERVALS
    tags = tuple(
        Tag(
            role=role,
            tag=name,
            unit=unit,
            compartment=compartment,
            sample=Sample.AT_INTERVALS if name == "header" else kind,
        )
        for name, (role, compartment, unit) in TAGS.items()
        if redundant or name not in ("dp1", "dp2")
    )
    bits = tuple(
        Tag(role=Role.ROW_SOLENOID, tag=f"row{row}", unit="1", compartment=1, row=row)
        for row in range(1, 13)
    )
    return Baghouse(
        id="BH1",
        name="Trial",
        compartments=2,
        rows_per_compartment=(12, 12),
        cleaning=Cleaning.model_validate(
            {"mode": mode, "start_dp": f"{low_high[1]} Pa", "stop_dp": f"{low_high[0]} Pa"}
        ),
        tag=(*tags, *bits),
    )


def judged(
    house: Baghouse, day: int, source: Day, samples: Mapping[str, TagSamples], history: History
) -> tuple[list[Finding], History]:
    """Return the findings of a day, and the history with it."""

    def find(baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, _: float) -> Events:
        nothing = {name: pl.lit(None, kind) for name, kind in PULSE_COLUMNS.items()}
        pulses = pl.DataFrame(
            {"time_s": source.pulse_s, "row": source.pulse_row.astype(np.int64)}
        ).with_columns(
            compartment=pl.lit(1, pl.Int64),
            **{n: v for n, v in nothing.items() if n not in ("time_s", "row", "compartment")},
        )
        pulses = pulses.select(list(PULSE_COLUMNS)).sort("time_s")
        return Events(
            pulses=pulses,
            curves=pl.DataFrame(schema=CURVE_COLUMNS),
            stacks=pl.DataFrame(schema=STACK_COLUMNS),
            cycles=find_cycles(baghouse, signals, pulses, minutes),
            clock_offsets={},
            fires_known=True,
            inferred={},
            in_step=frozenset(),
            refills=pl.DataFrame(schema=HOUR_COLUMNS),
        )

    span = (start_of(day), start_of(day + 1))
    studied, _ = study_span(
        house, FIRST + timedelta(days=day), span, samples, {}, history, find=find
    )
    findings = diagnose(RULES, LIMITS, [studied])
    found = [one for one in findings if one.answer.verdict is Verdict.FOUND]
    return found, with_day(history, studied, findings)


Fault = Callable[[Floats, Values, int, np.random.Generator], None]


def stuck(name: str) -> Fault:
    """Return a fault: the tag keeps a value of the day."""

    def put(_at: Floats, values: Values, _day: int, rng: np.random.Generator) -> None:
        values[name][:] = values[name][int(rng.integers(values[name].size))]

    return put


def plugged(at: Floats, values: Values, _day: int, rng: np.random.Generator) -> None:
    """Pressure leaks through by a lag of 10 to 60 min."""
    lag_s, step_s = 600.0 * 6.0 ** rng.random(), float(at[1] - at[0])
    n = max(1, int(30.0 / step_s))
    level, keep, behind = float(values["dp"].mean()), np.exp(-n * step_s / lag_s), list[float]()
    for block in np.array_split(values["dp"], at.size // n):
        level = level * keep + float(block.mean()) * (1 - keep)
        behind.append(level)
    middle = np.linspace(0, at.size - 1, len(behind))
    smooth = np.interp(np.arange(at.size), middle, behind)
    values["dp"] = smooth + rng.normal(0, 2.0, at.size)


def closed(at: Floats, values: Values, _day: int, rng: np.random.Generator) -> None:
    """Pressure is enclosed, and wanders with the temperature of the line."""
    level = rng.uniform(0.2, 1.2) * float(np.median(values["dp"]))
    wander = rng.uniform(0, 60) * np.sin(at / 9000.0 + rng.uniform(0, 6))
    values["dp"] = level + wander + rng.normal(0, 2.0, at.size)


def zero(_at: Floats, values: Values, _day: int, rng: np.random.Generator) -> None:
    """DP reads 8 to 20 % of its level more or less, 40 Pa at least."""
    values["dp"] += rng.choice([-1, 1]) * max(40.0, rng.uniform(0.08, 0.2) * _level(values))


def drift(_at: Floats, values: Values, day: int, _rng: np.random.Generator) -> None:
    """DP reads 4 % of its level more with each day from the ninth on."""
    values["dp"] += 0.04 * (day - N_HEALTHY + 1) * _level(values)


def offset(_at: Floats, values: Values, _day: int, rng: np.random.Generator) -> None:
    """One of three tags of DP reads 8 to 15 % of the level more or less."""
    values[("dp", "dp1", "dp2")[int(rng.integers(3))]] += (
        rng.choice([-1, 1]) * rng.uniform(0.08, 0.15) * _level(values)
    )


def swapped(_at: Floats, values: Values, _day: int, _rng: np.random.Generator) -> None:
    """Inlet and outlet temperature stand in each other's place."""
    values["inlet"], values["outlet"] = values["outlet"], values["inlet"]


def _level(values: Values) -> float:
    return float(np.median(values["dp1"][values["fan"] > 30.0]))


FAULTS: Mapping[str, tuple[Fault, tuple[int, ...], str]] = {
    "stuck DP": (stuck("dp"), (N_HEALTHY,), "tag_stuck"),
    "stuck flow": (stuck("flow"), (N_HEALTHY,), "tag_stuck"),
    "stuck inlet": (stuck("inlet"), (N_HEALTHY,), "tag_stuck"),
    "stuck header": (stuck("header"), (N_HEALTHY,), "tag_stuck"),
    "plugged, lag": (plugged, (N_HEALTHY,), "dp_tap_plugged"),
    "plugged, closed": (closed, (N_HEALTHY,), "dp_tap_plugged"),
    "zero, stop": (zero, (STOP_DAY,), "tag_drifts"),
    "drift, 4 days": (drift, (9, 10, 11, 12), "tag_drifts"),
    "offset, 3 tags": (offset, (N_HEALTHY,), "tag_drifts"),
    "swapped": (swapped, (N_HEALTHY,), "tags_swapped"),
}


def one_plant(
    physics: Callable[[int, Mode], Iterator[Day]], seed: int
) -> Iterator[tuple[str, str, list[Finding]]]:
    """Yield by day of a plant what was planted, what should find it, and what was found.

    Of days with a fault what the same day without it shows too is left out.
    """
    rng = np.random.default_rng([seed, 2])
    mode: Mode = "on_demand" if seed % 2 else "on_time"
    how = How(
        step_s=int(rng.choice([1, 5, 60])),
        dead_band=float(rng.choice([0.0, 0.0, 0.01])),
        fine=bool(rng.random() < 0.7),
        noise=rng.uniform(0.006, 0.02),
    )
    print(f"  {physics.__name__} {seed} {mode} {how}", file=sys.stderr, flush=True)
    days = list(physics(seed, mode))
    # `_plant_day` gives DP of gas of another temperature than the plan's: 3.3 % more.
    points = (1000.0, 1300.0) if physics is casing else (930.0, 1240.0)
    with_more, alone = (house_of(mode, how, points, redundant=more) for more in (True, False))
    given = [values_of(day, how, np.random.default_rng([seed, 3, n])) for n, day in enumerate(days)]

    def samples(day: int, values: Values, house: Baghouse) -> dict[str, TagSamples]:
        names = {tag.tag for tag in house.tag}
        at = given[day][0]
        return {n: recorded(at, v, n, how, day) for n, v in values.items() if n in names}

    histories = {}
    for name, house in (("alone", alone), ("more", with_more)):
        history = History()
        for day in range(0 if name == "alone" else N_HEALTHY - MIN_DAYS, N_HEALTHY):
            found, history = judged(
                house, day, days[day], samples(day, given[day][1], house), history
            )
            yield "healthy", "", found
        histories[name] = _doubled(history)
    sound = {}
    for name, house in (("alone", alone), ("more", with_more)):
        history = histories[name]
        for day in range(N_HEALTHY, N_DAYS if name == "alone" else N_HEALTHY + 1):
            found, history = judged(
                house, day, days[day], samples(day, given[day][1], house), history
            )
            sound[name, day] = {one.rule for one in found}
            yield "healthy", "", found
    for fault, (put, on, rule) in FAULTS.items():
        which = "more" if fault.startswith("offset") else "alone"
        house, history = (with_more if which == "more" else alone), histories[which]
        for n, day in enumerate(on):
            values = {name: value.copy() for name, value in given[day][1].items()}
            put(given[day][0], values, day, np.random.default_rng([seed, 4, len(fault)]))
            found, history = judged(house, day, days[day], samples(day, values, house), history)
            is_first = len(on) == 1 or n == 1  # the second day of the drift has the stop
            news = [one for one in found if one.rule not in sound[which, day]]
            yield fault, rule if is_first else "", news


def _doubled(history: History) -> History:
    """Return the history as if it had gone on for as long before: rules of trends want 14 days."""
    earlier = history.facts.with_columns(pl.col("day").dt.offset_by(f"-{N_HEALTHY}d"))
    return History(pl.concat([earlier, history.facts]), history.verdicts)


def interval(k: int, n: int) -> str:
    """Return the exact binomial 95 % interval (Clopper and Pearson)."""
    low = 0.0 if k == 0 else float(beta.ppf(0.025, k, n - k + 1))
    high = 1.0 if k == n else float(beta.ppf(0.975, k + 1, n - k))
    return f"{k}/{n} = {k / n:.3f} ({low:.3f}-{high:.3f})"


def main() -> None:
    """Print by fault how often it was found, and how often another rule named a machine fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plants", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--physics", nargs="*", default=["plant", "casing"])
    given = parser.parse_args()
    tried, hit, fooled, days = (Counter[str]() for _ in range(4))
    alarms = 0
    for physics in (one for one in (plant, casing) if one.__name__ in given.physics):
        for seed in range(given.seed, given.seed + given.plants):
            for fault, rule, found in one_plant(physics, seed):
                names = {one.rule for one in found}
                days[fault] += 1
                machine = names - SENSORS
                fooled[fault] += bool(machine)
                alarms += bool(names & SENSORS and fault == "healthy")
                tried[fault] += bool(rule)
                hit[fault] += bool(rule) and bool(names & SENSORS)
                missed = rule and not names & SENSORS
                if missed or machine or (fault == "healthy" and names):
                    _say(fault, seed, found, missed=bool(missed))
    print(f"healthy days with a finding of a rule of sensors: {interval(alarms, days['healthy'])}")
    print("| fault | found on its first full day | days on which another rule named a fault |")
    for fault in days:
        share = interval(hit[fault], tried[fault]) if tried[fault] else "-"
        print(f"| {fault} | {share} | {interval(fooled[fault], days[fault])} |")


def _say(fault: str, seed: int, found: Iterable[Finding], *, missed: bool) -> None:
    texts = [f"{one.rule}: {one.answer.text}" for one in found]
    print(f"    {fault}, {seed}: {'MISSED ' if missed else ''}{texts}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()
