"""How well blinding of the cloth is found, under either cleaning mode, on two physics.

    python tests/benchmarks/filter.py [--plants 2] [--seed 1]

Not a test. A plant runs for 40 days with noise of 8 Pa, load swings of about 30 % and flow known:
healthy with products (dust times e^-0.4 to e^0.4, every three days another) and seasons; cloth that
grows by 15 % over 30 days from day 10 on; a step of 15 % on day 25. Physics: that of
`rowcall_plant`, and `tests/trials/casing.py`, which shares no formula with it.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.blinding import LAST, answer_of, by_fact
from helpers.scenes import kiln, site_of
from trials.casing import DAY_S, Casing, casing_days

from rowcall.condition.state import State
from rowcall.events.cycles import find_cycles
from rowcall.events.facts.daily import dp_facts
from rowcall.model import Fact, Floats, Signal, Verdict
from rowcall.site import Baghouse, Role
from rowcall_plant import CleaningPlan, site_text, tag_list
from rowcall_plant.fault_book import FaultBook
from rowcall_plant.physics.cleaning import CleaningState, clean_day, dp_at_seconds, drive_of
from rowcall_plant.physics.gas import gas_day
from rowcall_plant.scene import Scene

Mode = Literal["on_demand", "on_time"]
MIN_DAYS, DAYS, ONSET, STEP_DAY = 14, 40, 10, 25
GROWTH = 1.15 ** (1 / 30) - 1
NOISE_PA = 8.0
MODES: tuple[Mode, ...] = ("on_demand", "on_time")
KINDS = ("healthy", "slow", "step")
FIRST = datetime(2026, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Day:
    """What a day's signals are, from its start; shape (n,) and (pulses,)."""

    at_s: Floats
    dp: Floats
    flow: Floats
    inlet_c: Floats
    pulse_s: Floats
    pulse_row: Floats


def cloth_factor(kind: str, day: int) -> float:
    """Return clean cloth's drag over that of the first day."""
    if kind == "slow":
        return (1 + GROWTH) ** max(day - ONSET, 0)
    return 1.15 if kind == "step" and day >= STEP_DAY else 1.0


def casing(mode: Mode, kind: str, seed: int) -> Iterator[Day]:
    """Yield the days of the second physics; slow growth there starts on the first day."""
    plan = Casing(
        seed=seed,
        mode=mode,
        interval=15.0 if mode == "on_demand" else 60.0,
        load_swing=0.4,
        product_swing=0.4 if kind == "healthy" else 0.1,
        season=1.0 if kind == "healthy" else 0.0,
        growth=GROWTH if kind == "slow" else 0.0,
        step=0.15 if kind == "step" else 0.0,
        step_day=STEP_DAY,
    )
    for number, day in enumerate(casing_days(plan, DAYS)):
        first = number * DAY_S
        yield Day(
            day.at_s - first, day.dp, day.flow, day.inlet_c, day.pulse_s - first, day.pulse_row
        )


def plant(mode: Mode, kind: str, seed: int) -> Iterator[Day]:
    """Yield the days of `rowcall_plant`, without its headers."""
    rng = np.random.default_rng(seed)
    base = kiln(
        rows=(12,), cleaning=CleaningPlan(mode=mode, interval_s=10 if mode == "on_demand" else 60)
    )
    product = np.repeat(rng.uniform(-1, 1, DAYS), 3)[:DAYS] * (0.4 if kind == "healthy" else 0.1)
    loads = 0.9 - 0.12 * (np.arange(DAYS) % 7 >= 5) + rng.uniform(-0.08, 0.08, DAYS)
    state: CleaningState | None = None
    for day in range(DAYS):
        season = 12.0 * np.sin(2 * np.pi * day / 365) if kind == "healthy" else 0.0
        gas = replace(base.gas, load_frac=loads[day], daily_load_frac=0.15, inlet_c=150.0 + season)
        drag = base.fabric.residual_drag_pa_s_m * cloth_factor(kind, day)
        dust = base.fabric.dust_load_kg_m3 * float(np.exp(product[day]))
        cloth = replace(base.fabric, residual_drag_pa_s_m=drag, dust_load_kg_m3=dust)
        scene = Scene(
            replace(base, gas=gas, fabric=cloth), FaultBook((), base.time_zone), seed, day
        )
        made, state = _plant_day(scene, FIRST.timestamp() + day * DAY_S, state)
        yield made


