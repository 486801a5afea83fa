"""How often header tags of compartments mixed up are found, and what else is named of them.

    python tests/benchmarks/swapped_headers.py [--trials 4] [--seed 1]

Not a test. A trial is a baghouse of 2-4 headers of `tests/trials/air`, sound or slow: five sound
days, one on which the headers of two compartments (of all, in two trials of four) stand in each
other's places, and one on which they are right again.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from itertools import product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from trials.air.air_day import AirDay
from trials.air.air_faults import DAY_S, fault_of
from trials.air.air_judging import PHYSICS, Answers, Past, PhysicsName, next_day
from trials.air.air_keeping import AirCondition, condition_of, header_tag, keep_day
from trials.air.air_plan import draw_plan
from trials.score import share_words

from rowcall.model import Verdict
from rowcall.store.samples import TagSamples

RULE, N_SOUND = "headers_swapped", 5
CONDITIONS = ("1 s", "5 s", "1 s dead-band", "5 s dead-band")
SOUND = ("none", "none, slow headers")


def turned(air: AirDay, condition: AirCondition, *, turn: Sequence[int]) -> dict[str, TagSamples]:
    """Return a day's samples with the header of each compartment in the place of the one before."""
    samples = keep_day(air, condition)
    after = (*turn[1:], *turn[:1])
    return samples | {
        header_tag(at): samples[header_tag(of)] for at, of in zip(turn, after, strict=True)
    }


def judged_days(seed: int, physics: PhysicsName, condition: AirCondition) -> tuple[Past, set[int]]:
    """Return all days of a trial, and the compartments that were mixed up on the last but one."""
    plan = draw_plan(seed, fault_of(SOUND[seed % 2]), N_SOUND + 2)
    turn = range(1, (plan.compartments if seed // 2 % 2 else 2) + 1)
    past = Past()
    for day in range(N_SOUND + 2):
        air = PHYSICS[physics](plan, (DAY_S * day, DAY_S * (day + 1)))
        is_off = day == N_SOUND
        past = next_day(past, air, condition, partial(turned, turn=turn) if is_off else keep_day)
    return past, set(turn)


def named(answers: Answers) -> Iterator[tuple[str, int]]:
    """Yield rule and compartment of every finding."""
    for (rule, subject), answer in answers.items():
        if answer.verdict is Verdict.FOUND:
            yield rule, subject.compartment


def run(seeds: Sequence[int], physics: PhysicsName, condition: AirCondition) -> Mapping[str, int]:
    """Count the baghouse-days of some trials."""
    count = Counter[str]()
    for seed in seeds:
        past, turn = judged_days(seed, physics, condition)
        *sound, off, after = (set(named(answers)) for answers in past.answers)
        count["found"] += {(RULE, one) for one in turn} <= off
        others = off - {(RULE, one) for one in turn}
        count["others named"] += bool(others)
        count["sound, found"] += sum(any(rule == RULE for rule, _ in day) for day in sound)
        count["put right, anything found"] += bool(after)
        for rule, place in {*others, *after}:
            print(f"  seed {seed}, {physics}, {condition.name}: {rule} of compartment {place}")
    return count


def main() -> None:
    """Run all physics and ways of recording."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    seeds, total = range(asked.seed, asked.seed + asked.trials), Counter[str]()
    for physics, name in product(PHYSICS, CONDITIONS):
        count = run(seeds, physics, condition_of(name))
        total.update(count)
        print(f"{physics:7}{name:14}" + ", ".join(f"{k} {n}" for k, n in count.items()), flush=True)
    n_trials = len(seeds) * len(PHYSICS) * len(CONDITIONS)
    for what, n in total.items():
        print(what, share_words(n, n_trials * (N_SOUND if what.startswith("sound") else 1)))


if __name__ == "__main__":
    main()
