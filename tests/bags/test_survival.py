"""Bag life against published data and other people's code; too few failures named as such."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from helpers.work_logs import only
from scipy.optimize import minimize
from scipy.stats import weibull_min

from rowcall.bags.lives import Bag
from rowcall.bags.spares import spares_for
from rowcall.bags.survival import Lives, Weibull, by_group, fit, kaplan_meier, lives_of
from rowcall.media import Fibre
from rowcall.model import Work


def test_kaplan_meier_is_that_of_the_published_remissions() -> None:
    """Freireich et al., Blood 21 (1963): 6-MP arm, weeks; as reprinted in textbooks since.

    Greenwood's errors are those of statsmodels, SurvfuncRight, from which the interval is made.
    """
    from statsmodels.duration.survfunc import SurvfuncRight

    ended = (6, 6, 6, 7, 10, 13, 16, 22, 23)
    going_on = (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
    curve = kaplan_meier(Lives(tuple((0, week) for week in ended), going_on))
    assert curve.age_d.tolist() == [6, 7, 10, 13, 16, 22, 23]
    published = [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    assert curve.share == pytest.approx(published, abs=5e-4)
    outside = SurvfuncRight(ended + going_on, [1] * 9 + [0] * 12)
    log_log = np.log(-np.log(outside.surv_prob))
    error = outside.surv_prob_se / np.abs(outside.surv_prob * np.log(outside.surv_prob))
    assert curve.low == pytest.approx(np.exp(-np.exp(log_log + 1.959964 * error)), abs=1e-5)
    assert curve.high == pytest.approx(np.exp(-np.exp(log_log - 1.959964 * error)), abs=1e-5)


NIST = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)


def test_weibull_is_that_of_the_engineering_handbook() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3: ten failures [h], ten units still good at 500 h."""
    model = fit(Lives(tuple((hour - 0.5, hour + 0.5) for hour in NIST), (500.0,) * 10))
    assert model is not None
    assert (model.scale, model.shape) == pytest.approx((606.5280, 1.7207), rel=1e-4)


