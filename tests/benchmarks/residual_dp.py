"""How well residual DP that rises is found, and how often the date of its limit is covered.

    python tests/benchmarks/residual_dp.py [--plants 40] [--seed 1] [--series 10]

Not a test. Plants and series come from `tests/trials/residual_dp.py`: residual drag grows by 2 % a
day from a plant's first day, its 14th or its 45th; healthy plants are asked through 120 days.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from trials.residual_dp import SETTINGS, Plant, answer_of, dates_cover, plant_of, series_of

from rowcall.model import Verdict

ONSETS = (0, 14, 45)
AHEAD = (5, 15, 40)
HEALTHY_DAYS = (7, 8, 10, 12, 15, 20, 27, 35, 50, 70, 95, 120)


def kind_of(plant: Plant) -> str:
    """Name what limits a plant: its noise, or that flow is not known."""
    if not plant.has_flow:
        return "no flow tag, weekends" if plant.weekend else "no flow tag"
    return "flow tag, noise to 1.5 %" if plant.noise < 0.015 else "flow tag, noise 1.5-3 %"


def verdict(plant: Plant, days: int, growth: float = 0.0, onset: int = 0) -> Verdict:
    """Return the verdict after so many days; where that day is missing, of the day before."""
    value, flow = series_of(plant, days, growth, onset)
    last = int(np.flatnonzero(np.isfinite(value))[-1]) + 1
    return answer_of(value[:last], flow[:last] if plant.has_flow else None).verdict


def count(seeds: range) -> Iterator[str]:
    """Yield the lines of what was found, by kind of plant."""
    found, asked = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    for seed in seeds:
        plant = plant_of(seed)
        for onset in ONSETS:
            for days in (8, 14):
                key = kind_of(plant), f"from day {onset}, by day {days}"
                asked[key] += 1
                found[key] += verdict(plant, onset + days, 0.02, onset) is Verdict.FOUND
        healthy = plant_of(seed, on_time=seed % 3 > 0)
        for days in HEALTHY_DAYS:
            key = kind_of(healthy), "healthy"
            asked[key] += 1
            found[key] += verdict(healthy, days) is Verdict.FOUND
    for key in sorted(asked):
        yield f"| {key[0]} | {key[1]} | {found[key]} of {asked[key]} |"


def cover(seeds: range) -> Iterator[str]:
    """Yield the lines of how often dates were covered, for each setting."""
    for one in SETTINGS:
        held = np.array([dates_cover(one, seed, AHEAD) for seed in seeds]).mean(axis=0)
        named = f"{one.days} d, memory {one.memory}, weekends -{one.weekly:.0f} Pa, bent {one.bent}"
        cells = (f"{line:.2f} / {level:.2f} / {late:.2f}" for line, level, late in held)
        yield f"| {named} | {' | '.join(cells)} |"


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plants", type=int, default=40)
    parser.add_argument("--series", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for line in count(range(given.seed, given.seed + given.plants)):
        print(line, flush=True)
    print("covered: line / level / open end, 5, 15 and 40 days ahead")
    if not given.series:
        return
    for line in cover(range(given.seed, given.seed + given.series)):
        print(line, flush=True)


if __name__ == "__main__":
    main()
