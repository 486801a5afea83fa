"""How long bags last: Kaplan-Meier, and a Weibull distribution with its uncertainty.

A failure is known to lie between the last look at which the bag was sound and the one that found
it; a bag that was sound when last seen, or was taken out sound, is censored there. Kaplan-Meier
counts a failure at the age at which it was found. The Weibull likelihood uses the whole interval
(Meeker, Escobar and Pascual 2022, chapters 8 and 11); intervals are by profile likelihood.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from warnings import catch_warnings, simplefilter

import numpy as np
from scipy.special import logsumexp
from scipy.stats import CensoredData, chi2, ecdf, weibull_min

from rowcall.bags.lives import Bag
from rowcall.model import Floats

# From so many on, 95 % intervals hold the truth in 94 % of trials: tests/benchmarks/RESULTS.md.
MIN_FAILURES = 5
MIN_AGES = 2  # of looks that found failures: one alone fits any shape
_COVERAGE = 0.95
_SHAPES = np.geomspace(0.25, 16.0, 121)  # chosen wide: from infant mortality to all on one day
_SPREAD = np.geomspace(1 / 40, 40.0, 301)  # of a quantile about its estimate; chosen: 2.5 % a step


@dataclass(frozen=True, slots=True)
class Curve:
    """Kaplan-Meier: share of bags not found failed, with its 95 % interval, by age [d]."""

    age_d: Floats
    share: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its 95 % interval; an end that the data leave open is None."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Lives:
    """What is known of the age of bags at failure.

    found: (last age seen sound, age found failed) of each failed bag [d].
    sound: last age seen sound of each other bag [d].
    """

    found: tuple[tuple[float, float], ...]
    sound: tuple[float, ...]

    @property
    def n_bags(self) -> int:
        """How many bags there are."""
        return len(self.found) + len(self.sound)

    @property
    def n_ages(self) -> int:
        """At how many ages failures were found."""
        return len({high for _, high in self.found})

    @property
    def is_enough(self) -> bool:
        """Whether a distribution can be fitted."""
        return len(self.found) >= MIN_FAILURES and self.n_ages >= MIN_AGES

    @cached_property
    def terms(self) -> tuple[Floats, Floats, Floats]:
        """The different intervals and how many bags have each; high is inf of a sound bag."""
        every = [*self.found, *((age, np.inf) for age in self.sound if age > 0)]
        counted = sorted(Counter(every).items())
        low, high = np.array([one for one, _ in counted], float).T
        return low, high, np.array([n for _, n in counted], float)


def lives_of(bags: Iterable[Bag]) -> Lives:
    """Return the lives of the bags of which the log says when they were put in."""
    known = [bag for bag in bags if bag.since]
    return Lives(
        tuple((bag.sound_d, bag.found_d) for bag in known if bag.found_d is not None),
        tuple(bag.sound_d for bag in known if bag.found_d is None),
    )


def kaplan_meier(lives: Lives) -> Curve:
    """Return the curve at the ages at which failures were found; the interval is log-log's."""
    found = [high for _, high in lives.found]
    sf = ecdf(CensoredData(uncensored=found, right=lives.sound)).sf
    with catch_warnings():  # undefined where all or none are left
        simplefilter("ignore", RuntimeWarning)
        interval = sf.confidence_interval(_COVERAGE, method="log-log")
    at = np.isin(sf.quantiles, found)
    low = np.nan_to_num(interval.low.probabilities[at], nan=0.0)
    high = np.nan_to_num(interval.high.probabilities[at], nan=1.0)
    return Curve(sf.quantiles[at], sf.probabilities[at], low, high)


