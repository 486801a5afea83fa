"""How well the roll call of rows does on labelled trials of two simulators.

    python tests/benchmarks/roll_call.py [--trials 20] [--seed 1] [--processes 2]
        [--only "5 s"] [--simulator vessel] [--misses] [--table]

Not a test. For every condition of `tests/trials/conditions.py` and each simulator: recall by kind
of fault (found by the right rule at the right row), row-days with a verdict that is not theirs,
what could not be judged, and measured facts against the noise-free truth; shares with exact 95 %
intervals. A trial is one header with 6-20 rows, each a row-day. --only may be given again;
--misses names every row-day judged wrong, with its seed; --table prints instead what is known of
recoveries, of rows (63 %) and of headers (95 %), as Markdown. The time of `find_events` is wall
time, scaled to a day of 24 h: compare it only within one run.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from trials.conditions import CONDITIONS, Condition, condition_of
from trials.judging import judge_trial, known_rules
from trials.recovery import header_recovery
from trials.score import Tally, lines_of, table_line
from trials.trial import SIMULATORS, Simulator, make_trial


@dataclass(frozen=True, slots=True)
class Job:
    """The trials of one condition and simulator that one process does."""

    condition: Condition
    simulator: Simulator
    seeds: tuple[int, ...]


def run_job(job: Job) -> tuple[Tally, float]:
    """Make, judge and count trials; also the seconds that took."""
    begin, tally = time.perf_counter(), Tally()
    for seed in job.seeds:
        trial = make_trial(job.condition, job.simulator, seed)
        tally.add(trial, judge_trial(trial), header_recovery(trial))
    return tally, time.perf_counter() - begin


def jobs_of(
    conditions: Iterable[Condition], simulators: Iterable[Simulator], seeds: range, parts: int
) -> Iterator[tuple[Condition, Simulator, list[Job]]]:
    """Yield every condition and simulator with its jobs, one a process."""
    wanted = list(simulators)
    for condition in conditions:
        for simulator in wanted:
            shares = [tuple(seeds[part::parts]) for part in range(parts)]
            jobs = [Job(condition, simulator, share) for share in shares if share]
            yield condition, simulator, jobs


def report(
    condition: Condition,
    simulator: Simulator,
    results: list[tuple[Tally, float]],
    has_misses: bool,
) -> None:
    """Print one condition and simulator."""
    tally = Tally()
    for part, _ in results:
        tally.merge(part)
    took = sum(seconds for _, seconds in results)
    print(
        f"\n== {condition.name}, {simulator} ({len(tally.find_events_s)} trials of "
        f"{condition.hours:g} h, {took:.0f} s)"
    )
    for line in lines_of(tally, known_rules()) + (tally.misses if has_misses else []):
        print(f"  {line}", flush=True)


HEAD = (
    "| Condition | Simulator | Row: bias | error | covers | withheld "
    "| Header: bias | error | covers | withheld |\n"
    "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"
)


def tabulate(
    condition: Condition, simulator: Simulator, results: list[tuple[Tally, float]]
) -> None:
    """Print what is known of recoveries under one condition and simulator."""
    tally = Tally()
    for part, _ in results:
        tally.merge(part)
    cells = " | ".join(table_line(tally, name) for name in ("tau_s", "recovery_s"))
    print(f"| {condition.name} | {simulator} | {cells} |", flush=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=20, help="headers a condition and simulator")
    parser.add_argument("--seed", type=int, default=1, help="of the first trial; the rest follow")
    parser.add_argument("--only", action="append", metavar="CONDITION")
    parser.add_argument("--simulator", choices=SIMULATORS, action="append")
    parser.add_argument("--misses", action="store_true", help="name row-days judged wrong")
    parser.add_argument("--table", action="store_true", help="recoveries only, as Markdown")
    parser.add_argument("--processes", type=int, choices=(1, 2), default=1)
    options = parser.parse_args()
    try:
        conditions = [condition_of(name) for name in options.only or ()] or CONDITIONS
    except ValueError as error:
        parser.error(str(error))
    seeds = range(options.seed, options.seed + options.trials)
    work = jobs_of(conditions, options.simulator or SIMULATORS, seeds, options.processes)
    if options.table:
        print(HEAD)
    with ProcessPoolExecutor(options.processes) as pool:
        for condition, simulator, jobs in work:
            results = list(pool.map(run_job, jobs))
            if options.table:
                tabulate(condition, simulator, results)
            else:
                report(condition, simulator, results, options.misses)


if __name__ == "__main__":
    main()
