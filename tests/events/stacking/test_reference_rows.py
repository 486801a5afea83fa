"""Which rows of a header are taken for sound."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.events.stacking.reference_rows import commonest, reference_rows


def test_rows_that_draw_alike_are_sound_and_faint_silent_and_hanging_ones_are_not() -> None:
    share = np.array([1.02, 0.97, 1.05, 0.0, 0.45, 2.5, 0.99])
    assert reference_rows(share, 0.2).tolist() == [True, True, True, False, False, False, True]


@pytest.mark.parametrize("hanging", [5.0, 13.0, 30.0])
def test_a_row_however_deep_makes_no_silent_ones_of_the_others(hanging: float) -> None:
    share = np.array([1.0, 1.04, 0.97, 1.01, 0.02, hanging])
    assert reference_rows(share, 0.15).tolist() == [True] * 4 + [False, False]


def test_silent_rows_are_not_the_usual_ones_however_many_they_are() -> None:
    share = np.array([1.0, 0.96, 0.021, 0.02, 0.019, 0.018, 0.02])
    assert commonest(share, 0.2) == 1.0


def test_of_two_drops_that_as_many_rows_share_the_deeper_one_is_usual() -> None:
    assert commonest(np.array([0.5, 0.52, 1.0, 1.03]), 0.2) == 1.03


def test_where_nothing_is_alike_some_row_is_still_taken() -> None:
    assert reference_rows(np.zeros(3), 0.1).tolist() == [True, True, True]
