"""Residual DP that rises by the clock because there is more dust: no ageing of the bags."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from helpers.daily_facts import answer_by_days
from helpers.scenes import kiln, on_time, site_of

from rowcall.model import Answer, Fact, Floats, Verdict
from rowcall.site import Baghouse
from rowcall_plant import site_text, tag_list
from rowcall_rules.filter.rising_residual_dp import RULE

N = 30  # days
FLOW, CYCLE_S, CLOTH, BROUGHT, KEPT = 16.0, 720.0, 40.0, 12.0, 0.9  # Pa.s/m3; share of a pass


def house() -> Baghouse:
    plan = kiln(cleaning=on_time(6))
    return site_of(site_text("Plant", [(plan, tag_list(plan, 100, rows_by="solenoid"))]))


def judged(cloth: Floats, dust: Floats, *, with_cake: bool = True) -> Answer:
    """Cloth and dust by day, over the first day's; cake in proportion to what a pass brings."""
    rng = np.random.default_rng(1)
    flow = FLOW * (1 + rng.uniform(-0.1, 0.1, N))
    products = np.exp(np.repeat(rng.uniform(-0.2, 0.2, N), 3)[:N])
    brought = BROUGHT * flow / FLOW * dust * products
    clean = (CLOTH * cloth + KEPT * brought) * (1 + rng.normal(0, 0.005, N))
    series = {Fact.RESIDUAL_DP_PER_FLOW: clean, Fact.FLOW_M3_S: flow}
    if with_cake:
        series[Fact.CLEAN_DP_PER_FLOW] = clean
        series[Fact.CYCLE_TIME_S] = np.full(N, CYCLE_S)
        series[Fact.DP_PER_FLOW_GROWTH] = brought / flow / CYCLE_S
    return answer_by_days(RULE, house(), series, date(2026, 3, 31))


def stepped(to: float) -> Floats:
    return np.where(np.arange(N) >= N - 6, to, 1.0)


def test_more_dust_is_named_and_is_no_rise_of_the_cloth() -> None:
    answer = judged(np.ones(N), stepped(2.5))
    assert answer.verdict is Verdict.CLEAR
    assert "as there is more dust: drag of the cloth itself does not rise" in answer.text


@pytest.mark.parametrize("with_cake", [True, False])
def test_a_step_of_the_cloth_is_found_all_the_same(with_cake: bool) -> None:
    assert judged(stepped(1.4), np.ones(N), with_cake=with_cake).verdict is Verdict.FOUND


def test_where_the_cake_is_not_known_more_dust_still_counts_as_a_rise() -> None:
    assert judged(np.ones(N), stepped(2.5), with_cake=False).verdict is Verdict.FOUND


def test_both_together_are_found() -> None:
    assert judged(stepped(1.4), stepped(2.5)).verdict is Verdict.FOUND
