"""How often intervals of bag life and spares hold what they should, and patterns of maps are true.

    python tests/benchmarks/bag_life.py [--plants 200] [--maps 200] [--seed 1]

Not a test. Bags of known Weibull lives are looked at once or twice a year for some years; those
found failed are renewed. The number that fails until the next outage is drawn from the same lives.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from scipy.stats import weibull_min

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.work_logs import only

from rowcall.bags.clusters import patterns_of
from rowcall.bags.lives import Bag, Seat
from rowcall.bags.spares import spares_for
from rowcall.bags.survival import Estimate, fit, lives_of
from rowcall.model import Work

START = date(2020, 1, 1)
SHAPES, LOOK_DAYS = (0.8, 1.5, 3.0, 5.0), (180, 365)
FEW = 10  # failures up to which a plant counts as one of few


def plant_of(rng: np.random.Generator, shape: float, every: int) -> tuple[list[Bag], float, int]:
    """Return the bags of a plant, the scale of their lives [d], and the failures to come."""
    n, n_looks = int(rng.integers(60, 400)), int(rng.integers(3, 9))
    # Such a scale that a few to a fifth of the bags fail.
    scale = n_looks * every / (-np.log1p(-rng.uniform(0.01, 0.2))) ** (1 / shape)
    bags, to_come = list[Bag](), 0
    for position in range(1, n + 1):
        since, end = 0, 0.0
        for look in range(1, n_looks + 2):
            end = end or since + max(1.0, scale * rng.weibull(shape))
            if end > look * every:
                continue
            if look > n_looks:
                to_come += 1
                continue
            bags.append(_bag(position, since, (look - 1) * every, look * every))
            since, end = look * every, 0.0
        bags.append(_bag(position, since, n_looks * every))
    return bags, scale, to_come


def _bag(position: int, since: int, sound: int, found: int = 0) -> Bag:
    put_in, seen, end = (START + timedelta(days=days) for days in (since, sound, found))
    entry = only(Work.DYE_TEST, end, 1, 1, position=position) if found else None
    until = end if found else None
    return Bag((1, 1, position), "", None, put_in, max(put_in, seen), entry, until)


def covers(estimate: Estimate, truth: float) -> bool:
    """Return whether an interval holds the truth; an open end holds all beyond it."""
    low = -np.inf if estimate.low is None else estimate.low
    return bool(low <= truth <= (np.inf if estimate.high is None else estimate.high))


def count(n_plants: int, seed: int) -> Iterator[str]:
    """Yield a line for each kind of plant."""
    held, asked = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    for number in range(n_plants):
        rng = np.random.default_rng((seed, number))
        shape, every = SHAPES[number % 4], LOOK_DAYS[number // 4 % 2]
        bags, scale, to_come = plant_of(rng, shape, every)
        model = fit(lives_of(bags))
        if model is None:
            continue
        few = "5-10 failed" if len(model.lives.found) <= FEW else "more than 10 failed"
        last = max(bag.sound for bag in bags if bag.sound)
        (spares,) = spares_for(bags, model, [last + timedelta(days=every)])
        checks = {
            "shape": covers(model.shape_interval, shape),
            "10 % failed": covers(model.quantile(0.1), _age(0.1, shape, scale)),
            "half failed": covers(model.quantile(0.5), _age(0.5, shape, scale)),
            "spares": spares.low <= to_come <= spares.high,
        }
        for name, is_held in checks.items():
            asked[few, name] += 1
            held[few, name] += is_held
    for key in sorted(asked):
        yield f"| {' | '.join(key)} | {held[key]} of {asked[key]} | {held[key] / asked[key]:.0%} |"


def maps(n_maps: int, seed: int) -> Iterator[str]:
    """Yield how often a pattern stands out of maps of 24 rows of 14 bags, with and without one."""
    for n_failed, share in ((5, 0.0), (15, 0.0), (40, 0.0), (8, 0.5), (15, 0.3), (15, 0.5)):
        n_found = 0
        for number in range(n_maps):
            rng = np.random.default_rng((seed, number))
            seats = [(c, r, p) for c in (1, 2) for r in range(1, 13) for p in range(1, 15)]
            weight = np.array([share * 13 / (1 - share) if p == 5 else 1.0 for *_, p in seats])
            weight = np.ones(len(seats)) if not share else weight
            failed = rng.choice(len(seats), n_failed, replace=False, p=weight / weight.sum())
            bags = [_found(seat) if n in failed else Bag(seat) for n, seat in enumerate(seats)]
            wanted = "position" if share else ""
            n_found += any(one.stands_out and wanted in one.factor for one in patterns_of(bags))
        what = f"{share:.0%} of them at one position" if share else "no pattern"
        yield f"| {n_failed} failed, {what} | {n_found} of {n_maps} |"


def _found(seat: Seat) -> Bag:
    return Bag(seat, found=only(Work.DYE_TEST, START, *seat[:2], position=seat[2]), until=START)


def _age(share: float, shape: float, scale: float) -> float:
    return float(weibull_min.ppf(share, shape, scale=scale))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plants", type=int, default=200)
    parser.add_argument("--maps", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if options.maps:
        print("| map | a pattern stands out |\n| --- | --- |")
        for line in maps(options.maps, options.seed):
            print(line, flush=True)
    print("| failures | interval of | holds | |\n| --- | --- | --- | --- |")
    for line in count(options.plants, options.seed):
        print(line, flush=True)


if __name__ == "__main__":
    main()
