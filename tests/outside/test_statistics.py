"""Statistics of the roll call held against other people's libraries, and against simulation."""

from __future__ import annotations

import numpy as np
import pytest
import ruptures
from ruptures.datasets import pw_constant
from scipy.stats import binned_statistic

from rowcall.diagnosis.row_evidence import share_interval
from rowcall.events.clocks.folded import folded_offset
from rowcall.events.firing.recorded import Fires
from rowcall.events.rows.intermittent import weigh_intermittent
from rowcall.events.rows.onset import find_change
from rowcall.events.stacking.decompress import filled_in
from rowcall.events.stacking.stack import stack_rows
from rowcall.model import Floats, Signal


@pytest.mark.parametrize("heard", [1, 7, 20, 240, 5000])
@pytest.mark.parametrize("share", [0.0, 0.03, 0.5, 0.9, 1.0])
def test_interval_of_a_share_is_wilsons(heard: int, share: float) -> None:
    """statsmodels.stats.proportion.proportion_confint, method "wilson"."""
    from statsmodels.stats.proportion import proportion_confint

    answered = round(share * heard)
    # 1.96 stands for the 95 % quantile 1.959964.
    outside = proportion_confint(answered, heard, alpha=0.05, method="wilson")
    assert share_interval(answered, heard) == pytest.approx(outside, abs=2e-5)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("method", [ruptures.Dynp, ruptures.Binseg])
def test_a_change_is_where_ruptures_finds_it(seed: int, method: type) -> None:
    """One break in ruptures' own piecewise constant signal, least squares, jump=1."""
    signal, breaks = pw_constant(240, n_bkps=1, noise_std=0.4, delta=(1, 3), seed=seed)
    outside = method(model="l2", jump=1, min_size=8).fit(signal).predict(n_bkps=1)
    change = find_change(signal[:, 0], np.full(240, 0.4))
    assert change is not None
    assert change.first == outside[0]
    assert abs(change.first - breaks[0]) <= 3
    assert change.after == pytest.approx(signal[outside[0] :, 0].mean())


def test_noise_alone_has_no_change() -> None:
    """Chosen to be passed once in 10^4 row-days; none of 300 here."""
    rng = np.random.default_rng(5)
    found = [find_change(rng.normal(1.0, 0.2, 240), np.full(240, 0.2)) for _ in range(300)]
    assert found == [None] * 300


@pytest.mark.parametrize("rate", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("error", [0.1, 0.4])
def test_the_interval_of_a_rate_covers_it(rate: float, error: float) -> None:
    """Nominal 95 %; a grid of 0.02 and a tail for wild points make it a little wide."""
    rng, n, scatter, inside, step = np.random.default_rng(7), 120, 0.03, 0, 0.01
    for _ in range(200):
        answers = rng.random(n) < rate
        share = answers * (1 + scatter * rng.standard_normal(n)) + error * rng.standard_normal(n)
        told = weigh_intermittent(share, np.full(n, error), scatter)
        inside += told.low - step <= rate <= told.high + step
    # 95 % of 200 are 190 +- 3.1; three standard errors below.
    assert inside >= 181


def header(fire_s: Floats, row: np.ndarray, drop: Floats, tau_s: float, time_s: Floats) -> Signal:
    """Instant drops by a share of the pressure, first-order refill, 6 bar."""
    pressure, closed, values = 6e5, 0.0, np.full(time_s.size, 6e5)
    edges = np.append(fire_s[1:], np.inf)
    missing = 0.0
    for fire, end, share in zip(fire_s, edges, drop[row - 1], strict=True):
        missing *= np.exp(-(fire - closed) / tau_s)
        missing += share * (pressure - missing)
        closed = fire
        inside = (time_s > fire) & (time_s <= end)
        values[inside] = pressure - missing * np.exp(-(time_s[inside] - fire) / tau_s)
    noise = 2e3 * np.random.default_rng(1).standard_normal(time_s.size)
    return Signal(time_s, values + noise)


def fires_at(fire_s: Floats, row: np.ndarray) -> Fires:
    return Fires(fire_s, fire_s, np.ones(row.size, np.int64), row)


def test_the_stack_is_a_plain_event_triggered_average() -> None:
    """scipy.stats.binned_statistic of the relative deficit against the time since the own fire.

    Rows 20 s apart, tau 2 s: nothing of a pulse is left at the next, so that a plain average holds.
    """
    fire = 30.0 + np.arange(3000) * 20.0137
    row = np.arange(3000) % 5 + 1
    drop = np.array([0.22, 0.22, 0.11, 0.22, 0.0])
    time = np.arange(0.0, fire[-1] + 20.0)
    signal = header(fire, row, drop, 2.0, time)
    stack = stack_rows(filled_in(signal), fires_at(fire, row))
    assert stack is not None
    k = np.searchsorted(fire, time, side="right") - 1
    since = np.where(k >= 0, time - fire[np.maximum(k, 0)], -1.0)
    edges = np.array([0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0])
    for line in range(5):
        mine = (k >= 0) & (row[np.maximum(k, 0)] == line + 1)
        plain = binned_statistic(since[mine], 1 - signal.value[mine] / 6e5, "mean", edges)
        for low, high, outside in zip(edges[:-1], edges[1:], plain.statistic, strict=True):
            bins = (stack.since_s >= low) & (stack.since_s < high)
            weight = stack.count[line, bins]
            ours = float((weight * stack.mean[line, bins]).sum() / weight.sum())
            assert ours == pytest.approx(outside, abs=1.5e-3)
    assert stack.share == pytest.approx(drop / 0.22, abs=0.02)


@pytest.mark.parametrize("ahead_s", [-2.4, 1.0, 3.0])
def test_the_folded_offset_lies_at_the_fall_of_a_plain_average(ahead_s: float) -> None:
    """Samples 10 s apart; the pressure folded on the fires' clock falls where the clocks differ."""
    interval = 13.0137
    fire = 30.0 + np.arange(6000) * interval
    row = np.arange(6000) % 6 + 1
    time = np.arange(0.0, fire[-1], 10.0)
    signal = header(fire, row, np.full(6, 0.22), 2.0, time)
    stamped = fire + ahead_s
    told = folded_offset(signal, fires_at(stamped, row), 5.0)
    assert told is not None
    since = (time - stamped[0]) % interval
    inside = (time > stamped[0]) & (time < stamped[-1])
    folded = binned_statistic(
        since[inside], signal.value[inside], "mean", np.arange(0.0, interval, 0.2)
    )
    falls = -np.diff(np.append(folded.statistic, folded.statistic[0]))
    at = (folded.bin_edges[1:][int(np.argmax(falls))] + interval / 2) % interval - interval / 2
    assert told.offset_s == pytest.approx(at, abs=0.35)
    assert abs(told.offset_s + ahead_s) <= told.half_width_s + 0.1
