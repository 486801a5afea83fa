"""Patterns of failed bags against chance: found where planted, exact on small maps."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from itertools import combinations

import numpy as np
import pytest
from helpers.work_logs import only
from scipy.stats import permutation_test

from rowcall.bags.clusters import excess, holm, patterns_of
from rowcall.bags.lives import Bag, Seat
from rowcall.model import Work

DAY = date(2026, 3, 1)


def bag(seat: Seat, *, failed: bool = False, age_d: int = 0, zone: str = "") -> Bag:
    found = only(Work.DYE_TEST, DAY, *seat[:2], position=seat[2]) if failed else None
    since = DAY - timedelta(days=age_d) if age_d else None
    return Bag(seat, zone, since=since, sound=since, found=found)


def a_map(failed: Iterable[Seat], n_rows: int = 10, n_bags: int = 12) -> list[Bag]:
    seats = [(c, r, p) for c in (1, 2) for r in range(1, n_rows + 1) for p in range(1, n_bags + 1)]
    wanted = set(failed)
    return [bag(seat, failed=seat in wanted) for seat in seats]


def standing_out(bags: list[Bag]) -> dict[str, tuple[tuple[int, ...], ...]]:
    return {one.factor: one.places for one in patterns_of(bags) if one.stands_out}


def test_one_position_of_many_rows_stands_out() -> None:
    failed = [(1, row, 5) for row in (1, 3, 4, 8)] + [(2, 6, 5), (2, 2, 9)]
    assert standing_out(a_map(failed)) == {"position": ((5,),)}
    (pattern,) = (one for one in patterns_of(a_map(failed)) if one.factor == "position")
    assert (pattern.failed, pattern.total) == (5, 6)
    assert pattern.expected == pytest.approx(0.5)


def test_rows_and_compartments_stand_out_and_each_row_is_named() -> None:
    failed = [(1, 3, p) for p in (1, 4, 7, 8, 11)] + [(1, 8, p) for p in (2, 5, 6, 9, 12)]
    found = standing_out(a_map(failed))
    assert set(found["row"]) == {(1, 3), (1, 8)}
    assert found["compartment"] == ((1,),)
    assert "position" not in found


def test_a_compartment_of_many_failures_makes_no_pattern_of_positions_or_rows() -> None:
    rng = np.random.default_rng(3)
    failed = [(1, int(r), int(p)) for r, p in zip(rng.permutation(10) + 1, rng.permutation(10) + 1,
                                                 strict=True)]  # fmt: skip
    assert set(standing_out(a_map(failed))) == {"compartment"}


def test_rows_of_few_bags_that_fail_make_no_pattern_of_their_positions() -> None:
    short = [bag((1, r, 1), failed=r < 5) for r in range(1, 6)]
    usual = [bag((1, r, p)) for r in range(6, 11) for p in range(1, 13)]
    assert "position" not in standing_out(short + usual)


def test_inlet_and_wall_stand_out() -> None:
    for name in ("inlet side", "wall"):
        bags = [
            bag((1, r, p), failed=r == 1 and p % 2 == 0, zone=name if r <= 2 else "middle")
            for r in range(1, 11)
            for p in range(1, 13)
        ]
        (pattern,) = (one for one in patterns_of(bags) if one.factor == name)
        assert pattern.stands_out
        assert pattern.failed == 6
        assert pattern.expected == pytest.approx(1.2)


def test_young_and_old_bags_stand_out() -> None:
    for is_young, sign in ((True, 1), (False, -1)):
        bags = [
            bag((1, r, p), failed=r == 4 and p < 9 and p % 2 > 0, age_d=900 if r > 5 else 30)
            if is_young
            else bag((1, r, p), failed=r == 7 and p < 9 and p % 2 > 0, age_d=900 if r > 5 else 30)
            for r in range(1, 11)
            for p in range(1, 13)
        ]
        (pattern,) = (one for one in patterns_of(bags) if one.factor == "age")
        assert pattern.places == ((-sign,),)
        assert pattern.failed == 4


def test_two_failed_bags_are_no_pattern_and_three_of_one_position_can_be() -> None:
    assert patterns_of(a_map([(1, 1, 5), (1, 2, 5)])) == []
    assert "position" in standing_out(a_map([(1, 1, 5), (1, 2, 5), (2, 7, 5)]))


def test_the_same_map_gives_the_same_numbers() -> None:
    bags = a_map([(1, 1, 5), (1, 2, 7), (2, 2, 2)])
    assert patterns_of(bags) == patterns_of(bags)


def test_p_is_an_exact_count_on_a_tiny_map() -> None:
    """Two failures on 6 seats, groups of two: both in group 0 in 1 of the 15 ways."""
    failed, group = np.array([1, 1, 0, 0, 0, 0]), np.array([0, 0, 1, 1, 2, 2])
    score = (group[:, None] == np.arange(3)).astype(float)
    sums, expected, p = excess(failed, score, np.zeros(6, int))
    assert sums.tolist() == [2.0, 0.0, 0.0]
    assert expected == pytest.approx([2 / 3] * 3)
    ways = [score[list(hit)].sum(axis=0).max() for hit in combinations(range(6), 2)]
    exact = np.mean(np.array(ways) == 2)  # in any group: what the correction within a factor asks
    assert p[0] == pytest.approx(exact, abs=0.03)
    assert p[1] == 1.0


@pytest.mark.parametrize("seed", range(3))
def test_p_is_that_of_scipy(seed: int) -> None:
    """scipy.stats.permutation_test, pairings, on one stratum with seats that failed repeatedly."""
    rng = np.random.default_rng(seed)
    failed, score = rng.poisson(0.3, 60), rng.random(60)
    outside = permutation_test(
        (failed,), lambda x: x @ score, permutation_type="pairings", alternative="greater",
        n_resamples=4999, rng=1,
    )  # fmt: skip
    _, _, p = excess(failed, score[:, None], np.zeros(60, int))
    assert p[0] == pytest.approx(outside.pvalue, abs=0.04)


def test_failures_stay_within_their_stratum() -> None:
    """All failures of a stratum whose seats have one score: chance could change nothing."""
    failed, stratum = np.array([2, 1, 0, 0, 0]), np.array([0, 0, 0, 1, 1])
    _, expected, p = excess(failed, np.array([[1.0], [1.0], [1.0], [0.0], [0.0]]), stratum)
    assert (expected.tolist(), p.tolist()) == ([3.0], [1.0])


def test_holm_is_that_of_statsmodels() -> None:
    from statsmodels.stats.multitest import multipletests

    p = [0.03, 0.001, 0.2, 0.04, 0.9, 0.0305]
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
