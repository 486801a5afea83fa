"""Which row leaks, by its puff: how often the right one leads, and how often a sound one is named.

Each trial is a signal and its pulses of a second physics (`tests/trials/dust.py`): intervals of 5
to 30 s, 8 to 24 rows, a delay of 0 to 40 s that nobody states, no, one or two stirred volumes in
the duct, load that swings, a zero and span check, ordinary puffs of a half (leaks) to 1.5 (sound)
standard deviations of one sample's noise, a third of that noise lasting 20 s. A leak's puff is 3 of
them, 100 pulses a row. Intervals are exact (Clopper and Pearson).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.dust_days import DAY, dust_day, dust_house
from helpers.scene_answers import rule
from scipy.stats import binomtest
from trials.dust import DustScene, DustTrial, simulate

from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.events.dust.checks import find_checks, outside
from rowcall.events.dust.puffs import Puffs, find_puffs
from rowcall.model import Context, Fact, FactBook, Signal, Verdict

MIXING = ((), (4.0,), (3.0, 5.0))
MONTH = 30


def drawn(rng: np.random.Generator) -> DustScene:
    """Return a scene of a random plant."""
    return DustScene(
        n_rows=int(rng.integers(8, 25)),
        interval_s=float(rng.uniform(5, 30)),
        delay_s=float(rng.uniform(0, 40)),
        mixing_s=MIXING[int(rng.integers(3))],
        rest_every=int(rng.integers(20, 60)),
    )


def puffs_of(trial: DustTrial, n_rows: int) -> Puffs:
    """Return what rowcall finds in a trial."""
    free = outside(find_checks(Signal(trial.time_s, trial.value)), trial.time_s)
    found = find_puffs(
        trial.time_s[free],
        trial.value[free],
        trial.fired_s,
        trial.row,
        n_rows,
        seconds=trial.seconds,
    )
    assert found is not None
    return found


def leak_trial(seed: Sequence[int], *, step_s: float, n_leaks: int) -> tuple[bool, bool, bool]:
    """Return whether the leaks lead, whether rivals are named, and whether all are among both."""
    rng = np.random.default_rng(seed)
    scene = drawn(rng)
    leaks = tuple(rng.choice(scene.n_rows, n_leaks, replace=False).tolist())
    scene = replace(scene, step_s=step_s, leaks=leaks)
    found = puffs_of(simulate(scene, rng), scene.n_rows)
    first = set(np.argsort(found.height)[::-1][:n_leaks].tolist())
    is_right = first == set(leaks)
    return is_right, bool(found.rivals), is_right or set(leaks) <= first | set(found.rivals)


def sound_month(seed: Sequence[int], *, step_s: float) -> tuple[bool, bool]:
    """Return whether any row was named in a month without a leak, and whether on its first day."""
    rng = np.random.default_rng(seed)
    usual = float(rng.uniform(0.0, 1.5))
    scene = replace(drawn(rng), step_s=step_s, usual_puff=usual, swing=6.0)
    days = [puffs_of(simulate(scene, rng), scene.n_rows) for _ in range(MONTH)]
    named = [_named(days[: n + 1]) for n in range(MONTH)]
    return any(named), named[0]


def _named(days: Sequence[Puffs]) -> bool:
    """Whether the rule names a row on the last of these days."""
    series: dict[tuple[Fact, tuple[int, int]], list[float]] = {
        (Fact.PUFF, (0, 0)): [float(np.median(one.height)) for one in days],
        (Fact.PUFF_DELAY_S, (0, 0)): [days[-1].delay_s],
    }
    for n in range(days[-1].height.size):
        place = (1, n + 1)
        series[Fact.PUFF, place] = [float(days[-1].height[n])]
        series[Fact.PUFF_ERROR, place] = [float(days[-1].error[n])]
        series[Fact.PUFF_P, place] = [float(one.p[n]) for one in days[-8:]]
    house = dust_house(rows_per_compartment=days[-1].height.size)
    day = dust_day(series, baghouse=house, day=DAY + timedelta(days=len(days)))
    one = rule("leaking_row")
    context = Context(
        day=day, limits=limits_in_force([one], {})[one.name], facts=FactBook(day.facts)
    )
    return any(a.verdict is Verdict.FOUND and a.subject.row for a in one.judge(context))


def share(hits: Sequence[bool]) -> str:
    """Write a share with its exact 95 % interval."""
    test = binomtest(sum(hits), len(hits)).proportion_ci(method="exact")
    return f"{sum(hits)}/{len(hits)} = {np.mean(hits):.3f} ({test.low:.3f} to {test.high:.3f})"


def main() -> None:
    """Print a line for each sampling and number of leaks, then one for sound months."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=100, help="0: none")
    parser.add_argument("--months", type=int, default=50, help="0: none")
    parser.add_argument("--seed", type=int, default=time.time_ns() % 2**31)
    parser.add_argument("--processes", type=int, default=1)
    asked = parser.parse_args()
    print(f"seed {asked.seed}")
    with ProcessPoolExecutor(asked.processes) as pool:
        for n_leaks in (1, 2) if asked.trials else ():
            for step_s in (1.0, 5.0, 10.0):
                seeds = [(asked.seed, n_leaks, int(step_s), k) for k in range(asked.trials)]
                trial = partial(leak_trial, step_s=step_s, n_leaks=n_leaks)
                right, rivals, among = zip(*pool.map(trial, seeds), strict=True)
                print(f"{n_leaks} leaking, {step_s:2.0f} s: first {share(right)}", end="")
                print(
                    f"; with candidates {share(among)}; candidates in {np.mean(rivals):.2f}",
                    flush=True,
                )
        for step_s in (1.0, 5.0, 10.0) if asked.months else ():
            seeds = [(asked.seed, 9, int(step_s), k) for k in range(asked.months)]
            months = list(pool.map(partial(sound_month, step_s=step_s), seeds))
            print(
                f"sound months, {step_s:2.0f} s: nobody named {share([not m[0] for m in months])}",
                flush=True,
            )


if __name__ == "__main__":
    main()
