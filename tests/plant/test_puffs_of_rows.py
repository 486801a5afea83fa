"""The simulator's puffs: a leaking row's are larger, those of new bags fade."""

from __future__ import annotations

import numpy as np
import pytest
from helpers.scenes import local

from rowcall_plant import NewBags, RowLeaking
from rowcall_plant.fault_book import FaultBook

DAY_S = 86_400.0


def factor(fault: RowLeaking, days: float, place: tuple[int, int]) -> float:
    at = np.array([local(0).timestamp() + days * DAY_S])
    book = FaultBook((fault,), "Europe/Vienna")
    return float(book.puff_factor(at, np.array(place[:1]), np.array(place[1:]))[0])


def test_only_the_leaking_row_lets_more_through() -> None:
    leak = RowLeaking(start=local(1), end=local(3), compartment=1, row=4, puff_times=5.0)
    assert [factor(leak, days, (1, 4)) for days in (0.5, 1.5, 2.9, 3.5)] == [1.0, 5.0, 5.0, 1.0]
    assert factor(leak, 1.5, (1, 5)) == factor(leak, 1.5, (2, 4)) == 1.0


def test_new_bags_puff_less_from_day_to_day() -> None:
    new = NewBags(start=local(0), compartment=1)
    assert factor(new, 0.0, (1, 7)) == 3.0
    assert factor(new, 3.0, (1, 7)) == pytest.approx(1 + 2 / np.e)
    assert factor(new, 0.0, (2, 7)) == 1.0