@dataclass(frozen=True)
class Weibull:
    """A Weibull distribution fitted to lives; `scale` is the age by which 63 % have failed [d]."""

    lives: Lives
    shape: float
    scale: float

    def survival(self, age_d: Floats) -> Floats:
        """Return the share of bags that last longer than an age."""
        return np.asarray(weibull_min.sf(age_d, self.shape, scale=self.scale))

    def quantile(self, share: float) -> Estimate:
        """Return the age by which a share of the bags has failed [d]."""
        at = float(weibull_min.ppf(share, self.shape, scale=self.scale))
        ages = at * _SPREAD
        profile = _likelihood(self.lives, _SHAPES[:, None], _scale(ages, _SHAPES[:, None], share))
        return Estimate(at, *_ends(ages, profile.max(axis=0)))

    @cached_property
    def shape_interval(self) -> Estimate:
        """The shape with its interval: above 1 bags wear out, below 1 new ones fail most."""
        likelihood = _likelihood(self.lives, _SHAPES[:, None], self.scale * _SPREAD)
        return Estimate(self.shape, *_ends(_SHAPES, likelihood.max(axis=1)))

    def draw(self, n: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Return shapes and scales as likely as the lives make them, shape (n,) each.

        Drawn in proportion to the likelihood over shape and the age by which 10 % have failed,
        both on a log scale.
        """
        ages = self.quantile(0.1).value * _SPREAD
        scales = _scale(ages, _SHAPES[:, None], 0.1)
        weight = _likelihood(self.lives, _SHAPES[:, None], scales).ravel()
        at = rng.choice(weight.size, n, p=np.exp(weight - logsumexp(weight)))
        return np.repeat(_SHAPES, ages.size)[at], scales.ravel()[at]


def fit(lives: Lives) -> Weibull | None:
    """Return the distribution of the highest likelihood, None where too few bags failed."""
    if not lives.is_enough:
        return None
    data = CensoredData(
        interval=[list(one) for one in lives.found],
        right=[age for age in lives.sound if age > 0],
    )
    typical = float(np.median([high for _, high in lives.found]))
    shape, _, scale = weibull_min.fit(data, 1.5, floc=0, scale=2 * typical)
    return Weibull(lives, float(shape), float(scale))


def _scale(age: Floats, shape: Floats, share: float) -> Floats:
    """Return the scale of which a share has failed by an age."""
    return np.asarray(age / (-np.log1p(-share)) ** (1 / shape))


def _likelihood(lives: Lives, shape: Floats, scale: Floats) -> Floats:
    """Return the log-likelihood of shapes against scales, in their common shape."""
    shape, scale = np.broadcast_arrays(shape, scale)
    total = np.zeros(shape.shape)
    for low, high, n in zip(*lives.terms, strict=True):
        before, after = (low / scale) ** shape, (high / scale) ** shape
        with np.errstate(divide="ignore"):  # an interval that holds nothing
            total += n * (np.log(-np.expm1(before - after)) - before)
    return total


def _ends(at: Floats, profile: Floats) -> tuple[float | None, float | None]:
    """Return where a profile likelihood crosses that of the interval, None where it does not."""
    limit = profile.max() - chi2.ppf(_COVERAGE, 1) / 2
    first, last = np.flatnonzero(profile >= limit)[[0, -1]].tolist()
    low = None if first == 0 else _crossing(at, profile, first - 1, limit)
    return low, None if last == at.size - 1 else _crossing(at, profile, last, limit)


def _crossing(at: Floats, profile: Floats, n: int, limit: float) -> float:
    """Return where it passes a limit between two places, straight on a log scale."""
    share = (limit - profile[n]) / (profile[n + 1] - profile[n])
    return float(at[n] * (at[n + 1] / at[n]) ** np.clip(share, 0.0, 1.0))


def by_group(bags: Sequence[Bag]) -> dict[str, list[Bag]]:
    """Return all bags, and those of each media and zone where there are several."""
    groups = {"all bags": list(bags)}
    for name in ("media", "zone"):
        values = sorted({str(getattr(bag, name)) for bag in bags if getattr(bag, name)})
        if len(values) > 1:
            groups |= {one: [b for b in bags if getattr(b, name) == one] for one in values}
    return groups
