"""Residual DP that rises: set points and transmitters that changed are not ageing."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from helpers.residual_dp import judged, quiet, with_series
from helpers.scenes import Studied, exports, kiln, on_time, study

from rowcall.model import Answer, Fact, Floats, Verdict

N = 30  # days before the change
_EACH = np.tile((0.5, -1.0, 0.0, 1.0, -0.5), 4)  # products, one after the other


@pytest.fixture(scope="module")
def on_demand() -> Studied:
    return study(exports(kiln(), seed=4, hours=8)[0])


@pytest.fixture(scope="module")
def by_clock() -> Studied:
    return study(exports(kiln(cleaning=on_time(6)), seed=4, hours=8)[0])


def marked(n: int, value: float) -> Floats:
    """A fact that only the day of the change has."""
    return np.where(np.arange(n) == N, value, np.nan)


def changed(
    today: Studied,
    days: int,
    *,
    factor: float = 1.25,
    jump: bool = True,
    fall: float = 1.0,
    peak: float = 1.0,
    growth: float = 0.0,
    error: float = 0.08,
    products: float = 0.0,
) -> Answer:
    """The answer so many days into a change; fall, peak: what those facts were multiplied by.

    products: by which the dust, and so the fall, differs every three days, as a logarithm.
    """
    n = N + days
    is_after = np.arange(n) >= N
    value = (
        quiet(n) * np.where(is_after, factor, 1.0) * (1 + growth) ** np.maximum(np.arange(n) - N, 0)
    )
    others = {
        Fact.PEAK_DP_PA: 1200.0 * np.where(is_after, peak, 1.0),
        Fact.DP_FALL_PA: 1.8
        * np.where(is_after, fall, np.exp(products * _EACH[np.arange(n) // 3])),
        Fact.DP_FALL_ERROR_PA: np.full(n, error),
    }
    if jump:
        others |= {Fact.DP_CHANGED_S: marked(n, 65_100.0), Fact.DP_JUMP: marked(n, factor)}
    return judged(with_series(today.day, value, others=others))


@pytest.mark.parametrize("factor", [0.8, 1.25, 1.6])
@pytest.mark.parametrize("jump", [True, False])
def test_another_scale_is_said_once_and_for_all(
    by_clock: Studied, factor: float, jump: bool
) -> None:
    answers = [changed(by_clock, days, factor=factor, fall=factor, jump=jump) for days in (1, 4, 6)]
    on = (by_clock.day.day - timedelta(days=3)).isoformat()
    assert f"since {on} DP reads" in answers[1].text
    assert "a transmitter, its range or a tap, not dust" in answers[1].text
    assert [answer.verdict for answer in answers] == [Verdict.CANNOT_TELL] * 3
    later = changed(by_clock, 12, factor=factor, fall=factor, jump=jump)
    assert later.verdict is Verdict.CLEAR
    assert f"Residual DP {0.9 * factor:.2g}" in later.text


def test_more_drag_at_once_is_found(by_clock: Studied) -> None:
    """DP jumps here too, but the fall at pulses says that the scale is the same."""
    for days in (1, 4, 12):
        answer = changed(by_clock, days)
        assert answer.verdict is Verdict.FOUND
        assert "stepped up by 2" in answer.text


def test_a_jump_without_the_fall_known_is_not_called_ageing(by_clock: Studied) -> None:
    assert changed(by_clock, 3, error=1.5).verdict is Verdict.CANNOT_TELL
    assert changed(by_clock, 3, error=1.5, jump=False).verdict is Verdict.FOUND


@pytest.mark.parametrize("factor", [0.8, 1.2])
def test_set_points_are_no_step(on_demand: Studied, factor: float) -> None:
    kwargs = {"factor": factor, "peak": factor, "fall": 1.5}
    for days in (1, 6):
        answer = changed(on_demand, days, jump=False, **kwargs)
        assert answer.verdict is Verdict.CANNOT_TELL
        moved = "raised" if factor > 1 else "lowered"
        assert f"cleaning set points were {moved}" in answer.text
        assert "before at 1.20 kPa" in answer.text
    later = changed(on_demand, 10, jump=False, **kwargs)
    assert later.verdict is Verdict.CLEAR
    assert f"Cleaning set points were {moved}" in later.text


def test_a_residual_that_rises_alone_is_found_on_demand(on_demand: Studied) -> None:
    assert changed(on_demand, 4, jump=False).verdict is Verdict.FOUND


def test_ageing_after_a_change_is_found(by_clock: Studied) -> None:
    answer = changed(by_clock, 10, fall=1.25, growth=0.015)
    assert answer.verdict is Verdict.FOUND
    assert "rises steadily" in answer.text
    assert "stepped" not in answer.text


def test_more_dust_is_no_other_scale(by_clock: Studied) -> None:
    """More dust a pulse takes off more: the fall grows by more than residual DP does."""
    assert changed(by_clock, 4, factor=1.2, fall=1.8, jump=False).verdict is Verdict.FOUND


def test_products_that_differ_are_no_transmitter(by_clock: Studied) -> None:
    """One more of them moves residual DP and the fall alike where a thick cake stays."""
    texts = [
        changed(by_clock, 4, factor=1.15, fall=fall, jump=False, products=one).text
        for one, fall in ((0.0, 1.15), (0.3, 1.25))
    ]
    assert ["a transmitter" in text for text in texts] == [True, False]


def test_a_residual_below_zero_is_judged(by_clock: Studied) -> None:
    value = quiet(40, 2.0)
    value[20:] -= 30.0
    answer = judged(with_series(by_clock.day, value))
    assert answer.verdict is not Verdict.FOUND