def _plant_day(
    scene: Scene, first_s: float, state: CleaningState | None
) -> tuple[Day, CleaningState]:
    with_end = gas_day(scene, first_s + np.arange(DAY_S + 1.0))
    drive = drive_of(scene, with_end)
    if state is None:
        rows = len(scene.plan.rows)
        state = CleaningState(
            np.full(rows, 0.1), 0, first_s, scene.plan.cleaning.mode == "on_time", 0
        )
    cleaning = clean_day(scene, drive, state)
    dp = dp_at_seconds(drive, cleaning)
    every = slice(0, DAY_S, 5)
    at_s = with_end.unix_s[every] - first_s
    # Viscosity is that of the plan's own temperature: put back what the plan takes as usual.
    kelvin = (scene.plan.gas.inlet_c + 273.15) / (150.0 + 273.15)
    day = Day(
        at_s,
        dp[every] * kelvin**0.7,
        with_end.flow_m3_s[every],
        with_end.inlet_c[every],
        cleaning.call_s - first_s,
        cleaning.row_index + 1.0,
    )
    return day, cleaning.state


def facts_of(house: Baghouse, day: Day, rng: np.random.Generator) -> dict[Fact, float]:
    """Return the facts of DP that rowcall finds in a day."""
    minute = (day.at_s // 60).astype(int)
    n = np.bincount(minute, minlength=1440)
    means = {
        "gas_flow_m3_s": np.bincount(minute, day.flow, 1440) / n,
        "inlet_temperature_c": np.bincount(minute, day.inlet_c, 1440) / n,
    }
    minutes = pl.DataFrame(
        {
            "minute": np.arange(1440),
            **means,
            "on_line_frac": np.ones(1440),
            "state": [State.RUNNING.value] * 1440,
        }
    )
    dp = Signal(day.at_s, day.dp + rng.normal(0, NOISE_PA, day.dp.size))
    pulses = pl.DataFrame(
        {
            "time_s": day.pulse_s,
            "compartment": np.ones(day.pulse_s.size, int),
            "row": day.pulse_row.astype(int),
        }
    )
    cycles = find_cycles(house, {(Role.DP, 0, 0): dp}, pulses, minutes)
    lines = dp_facts(house, dp, minutes, cycles, pulses)
    return {fact: float(value) for _, _, fact, value in lines if isinstance(value, (int, float))}


def house_of(mode: Mode) -> Baghouse:
    """Return the baghouse that both physics stand for: twelve rows."""
    plan = kiln(
        rows=(12,),
        cleaning=CleaningPlan(mode=mode, interval_s=15.0 if mode == "on_demand" else 60.0),
    )
    return site_of(site_text("Plant", [(plan, tag_list(plan, 100, rows_by="solenoid"))]))


def main() -> None:
    """Print days found, the number of days known when found first, and errors of a step's date."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plants", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for physics in (plant, casing):
        for mode in MODES:
            for kind in KINDS:
                print(
                    _line(physics, mode, kind, range(given.seed, given.seed + given.plants)),
                    flush=True,
                )


def _line(
    physics: Callable[[Mode, str, int], Iterator[Day]], mode: Mode, kind: str, seeds: range
) -> str:
    house, firsts, errors, n_found = house_of(mode), [], [], 0
    for seed in seeds:
        rng = np.random.default_rng([seed, 9])
        facts = [facts_of(house, day, rng) for day in physics(mode, kind, seed)]
        found = [n for n in range(MIN_DAYS, DAYS + 1) if _start(house, facts[:n]) is not None]
        n_found += len(found)
        firsts.append(found[0] if found else None)
        if kind == "step" and found and (start := _start(house, facts[: found[0]])) is not None:
            errors.append(found[0] - 1 + start - STEP_DAY)
    cells = (physics.__name__, mode, kind, n_found, firsts, errors)
    return f"| {' | '.join(map(str, cells))} |"


def _start(house: Baghouse, facts: list[dict[Fact, float]]) -> int | None:
    """Return since what day blinding is found, counted from the last one; None where it is not."""
    answer = answer_of(house, by_fact(facts))
    if answer.verdict is not Verdict.FOUND or answer.start is None:
        return None
    return (answer.start.date() - LAST).days


if __name__ == "__main__":
    main()
