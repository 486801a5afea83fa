"""How well rows are found from header pressure alone: recall and false alarms by condition.

Prints, for each way of cleaning and of sampling, over `--days` seeds: days with a train found, days
whose silent places are exactly the true ones, days with a false silent place, days with an anchor
and among them those with at least 95 % of the rows right, median share of places right, median
and worst count of calls too many, and the time a day takes. Not a test; --healthy runs only
healthy rows.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests
from helpers.cadence.cadence_score import score
from helpers.cadence.trains import Line, Sampling, train

from rowcall.events.firing.cadence.sequence import find_cadence

ORDER = (1, 4, 7, 10, 2, 5, 8, 11, 3, 6, 9, 12)
LINES = {
    "endless": Line(),
    "anew": Line(after_rest="first"),
    "anew, whole rounds": Line(after_rest="first", passes=(1, 1)),
    "carries on": Line(after_rest="next"),
    "carries on, short rests": Line(after_rest="next", rest_s=(30, 100)),
    "anywhere": Line(after_rest="any"),
    "restarts": Line(jumps=6),
    "interval +-30 %": Line(drift_frac=0.3),
    "interval 6 s": Line(interval_s=6.0),
    "interval 20 s": Line(interval_s=20.0),
}
HARD = Sampling(noise_frac=0.01, wander_frac=0.1, missing_frac=0.1)
SAMPLINGS = {
    "1 s": Sampling(),
    "1 s hard": HARD,
    "1 s hard gaps": replace(HARD, missing_frac=0.05, gaps=8, gap_s=540.0),
    "0.2 s hard": replace(HARD, step_s=0.2),
    "2 s": Sampling(step_s=2.0),
    "2 s hard": replace(HARD, step_s=2.0),
    "5 s": Sampling(step_s=5.0),
}


def main() -> None:
    """Run the chosen conditions and print a line for each."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--days", type=int, default=20)
    ask.add_argument("--healthy", action="store_true")
    ask.add_argument("--silent", type=int, default=1, help="silent rows a day")
    ask.add_argument("--sampling", choices=SAMPLINGS, action="append")
    ask.add_argument("--line", choices=LINES, action="append")
    given = ask.parse_args()
    print(f"{'cleaning':24}{'sampling':14} found exact false anchor rows place  dn med/max  ms")
    for name in given.line or LINES:
        for how in given.sampling or SAMPLINGS:
            n_silent = 0 if given.healthy else given.silent
            print(f"{name:24}{how:14} {measured(name, how, given.days, n_silent)}", flush=True)


def measured(name: str, how: str, days: int, n_silent: int) -> str:
    """Return the scores of one condition as text."""
    found, exact, false, anchored, rows, places, more, spent = 0, 0, 0, 0, 0, [], [], []
    for seed in range(days):
        rng = np.random.default_rng(10_000 + seed)
        silent = tuple(sorted((rng.permutation(12)[:n_silent] + 1).tolist()))
        day = train(replace(LINES[name], silent=silent), SAMPLINGS[how], seed)
        begin = time.perf_counter()
        cadence = find_cadence(day.header, 12, order=ORDER, interval_s=LINES[name].interval_s)
        spent.append(1e3 * (time.perf_counter() - begin))
        if not cadence.is_found:
            continue
        found += 1
        one = score(day, cadence, 12, ORDER)
        exact += one.silent == silent
        false += not set(one.silent) <= set(silent)
        anchored += cadence.anchor != "none"
        rows += one.row_share >= 0.95
        places.append(one.place_share)
        more.append(one.n_more)
    if not found:
        return f"{found:5}   (last: {cadence.reason})"
    worst = max(more, key=abs)
    return (
        f"{found:5} {exact:5} {false:5} {anchored:6} {rows:4} {np.median(places):5.3f}"
        f" {np.median(more):6.0f} {worst:6} {np.median(spent):5.0f}"
    )


if __name__ == "__main__":
    main()
