"""How well all rules do on labelled trials of the compressed air, on several physics.

    python tests/benchmarks/air.py [--trials 10] [--seed 1] [--processes 2]
        [--only "1 s"] [--physics vessel] [--fault "feed 1/3"] [--misses]

Not a test. A trial is a baghouse of 2-4 headers over some days, of which the last is judged with
the others as its history; see `tests/trials/air`. For each physics and way of recording: faults
found at their place, findings where nothing is wrong (over all rules, in baghouse-days), and facts
against the noise-free truth; shares with exact 95 % intervals. --only, --physics and --fault may
be given again; --misses names every fault missed and every false finding with its seed: make that
trial alone with `trials.air.air_judging.judge_trial(seed, physics, condition, fault)`, or give
--seed, --trials 1 and the names. The time of a day is wall time: compare it within one run only.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from trials.air.air_faults import FAULTS, AirFault, fault_of
from trials.air.air_judging import PHYSICS, PhysicsName, judge_trial
from trials.air.air_keeping import AIR_CONDITIONS, AirCondition, condition_of
from trials.air.air_score import AirTally, lines_of


@dataclass(frozen=True, slots=True)
class Job:
    """All faults and ways of recording of one seed, which share their simulated days."""

    seed: int
    physics: PhysicsName
    conditions: tuple[AirCondition, ...]
    faults: tuple[AirFault, ...]


def run_job(job: Job) -> tuple[dict[str, AirTally], float]:
    """Make, judge and count the trials of one seed by condition; also the seconds that took."""
    begin, tallies = time.perf_counter(), {one.name: AirTally() for one in job.conditions}
    for fault in job.faults:
        for condition in job.conditions:
            label = f"seed {job.seed}, {job.physics}, {condition.name}, {fault.name}"
            judged = judge_trial(job.seed, job.physics, condition, fault)
            tallies[condition.name].add(judged, label)
    return tallies, time.perf_counter() - begin


def report(
    physics: str, results: Iterable[tuple[dict[str, AirTally], float]], has_misses: bool
) -> None:
    """Print one physics, condition by condition."""
    tallies: dict[str, AirTally] = {}
    seconds, n = 0.0, 0
    for parts, took_s in results:
        for condition, part in parts.items():
            tallies.setdefault(condition, AirTally()).merge(part)
        seconds, n = seconds + took_s, n + 1
        print(f"{physics}: {n} baghouses, {seconds:.0f} s", file=sys.stderr, flush=True)
    for condition, tally in tallies.items():
        print(f"\n== {physics}, {condition} ({n} baghouses)")
        for line in [*lines_of(tally), *(tally.misses if has_misses else [])]:
            print(f"  {line}", flush=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--trials", type=int, default=10, help="baghouses a physics and condition")
    parser.add_argument("--seed", type=int, default=1, help="of the first one; the rest follow")
    parser.add_argument("--only", action="append", metavar="CONDITION")
    parser.add_argument("--physics", choices=PHYSICS, action="append")
    parser.add_argument("--fault", action="append", metavar="FAULT")
    parser.add_argument("--misses", action="store_true", help="name what was judged wrong")
    parser.add_argument("--processes", type=int, choices=(1, 2), default=1)
    options = parser.parse_args()
    try:
        conditions = [condition_of(name) for name in options.only or ()] or AIR_CONDITIONS
        faults = tuple(fault_of(name) for name in options.fault or ()) or FAULTS
    except ValueError as error:
        parser.error(str(error))
    # Trials with sound days of one kind follow each other and share them.
    faults = tuple(
        sorted(faults, key=lambda fault: (fault.is_slow, fault.has_fewer, fault.days_before))
    )
    seeds = range(options.seed, options.seed + options.trials)
    print(f"seeds {seeds.start} to {seeds.stop - 1}")
    with ProcessPoolExecutor(options.processes) as pool:
        for physics in options.physics or PHYSICS:
            jobs = [Job(seed, physics, tuple(conditions), faults) for seed in seeds]
            report(physics, pool.map(run_job, jobs), options.misses)


if __name__ == "__main__":
    main()
