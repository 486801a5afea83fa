"""Blinding: drag of the cloth apart from cake, flow and dust, on made histories of known truth.

By the clock a pass takes off what it brings; on demand a pulse of each row takes off `TAKEN` of the
cake that the start set point leaves room for. The cloth's drag is `CLOTH` times a given factor.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from helpers.blinding import LAST, answer_of
from helpers.scene_answers import value_of
from helpers.scenes import kiln, on_time, site_of

from rowcall.model import Answer, Fact, Floats, Lack, Subject, Urgency, Verdict
from rowcall.site import Baghouse
from rowcall_plant import site_text, tag_list

MODES = ("on_demand", "on_time")
N = 40  # days
CLOTH, FLOW, CYCLE_S, TAKEN, START_PA = 40.0, 16.0, 720.0, 0.7, 1200.0
DUST = 12.0  # [Pa.s/m3] that a pass brings, by the clock
SHOWN = (
    0.118  # [-] of a drag with the cake that pulses leave, 11 Pa.s/m3, where cloth rises by 15 %
)


def house(mode: str) -> Baghouse:
    plan = kiln(cleaning=on_time(6) if mode == "on_time" else None)
    return site_of(site_text("Plant", [(plan, tag_list(plan, 100, rows_by="solenoid"))]))


def made(
    mode: str, cloth: Floats, *, seed: int = 1, dust: Floats | None = None, start: float = START_PA
) -> dict[Fact, Floats]:
    """Facts by day: load swings by a tenth, products change the dust, 0.5 % noise."""
    rng = np.random.default_rng(seed)
    n = cloth.size
    flow = FLOW * (1 + rng.uniform(-0.1, 0.1, n))
    products = np.exp(np.repeat(rng.uniform(-0.4, 0.4, n), 3)[:n])
    c = CLOTH * cloth
    if mode == "on_demand":
        brought = TAKEN * (start / flow - c)
        kept = (1 - TAKEN) / TAKEN
        others = {Fact.CAKE_PER_PULSE_PA: brought * flow / 12, Fact.PEAK_DP_PA: np.full(n, start)}
    else:
        brought = DUST * flow / FLOW * (products if dust is None else dust)
        kept = 0.9
        others = {Fact.DP_PER_FLOW_GROWTH: brought / flow / CYCLE_S}
    clean = (c + kept * brought) * (1 + rng.normal(0, 0.005, n))
    return {
        Fact.CLEAN_DP_PER_FLOW: clean,
        Fact.FLOW_M3_S: flow,
        Fact.CYCLE_TIME_S: np.full(n, CYCLE_S),
        Fact.RESIDUAL_DP_PER_FLOW: clean,
        **others,
    }


def slow(n: int = 30) -> Floats:
    return np.asarray(1.15 ** (np.arange(n) / 30))


def step(age: int) -> Floats:
    return np.where(np.arange(N) >= N - 1 - age, 1.15, 1.0)


# 1. Found.


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("seed", range(4))
def test_fifteen_per_cent_in_a_month_are_found(mode: str, seed: int) -> None:
    answer = answer_of(house(mode), made(mode, slow(), seed=seed))
    assert answer.verdict is Verdict.FOUND
    assert answer.urgency is Urgency.WATCH
    assert "rises steadily" in answer.text
    assert value_of(answer, "rise") == pytest.approx(SHOWN, abs=0.03)
    usual = value_of(answer, "level") / value_of(answer, "usual_level")
    assert usual == pytest.approx(1 + value_of(answer, "rise"))


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("seed", range(2))
def test_a_rise_that_has_slowed_down_is_found(mode: str, seed: int) -> None:
    """15 % in 25 days, then hardly more: what it does today is not sure, that it rose is."""
    t = np.arange(45.0)
    cloth = 1 + 0.15 * np.minimum(t, 25) / 25 + 0.0005 * np.maximum(t - 25, 0)
    answer = answer_of(house(mode), made(mode, cloth, seed=seed))
    assert answer.verdict is Verdict.FOUND
    assert "has risen, more slowly of late" in answer.text
    assert value_of(answer, "rise") == pytest.approx(SHOWN, abs=0.03)


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("age", [0, 1, 10])
def test_a_step_is_dated_within_a_day(mode: str, age: int) -> None:
    answer = answer_of(house(mode), made(mode, step(age)))
    assert answer.verdict is Verdict.FOUND
    assert value_of(answer, "step_rise") == pytest.approx(SHOWN, abs=0.03)
    assert answer.start is not None
    on = answer.start.date()
    assert abs((on - (LAST - timedelta(days=age))).days) <= 1


# 2. Healthy.


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("n", [21, 30])
def test_loads_and_products_are_no_blinding(mode: str, seed: int, n: int) -> None:
    answer = answer_of(house(mode), made(mode, np.ones(n), seed=seed))
    assert answer.verdict is Verdict.CLEAR
    assert "not rising" in answer.text


@pytest.mark.parametrize("mode", MODES)
def test_a_rise_too_small_to_matter_is_clear(mode: str) -> None:
    assert answer_of(house(mode), made(mode, slow() ** 0.2)).verdict is Verdict.CLEAR


# 3. Look-alikes.


@pytest.mark.parametrize("age", [1, 5, 15])
def test_a_dustier_product_is_no_blinding(age: int) -> None:
    """Half as much dust again, for good: DP after cleaning rises by 10 %."""
    dust = np.where(np.arange(N) >= N - 1 - age, 1.5, 1.0)
    assert answer_of(house("on_time"), made("on_time", np.ones(N), dust=dust)).verdict is (
        Verdict.CLEAR
    )


def test_other_set_points_are_no_blinding() -> None:
    """Raised on one day by 15 %, and found so by the peak: what is judged begins anew."""
    before, after = (made("on_demand", np.ones(N), start=pa) for pa in (START_PA, 1380.0))
    for days, verdict in ((5, Verdict.CANNOT_TELL), (22, Verdict.CLEAR)):
        is_after = np.arange(N) >= N - days
        both = {fact: np.where(is_after, after[fact], one) for fact, one in before.items()}
        both[Fact.RESIDUAL_DP_PER_FLOW] = np.where(is_after, 1.15, 1.0) * CLOTH
        answer = answer_of(house("on_demand"), both)
        assert answer.verdict is verdict
        assert "leaning set points were raised" in answer.text


@pytest.mark.parametrize(
    ("rule", "urgency", "mutes"),
    [
        ("row_silent", Urgency.NOW, True),
        ("row_silent", Urgency.WATCH, False),
        ("supply_short", Urgency.NEXT_OUTAGE, True),
        ("rising_residual_dp", Urgency.WATCH, True),
    ],
)
def test_what_else_was_found_comes_first(rule: str, urgency: Urgency, mutes: bool) -> None:
    found = Answer(
        subject=Subject("BH1"), verdict=Verdict.FOUND, text="found", urgency=urgency, action="mend"
    )
    answer = answer_of(house("on_time"), made("on_time", slow()), {rule: (found,)})
    assert (answer.verdict is Verdict.CANNOT_TELL) is mutes
    assert (answer.lack is Lack.NOTHING) is mutes


@pytest.mark.parametrize(
    ("n_rows", "cloth", "is_found"), [(1, 1.4, True), (1, 1.08, False), (4, 1.4, False)]
)
def test_it_answers_beside_rows_that_explain_less_than_the_rise(
    n_rows: int, cloth: float, is_found: bool
) -> None:
    """Twelve rows: one explains 1/11 = 9 %, four 50 %; cloth by 1.4 raises drag by 31 %."""
    rows = tuple(
        Answer(
            subject=Subject("BH1", 1, row),
            verdict=Verdict.FOUND,
            text="silent",
            urgency=Urgency.NOW,
            action="mend",
        )
        for row in range(1, n_rows + 1)
    )
    series = made("on_time", np.where(np.arange(N) >= N - 8, cloth, 1.0))
    answer = answer_of(house("on_time"), series, {"row_silent": rows})
    assert (answer.verdict is Verdict.FOUND) is is_found
    if is_found:
        assert "Rows without a pressure drop explain a rise by 9 % at most." in answer.text
    else:
        assert answer.verdict is Verdict.CANNOT_TELL


# 4. Thin data.


@pytest.mark.parametrize(("n", "verdict"), [(20, Verdict.CANNOT_TELL), (21, Verdict.CLEAR)])
def test_three_weeks_make_a_verdict(n: int, verdict: Verdict) -> None:
    answer = answer_of(house("on_time"), made("on_time", np.ones(n)))
    assert answer.verdict is verdict
    assert (answer.lack is Lack.HISTORY) is (n == 20)


@pytest.mark.parametrize("lost", [Fact.CLEAN_DP_PER_FLOW, Fact.FLOW_M3_S, Fact.DP_PER_FLOW_GROWTH])
def test_a_day_without_its_drag_cannot_tell(lost: Fact) -> None:
    series = made("on_time", slow())
    series[lost][-1] = np.nan
    answer = answer_of(house("on_time"), series)
    assert answer.verdict is Verdict.CANNOT_TELL
    assert "no cleaning cycle with known flow" in answer.text


# 5. Invariance.


@pytest.mark.parametrize("mode", MODES)
def test_the_size_of_the_plant_does_not_matter(mode: str) -> None:
    small = made(mode, slow())
    sized = {Fact.FLOW_M3_S: 10.0, Fact.CLEAN_DP_PER_FLOW: 0.1, Fact.RESIDUAL_DP_PER_FLOW: 0.1}
    sized[Fact.DP_PER_FLOW_GROWTH] = 0.01
    large = {fact: one * sized.get(fact, 1.0) for fact, one in small.items()}
    rises = [value_of(answer_of(house(mode), one), "rise") for one in (small, large)]
    assert rises[1] == pytest.approx(rises[0], rel=1e-6)
