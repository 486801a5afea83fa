"""Medians and quantiles are those of numpy."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rowcall.condition.quantiles import group_medians, median, quantile, row_medians


@pytest.mark.parametrize("n", [1, 2, 3, 10, 11])
def test_quantiles_are_those_of_numpy(n: int) -> None:
    value = np.random.default_rng(n).standard_normal(n)
    for share in (0.0, 0.1, 0.25, 0.9, 1.0):
        assert quantile(value, share) == pytest.approx(np.quantile(value, share), rel=1e-12)
    assert median(value) == pytest.approx(np.median(value), rel=1e-12)


def test_quantiles_of_a_day_of_seconds_are_those_of_numpy() -> None:
    value = (np.arange(86_400) * 0.618) % 1.0
    for share in (0.1, 0.25, 0.4, 0.5, 0.75, 0.9):
        assert quantile(value, share) == pytest.approx(np.quantile(value, share), rel=1e-12)


def test_nothing_has_no_median() -> None:
    assert math.isnan(median(np.empty(0)))


def test_rows_leave_out_what_is_not_finite() -> None:
    rows = np.array([[3.0, np.nan, 1.0, 2.0], [4.0, 1.0, 2.0, 3.0], [np.nan] * 4])
    np.testing.assert_array_equal(row_medians(rows), [2.0, 2.5, np.nan])


def test_groups_may_be_of_any_sizes() -> None:
    value, starts = np.array([5.0, 1.0, 2.0, 9.0, 3.0, 4.0]), np.array([0, 1, 4])
    np.testing.assert_array_equal(group_medians(value, starts), [5.0, 2.0, 3.5])
