"""Studies, judges and reports thousands of odd baghouse-days, and sees that nothing is raised.

    python tests/soak/fuzz_signals.py [--days 10000] [--seed 1] [--first 0] [--pictured 0.02]

Not part of the test suite. Of each kind of failure, an exception or a RuntimeWarning, the first is
shown with its traceback and what repeats it; ends with 1 on any.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.odd_days.day_judge import judge_odd
from helpers.odd_days.odd_day import draw_day


def main() -> int:
    """Run the soak; return 1 where anything was raised."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--days", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0, help="number of the first day")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pictured", type=float, default=0.02, help="share that is drawn too")
    given = parser.parse_args()
    failures: Counter[str] = Counter()
    verdicts: Counter[str] = Counter()
    began = time.monotonic()
    for done, number in enumerate(range(given.first, given.first + given.days), start=1):
        rng = Random(f"{given.seed}-{number}")
        odd = draw_day(rng)
        outcome = judge_odd(odd, rng, pictured=rng.random() < given.pictured)
        verdicts.update(outcome.verdicts)
        if outcome.kind:
            failures[outcome.kind] += 1
            if failures[outcome.kind] == 1:
                repeat = (
                    f"--seed {given.seed} --first {number} --days 1 --pictured {given.pictured}"
                )
                print(f"FAILED {outcome.kind}; repeat with {repeat}\n{'; '.join(odd.what)}")
                print(outcome.failure, flush=True)
        if done % 250 == 0:
            spent = time.monotonic() - began
            print(
                f"{done} of {given.days} days, {spent:.0f} s, {failures.total()} failures",
                flush=True,
            )
    print(f"verdicts: {dict(verdicts)}")
    for kind, count in failures.most_common():
        print(f"{count:>6} x {kind}")
    print(f"{given.days} days, {failures.total()} failures")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