def looked_at(seed: int, n: int = 150) -> Lives:
    """Return lives of shape 2.5 and scale 2000 d, looked at once a year up to a different age."""
    rng = np.random.default_rng(seed)
    ages = 2000 * rng.weibull(2.5, n)
    last = 365 * rng.integers(1, 5, n)
    found = [(365.0 * (age // 365), 365.0 * (age // 365 + 1)) for age in ages]
    is_found = [high <= end for (_, high), end in zip(found, last, strict=True)]
    return Lives(
        tuple(pair for pair, seen in zip(found, is_found, strict=True) if seen),
        tuple(float(end) for end, seen in zip(last, is_found, strict=True) if not seen),
    )


def loglik(lives: Lives, shape: float, scale: float) -> float:
    """Return the log-likelihood, written out."""
    sf = weibull_min(shape, scale=scale).sf
    low, high = sf(np.array(lives.found).T)
    return float(np.log(low - high).sum() + np.log(sf(lives.sound)).sum())


def test_weibull_and_its_profile_are_those_of_an_optimiser_on_the_written_out_likelihood() -> None:
    lives = looked_at(1, 40)
    model = fit(lives)
    assert model is not None

    def loss(at: np.ndarray) -> float:
        return -loglik(lives, *np.exp(at))

    best = minimize(loss, np.log([1.0, 1000.0]), method="Nelder-Mead", options={"xatol": 1e-5})
    assert (model.shape, model.scale) == pytest.approx(tuple(np.exp(best.x)), rel=1e-3)
    estimate = model.quantile(0.1)
    assert estimate.low is not None
    assert estimate.high is not None
    for end in (estimate.low, estimate.high):

        def at_end(log_shape: np.ndarray, end: float = end) -> float:
            shape = float(np.exp(log_shape[0]))
            return -loglik(lives, shape, end / (-np.log(0.9)) ** (1 / shape))

        fixed = minimize(at_end, [np.log(model.shape)], method="Nelder-Mead")
        assert 2 * (fixed.fun - best.fun) == pytest.approx(3.841, abs=0.1)


def test_intervals_hold_the_truth_as_often_as_they_should() -> None:
    """12 plants at 95 %; tests/benchmarks/bag_life.py has hundreds, of other shapes."""
    truth = 2000 * (-np.log(0.9)) ** (1 / 2.5)
    held = 0
    for seed in range(12):
        model = fit(looked_at(seed))
        assert model is not None
        estimate = model.quantile(0.1)
        held += (estimate.low or 0) <= truth <= (estimate.high or np.inf)
    assert held >= 10  # fewer come up once in 50 times


def test_too_few_failures_or_one_look_fit_nothing() -> None:
    few = looked_at(1)
    assert fit(replace(few, found=few.found[:4])) is None
    assert fit(Lives(((0.0, 365.0),) * 9, (365.0,) * 90)) is None


def test_an_end_that_the_lives_leave_open_is_none() -> None:
    """Failures at two looks only, hardly of different ages: how long half last is open."""
    model = fit(Lives(((0.0, 300.0),) * 3 + ((300.0, 330.0),) * 2, (330.0,) * 400))
    assert model is not None
    assert model.quantile(0.5).high is None
    assert model.shape_interval.low is not None


DAY = date(2026, 3, 1)


def bag(n: int, age_d: int, *, failed: bool = False, media: Fibre | None = None) -> Bag:
    since = DAY - timedelta(days=age_d)
    found = only(Work.DYE_TEST, DAY, 1, 1, position=n) if failed else None
    return Bag((1, 1, n), "", media, since, since if failed else DAY, found)


def test_spares_are_those_known_and_those_that_the_distribution_expects() -> None:
    """With many failures the interval is that of chance alone: binomial of the added risk."""
    lives = looked_at(5, 4000)
    model = Weibull(lives, 2.5, 2000.0)
    bags = [bag(n, 1000) for n in range(1, 201)] + [bag(201, 900, failed=True)]
    first, second = (DAY + timedelta(days=ahead) for ahead in (365, 730))
    one, two = spares_for(bags, model, [first, second])
    risk = 1 - model.survival(np.array([1365.0])) / model.survival(np.array([1000.0]))
    assert (one.outage, one.known) == (first, 1)
    assert one.expected == pytest.approx(200 * float(risk[0]), rel=0.1)
    spread = 1.96 * np.sqrt(200 * risk[0] * (1 - risk[0]))
    assert (one.high - one.low) / 2 == pytest.approx(spread, rel=0.3)
    assert two.known == 0
    left = 200 * (1 - risk[0])
    later = 1 - model.survival(np.array([1730.0])) / model.survival(np.array([1365.0]))
    renewed = (201 - left) * (1 - model.survival(np.array([365.0])))[0]
    assert two.expected == pytest.approx(left * later[0] + renewed, rel=0.1)


def test_bags_renewed_at_one_outage_may_fail_by_the_next() -> None:
    model = fit(looked_at(5, 4000))
    assert model is not None
    waiting = [bag(n, 900, failed=True) for n in range(1, 401)]
    one, two = spares_for(waiting, model, [DAY, DAY + timedelta(days=730)])
    assert (one.known, one.high) == (400, 0)
    assert two.expected == pytest.approx(400 * (1 - model.survival(np.array([730.0]))[0]), rel=0.1)


def test_a_bag_not_seen_for_long_may_have_failed_already() -> None:
    model = Weibull(looked_at(5, 2000), 2.5, 2000.0)
    seen = [bag(n, 1000) for n in range(1, 101)]
    unseen = [replace(one, sound=one.since) for one in seen]
    outage = [DAY + timedelta(days=30)]
    assert spares_for(unseen, model, outage)[0].low > spares_for(seen, model, outage)[0].high


def test_bags_of_unknown_age_have_no_life_and_groups_are_made_where_there_are_several() -> None:
    bags = [bag(1, 100, media=Fibre.PPS), bag(2, 100, media=Fibre.ARAMID), Bag((1, 1, 3))]
    assert lives_of(bags).n_bags == 2
    assert list(by_group(bags)) == ["all bags", "aramid", "pps"]
    assert list(by_group(bags[:1])) == ["all bags"]
