"""A series at the median of what drives it."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.diagnosis.dp_series import at_median_of


def test_what_a_driver_makes_of_a_series_is_taken_out() -> None:
    driver = np.random.default_rng(1).uniform(5.0, 15.0, 60)
    steady = at_median_of(100.0 + driver, driver)
    assert steady == pytest.approx(100.0 + np.median(driver), abs=0.5)


@pytest.mark.parametrize("value", [0.0, 40.0])
def test_where_nothing_differs_a_series_stays_as_it_is(value: float) -> None:
    series = np.full(5, value)
    assert at_median_of(series, np.full(5, 3.0)).tolist() == series.tolist()
