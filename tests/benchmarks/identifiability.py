"""What can be known of a row from how often its header pressure is sampled, computed by trials.

    python tests/benchmarks/identifiability.py [--seeds 10] [--to FILE] [--table]

Not a test. For every sampling period, number of pulses and noise, headers of ten rows with one
silent, one faint and one drawn-out row are made by both simulators of `tests/trials`, kept as a
historian would, and run through the pipeline; counted are the faults found by their own rule
and the healthy rows of which a rule cannot judge. Writes the package data that reports quote; with
--table prints what is written there as the tables of RESULTS.md instead.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.odds_tables import as_tables
from trials.conditions import Condition
from trials.judging import judge_trial
from trials.rows import Kind, RowPlan
from trials.score import RULE_OF
from trials.trial import SIMULATORS, make_trial

from rowcall.model import Verdict
from rowcall_reports.chapters import odds

STEPS_S = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
PULSES = (20, 50, 200, 700)  # a row and day
NOISES = (0.002, 0.01)  # of span
FAULTS = (
    RowPlan(Kind.SILENT, drop_share=0.0),
    RowPlan(Kind.FAINT, drop_share=0.6),
    RowPlan(Kind.DRAWN_OUT, late_s=0.4, late_flow=0.2),
)
N_ROWS = 10
_SPREAD = 0.95  # the interval between calls is drawn from this share of what fills the day on
ABOUT = (
    "Simulated header-days of 24 h, bits on change, pressure at intervals by a 12-bit "
    "transmitter; ten rows pulsed evenly over the day, three of them faulty: silent, weak (60 % of "
    "the usual drop), closing late (by 0.4 s, at a fifth of its flow); half of them by either of "
    "two simulators of different physics, all judged with the default limits."
)


def condition_at(step_s: float, pulses: int, noise: float) -> Condition:
    """Return the condition of one cell; all cells share their draws."""
    fills_s = 86_400.0 / (N_ROWS * pulses)
    return Condition(
        name="identifiability",
        step_s=step_s,
        hours=24.0,
        noise=noise,
        interval_s=(_SPREAD * fills_s, fills_s),
        n_rows=(N_ROWS, N_ROWS),
    )


def count_cell(condition: Condition, seeds: range) -> Counter[str]:
    """Make and judge the trials of one cell."""
    counts: Counter[str] = Counter()
    for seed in seeds:
        rows = _plant(seed)
        for simulator in SIMULATORS:
            outcome = judge_trial(make_trial(condition, simulator, seed, rows))
            for number, row in enumerate(rows, start=1):
                if row.kind is not Kind.HEALTHY:
                    said = outcome.verdicts[RULE_OF[row.kind], number]
                    counts[f"found_{RULE_OF[row.kind]}"] += said is Verdict.FOUND
                    continue
                given = {plan: outcome.verdicts[RULE_OF[plan.kind], number] for plan in FAULTS}
                counts["false"] += Verdict.FOUND in given.values()
                for plan, said in given.items():
                    counts[f"unjudged_{RULE_OF[plan.kind]}"] += said is Verdict.CANNOT_TELL
    return counts


def _plant(seed: int) -> tuple[RowPlan, ...]:
    """Put the faults at drawn places."""
    rows = [*FAULTS, *[RowPlan(Kind.HEALTHY)] * (N_ROWS - len(FAULTS))]
    return tuple(rows[place] for place in np.random.default_rng(seed).permutation(N_ROWS))


def lines(seeds: range) -> Iterator[str]:
    """Yield the lines of the data file."""
    headers = len(seeds) * len(SIMULATORS)
    rules = [RULE_OF[plan.kind] for plan in FAULTS]
    yield "# Made by tests/benchmarks/identifiability.py, by trials run through the pipeline."
    yield f'about = "{ABOUT}"'
    yield f"headers = {headers} # a cell, each with one row of every fault"
    yield f"healthy = {headers * (N_ROWS - len(FAULTS))} # healthy rows a cell"
    yield "cells = ["
    for step_s in STEPS_S:
        for pulses in PULSES:
            for noise in NOISES:
                counts = count_cell(condition_at(step_s, pulses, noise), seeds)
                found, unjudged = (
                    ", ".join(f"{rule} = {counts[f'{what}_{rule}']}" for rule in rules)
                    for what in ("found", "unjudged")
                )
                yield (
                    f"  {{ step_s = {step_s}, pulses = {pulses}, noise = {noise}, "
                    f"found = {{ {found} }}, unjudged = {{ {unjudged} }}, "
                    f"false = {counts['false']} }},"
                )
    yield "]"


def main() -> None:
    """Compute and write, or print what was written."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seeds", type=int, default=10, help="headers a cell and simulator")
    parser.add_argument("--to", type=Path, default=odds.DATA_FILE)
    parser.add_argument("--table", action="store_true")
    options = parser.parse_args()
    if options.table:
        print(as_tables(odds.read_odds()))
        return
    begin, written = time.process_time(), []
    for line in lines(range(1, options.seeds + 1)):
        written.append(line)
        print(line, flush=True)
    options.to.write_text("\n".join(written) + "\n", encoding="utf-8")
    print(f"{time.process_time() - begin:.0f} s of one core", file=sys.stderr)


if __name__ == "__main__":
    main()
