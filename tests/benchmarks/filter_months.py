"""How often blinding is found, and sound months stay quiet, over many plants of two physics.

    python tests/benchmarks/filter_months.py [--plants 100] [--seed 1] [--physics casing]

Not a test. Plants as `trials/months.py`: load swings of 30 %, products (dust times e^-0.4 to e^0.4,
every three days another) and seasons in all of them; cloth that grows by 15 % over 30 days from the
11th day on in half. Judged every second day from the 14th on, by the rules on facts of DP by day.
Rates with exact binomial intervals (Clopper and Pearson).
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path
from time import process_time
from typing import get_args

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.blinding import LAST, by_fact
from helpers.daily_facts import answer_by_days
from helpers.scenes import kiln, site_of
from scipy.stats import beta
from trials.months import ROWS, Facts, Physics, Plants, months

from rowcall.model import Verdict
from rowcall.site import Baghouse
from rowcall_plant import CleaningPlan, site_text, tag_list
from rowcall_rules.filter import blinding, dp_fell, rising_residual_dp

MIN_DAYS, ONSET, GROWN_DAYS = 14, 10, 30
GROWTH = 1.15 ** (1 / GROWN_DAYS) - 1
EVERY = 2  # days
MODES = ("on_demand", "on_time")
RULES = ("rising_residual_dp", "blinding", "dp_fell")


def house_of(mode: str) -> Baghouse:
    """Return the baghouse that the plants stand for."""
    cleaning = CleaningPlan(
        mode=mode,  # type: ignore[arg-type]
        interval_s=15.0 if mode == "on_demand" else 60.0,
    )
    plan = kiln(rows=(ROWS,), cleaning=cleaning)
    return site_of(site_text("Plant", [(plan, tag_list(plan, 100, rows_by="solenoid"))]))


def found_on(house: Baghouse, days: list[Facts], until_found: bool) -> dict[str, list[int]]:
    """Return the days, from 1, on which each rule finds something."""
    found: dict[str, list[int]] = {rule: [] for rule in RULES}
    for n in range(MIN_DAYS, len(days) + 1, EVERY):
        if not days[n - 1] or (until_found and any(found.values())):
            continue
        series = by_fact(days[:n])
        dp = answer_by_days(rising_residual_dp.RULE, house, series, LAST)
        cloth = answer_by_days(blinding.RULE, house, series, LAST, {RULES[0]: (dp,)})
        fell = answer_by_days(dp_fell.RULE, house, series, LAST)
        for rule, answer in zip(found, (dp, cloth, fell), strict=True):
            if answer.verdict is Verdict.FOUND:
                found[rule].append(n)
    return found


def interval(k: int, n: int) -> str:
    """Return a rate with its exact 95 % interval."""
    low = beta.ppf(0.025, k, n - k + 1) if k else 0.0
    high = beta.ppf(0.975, k + 1, n - k) if k < n else 1.0
    return f"{k} of {n} ({low:.3f} to {high:.3f})"


def main() -> None:
    """Print a line for each physics, mode and kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plants", type=int, default=100, help="of each mode and kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--physics", choices=get_args(Physics), nargs="*", default=get_args(Physics)
    )
    given = parser.parse_args()
    for physics in given.physics:
        for growth in (0.0, GROWTH):
            plants = Plants(physics, given.seed, 2 * given.plants, growth=growth, onset=ONSET)
            begun = process_time()
            by_day = list(months(plants, ONSET + GROWN_DAYS))
            made_s = process_time() - begun
            for mode in (0, 1):
                _print(physics, mode, growth, by_day)
            print(f"({made_s:.0f} CPU-s to make, {process_time() - begun - made_s:.0f} to judge)")


def _print(physics: str, mode: int, growth: float, by_day: list[list[Facts]]) -> None:
    house, n_plants = house_of(MODES[mode]), len(by_day[0]) // 2
    each = [
        found_on(house, [day[2 * p + mode] for day in by_day], growth > 0) for p in range(n_plants)
    ]
    if growth:
        firsts = [min((*one[RULES[0]], *one["blinding"]), default=99) - ONSET for one in each]
        n_found = sum(first <= GROWN_DAYS for first in firsts)
        middle = sorted(firsts)[n_plants // 2]
        text = f"grown: found {interval(n_found, n_plants)}, half of them by day {middle}"
    else:
        quiet = sum(not any(one.values()) for one in each)
        days = Counter(rule for one in each for rule, on in one.items() for _ in on)
        n_days = n_plants * len(range(MIN_DAYS, len(by_day) + 1, EVERY))
        text = f"sound: quiet {interval(quiet, n_plants)}; {dict(days)} of {n_days} days"
    print(f"| {physics} | {MODES[mode]} | {text} |", flush=True)


if __name__ == "__main__":
    main()
