"""Odd baghouse-days go through study, rules and report; `soak/fuzz_signals.py` draws thousands.

These are some whose signals once led to an exception, or to a number that came of nothing.
"""

from __future__ import annotations

from random import Random

import pytest
from helpers.odd_days.day_judge import judge_odd
from helpers.odd_days.odd_day import draw_day


@pytest.mark.parametrize(
    ("seed", "number"),
    [
        *((1, n) for n in (0, 1, 16, 18, 88, 104)),
        *((77, n) for n in (101, 118, 280, 323)),
        *((11, n) for n in (342, 1707, 1754, 2986)),
        *((27112026, n) for n in (114, 188, 221, 451, 5131)),
    ],
)
def test_an_odd_day_is_judged(seed: int, number: int) -> None:
    rng = Random(f"{seed}-{number}")
    odd = draw_day(rng)
    rng.random()  # decides about pictures in the soak
    pictured = (seed, number) == (11, 342)  # its rows have no peers to compare with
    assert judge_odd(odd, rng, pictured=pictured).failure == "", "; ".join(odd.what)
