"""How often sound months stay quiet for the rules on cooling and compartments, and leaks are found.

    python tests/benchmarks/gas_months.py [--plants 20] [--seed 1]

Not a test. Casings of three compartments by the closed form of `helpers/leak_days.py`: loads swing
by 30 % from day to day and 15 % within, weather moves the loss of heat by 3 %, ambient by 10 K.
Forty days, judged every third day from the 15th on; a leak of 8 % (all) or 10 % (one compartment)
begins on the 31st day in the second part. Rates with exact binomial intervals.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.leak_days import Plan, day_of, weeks
from helpers.scene_answers import ask
from scipy.stats import beta

from rowcall.model import Verdict

RULES = ("in_leakage", "cold_compartment", "compartments_differ")
DAYS, MIN_DAYS, EVERY, LEAK_DAY = 40, 15, 3, 30


def usual_of(seed: int) -> Plan:
    """Return a plant of its own losses and leaks."""
    rng = np.random.default_rng([seed, 3])
    loss = tuple(float(one) for one in rng.uniform(0.4, 1.6, 3))
    return Plan(loss=loss, leak=(float(rng.uniform(0, 0.05)),) * 3)


def is_found(rule: str, days: list[Plan]) -> bool:
    """Return whether a rule finds anything on the last day."""
    return any(one.verdict is Verdict.FOUND for one in ask(rule, day_of(days)).values())


def rate(k: int, n: int) -> str:
    """Return a rate with its exact 95 % interval."""
    low = beta.ppf(0.025, k, n - k + 1) if k else 0.0
    high = beta.ppf(0.975, k + 1, n - k) if k < n else 1.0
    return f"{k} of {n} ({low:.3f} to {high:.3f})"


def main() -> None:
    """Print a line for each rule."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plants", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    seeds = range(given.seed, given.seed + given.plants)
    for rule in RULES:
        quiet = sum(
            not any(
                is_found(rule, weeks(n, usual=usual_of(seed), seed=seed))
                for n in range(MIN_DAYS, DAYS + 1, EVERY)
            )
            for seed in seeds
        )
        print(f"| {rule} | sound months quiet: {rate(quiet, given.plants)} |", flush=True)
    for rule, leak in (("in_leakage", (0.08,) * 3), ("cold_compartment", (0.1, 0.0, 0.0))):
        hit = 0
        for seed in seeds:
            usual = usual_of(seed)
            added = tuple(own + more for own, more in zip(usual.leak, leak, strict=True))
            days = weeks(LEAK_DAY + 3, since=LEAK_DAY, usual=usual, seed=seed, leak=added)
            hit += is_found(rule, days)
        print(f"| {rule} | leak found by its third day: {rate(hit, given.plants)} |", flush=True)


if __name__ == "__main__":
    main()
