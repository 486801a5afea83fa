"""Stacked puffs as pictures and other systems have them."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.events.dust.day_dust import DayPuffs
from rowcall.events.dust.puffs import Puffs
from rowcall.site import Role


def table_of(*heights: float) -> list[float]:
    """Return the usual puff beside each row's, for rows of two times each."""
    stacked = np.outer(heights, [1.0, 0.5])
    one = np.ones(len(heights))
    puffs = Puffs(
        height=one,
        error=one,
        p=one,
        rivals=(),
        delay_s=2.0,
        width_s=4.0,
        shape=np.ones(2),
        since_s=np.array([1.0, 3.0]),
        stacked=stacked,
        stacked_error=np.zeros_like(stacked),
    )
    places = [(1, n) for n in range(1, len(heights) + 1)]
    return DayPuffs(Role.DUST_SIGNAL, places, puffs).table()["usual"].to_list()


def test_the_usual_puff_beside_a_row_is_the_median_of_the_others() -> None:
    assert table_of(9.0, 1.0, 3.0) == [2.0, 1.0, 6.0, 3.0, 5.0, 2.5]


@pytest.mark.filterwarnings("error")
def test_a_row_alone_has_none_beside_it() -> None:
    assert np.isnan(table_of(9.0)).all()
