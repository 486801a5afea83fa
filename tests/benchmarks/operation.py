"""How near minutes of cold gas in starts, and set points as found, come to the truth.

    python tests/benchmarks/operation.py [--days 40] [--seed 1] [--only starts] [--misses]

Not a test. Days of `tests/trials/operating` by two physics, each recorded in several ways. Aims:
minutes below the water and the acid dew point plus margin within 1 minute; DP at which cleaning
starts and stops within 2 % of the band between them. Shares with exact 95 % intervals.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.gas_days import gas_day
from helpers.scene_answers import ask, value_of
from trials.operating import demand, starts
from trials.operating.recorded import Way
from trials.score import share_words

from rowcall.model import Fact, Floats

STARTS = (
    Way("1 s", 1),
    Way("1 s, noise 1 K, whole degrees", 1, noise=3.0, is_coarse=True),
    Way("1 s, dead-band", 1, "dead-band"),
    Way("1 s, swinging door", 1, "swinging door"),
    Way("60 s", 60),
    Way("60 s, noise 1 K, whole degrees", 60, noise=3.0, is_coarse=True),
    Way("60 s, dead-band", 60, "dead-band"),
)
DEMAND = (
    Way("1 s", 1),
    Way("1 s, digits of 10 Pa", 1, is_coarse=True),
    Way("1 s, dead-band", 1, "dead-band"),
    Way("1 s, swinging door", 1, "swinging door"),
    Way("5 s", 5),
    Way("5 s, digits of 10 Pa", 5, is_coarse=True),
    Way("5 s, dead-band", 5, "dead-band"),
    Way("10 s", 10),
    Way("10 s, digits of 10 Pa", 10, is_coarse=True),
    Way("60 s", 60),
)
AIMS = {
    **dict.fromkeys(("water", "acid", "water + margin", "acid + margin"), 1.0),  # [min]
    **dict.fromkeys(("start", "stop"), 0.02),  # of the band
    "interval": 0.01,
}
Errors = dict[str, float]
Row = tuple[str, Errors]


def start_errors(plan: starts.StartPlan, day: starts.StartDay, way: Way) -> Errors:
    """Return errors [min], by what they are of; nan where it is withheld, inf where missed."""
    made = gas_day(starts.house_of(plan), starts.signals_of(plan, day, way))
    # What thins or spaces points is known to the gate; none is missing.
    step_s = float(way.step_s)
    health = tuple(replace(one, coverage_frac=1.0, step_s=step_s) for one in made.health)
    made = replace(made, health=health)
    found = made.starts.filter(kind="start")
    if found.height != 1 or abs(found["begin_s"][0] - day.begin_s(plan)) > 300:
        return dict.fromkeys(("water", "acid", "water + margin", "acid + margin"), np.inf)
    limits_c = {
        "water": starts.water_c(plan.moisture),
        "acid": starts.acid_c(plan.moisture, plan.so3),
    }
    margins = {"water": plan.water_margin_k, "acid": plan.acid_margin_k}
    stated = {f"{name}_margin": f"{margin:.6f} K{{difference}}" for name, margin in margins.items()}
    (answer,) = ask("dew_point", made, stated).values()
    errors: Errors = {}
    for name, limit_c in limits_c.items():
        seen = found[f"{name}_s"][0]
        errors[name] = np.nan if seen is None else (seen - day.cold_s(plan, limit_c)) / 60
        truth_s = day.cold_s(plan, limit_c + margins[name])
        has = any(one.name == f"below_{name}_start" for one in answer.values)
        seen_s = value_of(answer, f"below_{name}_start") if has else np.nan
        errors[f"{name} + margin"] = (seen_s - truth_s) / 60
    return errors


def demand_errors(plan: demand.DemandPlan, day: demand.DemandDay, way: Way) -> Errors:
    """Return errors over the band, and of the interval over itself; nan where it is withheld."""
    found = demand.facts_of(plan, day, way)
    start, stop, interval_s = (
        found.get(fact, np.nan) for fact in (Fact.START_DP_PA, Fact.STOP_DP_PA, Fact.ROW_INTERVAL_S)
    )
    return {
        "start": (start - plan.start_pa) / plan.band_pa,
        "stop": (stop - plan.stop_pa) / plan.band_pa,
        "interval": interval_s / plan.interval_s - 1,
    }


def of_starts(physics: Callable[[starts.StartPlan], starts.StartDay], seed: int) -> Iterator[Row]:
    """Yield the errors of one day in each way of keeping it."""
    plan = starts.start_plan(seed)
    day = physics(plan)
    for way in STARTS:
        yield way.name, start_errors(plan, day, way)


def of_demand(physics: Callable[[demand.DemandPlan], demand.DemandDay], seed: int) -> Iterator[Row]:
    """Yield the errors of one day in each way of keeping it."""
    plan = demand.demand_plan(seed)
    day = physics(plan)
    for way in DEMAND:
        yield way.name, demand_errors(plan, day, way)


def line(physics: str, way: str, name: str, each: Floats) -> str:
    """Return a table's line: errors of one kind, (n,), inf where missed, nan where withheld."""
    known = each[np.isfinite(each)]
    cells = [physics, way, name]
    if known.size:
        middle, most = np.quantile(np.abs(known), (0.5, 0.95))
        cells += [f"{np.median(known):+.3f}", f"{middle:.3f}", f"{most:.3f}"]
    else:
        cells += ["", "", ""]
    inside = int((np.abs(known) <= AIMS[name]).sum())
    missed, withheld = int(np.isinf(each).sum()), int(np.isnan(each).sum())
    return (
        "| "
        + " | ".join((*cells, share_words(inside, known.size), f"{missed}", f"{withheld}"))
        + " |"
    )


def main() -> None:
    """Print a line for each physics, way and quantity."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=("starts", "set points"))
    parser.add_argument("--misses", action="store_true", help="print the days out of the aim")
    given = parser.parse_args()
    studies: list[tuple[str, str, Callable[[int], Iterator[Row]]]] = []
    for made in (starts.plant, starts.casing):
        studies.append(("starts", made.__name__, partial(of_starts, made)))
    for day_of in (demand.plant, demand.casing):
        studies.append(("set points", day_of.__name__, partial(of_demand, day_of)))
    print(
        "| physics | kept | of | bias | median error | 95 % | within the aim | missed | withheld |"
    )
    for topic, physics, study in studies:
        if given.only in (None, topic):
            seeds = range(given.seed, given.seed + given.days)
            _print(physics, {seed: dict(study(seed)) for seed in seeds}, has_misses=given.misses)


def _print(physics: str, days: Mapping[int, Mapping[str, Errors]], *, has_misses: bool) -> None:
    for way, first in next(iter(days.values())).items():
        for name in first:
            each = {seed: day[way][name] for seed, day in days.items()}
            print(line(physics, way, name, np.array(list(each.values()))), flush=True)
            if has_misses:
                off = {seed: f"{e:+.2f}" for seed, e in each.items() if abs(e) > AIMS[name]}
                print(f"    {off}")


if __name__ == "__main__":
    main()
