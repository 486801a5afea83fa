"""How a header refills after its pulses, hour by hour and over the day.

All samples of a span are folded on the time since the pulse before them, so that samples that come
once a second, or every ten, show the refill in tenths. What flows in depends on what is missing:

    dD/dt = -k D^b,    D = plateau - p

with b = 1 for a first-order fill, 1/2 for an orifice with little pressure ahead of it, 0 for a
choked one. Which b the data favour is weighed over the day; times to recover are read off that
course, and their errors include what stays open of b. Bins are medians, so that few rows that
close late do not count.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall import trade
from rowcall.events.noise import TO_DEVIATION
from rowcall.events.passed import passed
from rowcall.events.stacking.decompress import Filled
from rowcall.model import HOUR_COLUMNS, Floats, Signal

_CLOSED_S = 0.5  # chosen: a healthy valve has surely closed by then
_REACH_S = 90.0  # chosen: later a header stands at its plateau, and the supply wanders
_BLOCK_S = 1200.0  # chosen: a supply wanders little within it, and it holds dozens of samples
_MIN_PULSES_DAY, _MIN_PULSES_HOUR = 20, 5  # chosen: medians of fewer are noisy
_MIN_IN_BIN, _MIN_BINS, _MAX_BINS = 6, 6, 48  # samples, bins; chosen: three unknowns, twice over
_OF_MEDIAN = 1.2533  # error of a median of normal values over that of their mean: sqrt(pi / 2)
_LEAST_ERROR = 0.002  # of the span of a fold; chosen: no course is exact to more
_POWERS = np.array([0.0, 0.25, 0.5, 0.75, 1.0])  # b, from choked inflow to first order (last)
_TAU_S = np.geomspace(0.15, 120.0, 68)  # chosen: usual ones are 1-5 s, and 10 % from step to step
_ZOOM = np.linspace(-3.5, 3.5, 15)  # standard errors about the best; chosen: all of a posterior
_MIN_ZOOM = 0.003  # of ln tau; chosen: finer than any fit
_MAX_LOG_ERROR = 0.5  # relative error of a time; chosen: more says nothing
# Relative, of the times to 63 and 95 %; by trial on three physics: what no power law of the deficit
# follows, the end of a refill least
_COURSE_ERROR, _END_ERROR = 0.025, 0.04
# Of what the next pulse hides, were the rest of a refill of first order; by trial on a vessel that
# cools and warms again, and on headers that share a line: a third on average, 70 % at the worst
BEYOND_ERROR = 0.35
_LAST = 0.1  # of the interval, over which the end of a refill is seen to level off; chosen
_MIN_GAIN = 25.0  # in chi square over a level pressure; chosen: a drop of five standard errors
_MIN_DROP = 0.01  # of the plateau; chosen: less is noise or no pulse
_E, _TWENTIETH = math.exp(-1.0), 0.05  # what is left when 63 % and 95 % of a drop are recovered
_MAX_BACK = 20.0  # time constants; chosen: no fold begins so late after a pulse
_TINY = 1e-300  # chosen: against division by zero


def follow_refills(
    header: Filled,
    fire_s: Floats,
    answered: npt.NDArray[np.bool_],
    n_hours: int,
    max_pa: float = math.inf,
) -> pl.DataFrame:
    """Return the refill of a header in each hour and, with `hour` null, over the day.

    Columns `HOUR_COLUMNS` less `compartment`; a span that shows no refill is left out.

    Args:
        header: gauge pressure [Pa], thinned samples put back.
        fire_s: every pulse on it, rising [s since the day began].
        answered: False for those that are known to have made no drop.
        max_pa: no plateau lies above it [Pa].
    """
    opened = fire_s[answered]
    if opened.size < _MIN_PULSES_HOUR:
        return pl.DataFrame(schema=_COLUMNS)
    between = np.diff(fire_s)
    between = between[between > trade.VALVE_OPEN.value]  # rows of several compartments at once
    if not between.size:
        return pl.DataFrame(schema=_COLUMNS)
    interval = float(np.median(between))
    hour = (pl.col("at") // 3600.0).cast(pl.Int64).clip(0, n_hours - 1)
    band = header.error_pa[header.error_pa > 0]
    half_pa = 0.5 * float(np.median(band)) if band.size else 0.0
    steady = _points(header.signal, opened).with_columns(p=pl.col("p") - pl.col("level"), span=hour)
    limits = _Limits(interval, half_pa, max_pa)
    day, powers = _fit(steady.with_columns(span=pl.lit(0, pl.Int64)), limits, _ANY_POWER)
    by_hour = steady.with_columns(p=pl.col("p") + pl.col("level").mean().over("span"))
    hours, _ = _fit(by_hour, limits, np.repeat(powers, n_hours, axis=1))
    in_hour = (opened // 3600.0).astype(np.int64).clip(0, n_hours - 1)
    n_pulses = np.append(opened.size, np.bincount(in_hour, minlength=n_hours))
    both = {name: np.append(day[name], hours[name]) for name in day}
    lines = {"hour": [None, *range(n_hours)], **both, "n_pulses": n_pulses}
    table = pl.DataFrame({name: lines[name] for name in _COLUMNS}, schema=_COLUMNS)
    enough = n_pulses >= np.append(_MIN_PULSES_DAY, np.full(n_hours, _MIN_PULSES_HOUR))
    is_drop = both["drop_pa"] > _MIN_DROP * both["plateau_pa"]
    return table.filter(enough & is_drop & (both["tau_log_error"] < _MAX_LOG_ERROR))


_COLUMNS = {name: kind for name, kind in HOUR_COLUMNS.items() if name != "compartment"}
_ANY_POWER = np.ones((_POWERS.size, 1))  # before a day is seen


def _points(header: Signal, opened_s: Floats) -> pl.DataFrame:
    """Samples in order of the time since the last answered pulse: `at`, `s`, `p`, `level`.

    A pulse without an answer leaves the header to refill on. The level is how far the supply lies
    off its level of the day [Pa]: medians by block of time.
    """
    last = passed(header.time_s, opened_s) - 1
    since = header.time_s - np.append(opened_s, np.nan)[last]
    inside = (last >= 0) & (since >= _CLOSED_S) & (since < _REACH_S)
    points = {"at": header.time_s[inside], "s": since[inside], "p": header.value[inside]}
    block = (pl.col("at") // _BLOCK_S).cast(pl.Int64)
    return (
        pl.DataFrame(points)
        .sort("s", maintain_order=True)  # or bins hang on the number of threads
        .with_columns(bin=pl.int_range(pl.len()) * _MAX_BINS // pl.len())
        .with_columns(off=pl.col("p") - pl.col("p").median().over("bin"))
        .with_columns(level=pl.col("off").median().over(block))
    )


@dataclass(frozen=True, slots=True)
class _Limits:
    """Of all spans of a header: what may be seen and known of its refills.

    interval_s: to the next pulse. half_pa: half a dead-band, by which samples that were put back
    may be off. max_pa: as of `follow_refills`.
    """

    interval_s: float
    half_pa: float
    max_pa: float


def _fit(points: pl.DataFrame, limits: _Limits, powers: Floats) -> tuple[dict[str, Floats], Floats]:
    """Fit the fold of every span; also return the posterior of the powers, as `powers` came in.

    Args:
        points: with `span`, in order of `s`.
        powers: what is known of each power beforehand, shape (n_powers, n_spans).
    """
    fold, begin = _Fold.of(points, powers.shape[1])
    tau, width, chi = fold.nearest()
    fits = fold.fit(tau)
    best = fits.misfit.min(axis=(0, 2), keepdims=True)
    weight = np.exp(-0.5 * (fits.misfit - best) / chi)
    weight *= width * powers[:, :, None] * (fits.depth_pa > 0) * (fits.plateau_pa <= limits.max_pa)
    total = weight.sum(axis=(0, 2))
    # Where pressure falls from pulse to pulse no course has a depth, and there is no refill.
    is_known = (fold.flat - best[0, :, 0] > _MIN_GAIN * chi[:, 0]) & (total > 0)
    weight /= np.maximum(total, _TINY)[:, None]
    depth = np.maximum(fits.depth_pa, 1.0)
    end = limits.interval_s
    closed, late, left = (
        depth * _shape(at - begin[None, :, None], tau)
        for at in (trade.VALVE_OPEN.value, (1.0 - _LAST) * end, end)
    )
    drop = np.maximum(closed - left, 1.0)
    tau_63, t_95 = (
        np.log(tau * _time_constants(drop / depth, share * drop / depth))
        for share in (_E, _TWENTIETH)
    )

    def mean(value: Floats) -> Floats:
        return np.where(is_known, (weight * value).sum(axis=(0, 2)), np.nan)

    def error(value: Floats, own: Floats | float) -> Floats:
        return np.asarray(np.sqrt(mean((value - mean(value)[:, None]) ** 2 + own)))

    # Plateaus and times to 63 % are compared hour by hour, where what no sample shows is the same.
    hidden = BEYOND_ERROR * (late - left) / (_LAST * end) * np.exp(tau_63)
    # Near an end of a share s of the drop a course falls by about s of it in a time constant.
    half, off = (one / drop for one in (limits.half_pa, np.hypot(limits.half_pa, hidden)))
    fitted = {
        "tau_s": np.exp(mean(tau_63)),
        "tau_log_error": error(tau_63, _COURSE_ERROR**2 + (half / _E) ** 2),
        "recovery_s": np.exp(mean(t_95)),
        "recovery_log_error": error(t_95, _END_ERROR**2 + (off / _TWENTIETH / 3.0) ** 2),
        "plateau_pa": mean(fits.plateau_pa),
        "plateau_error_pa": error(
            fits.plateau_pa, fits.plateau_error_pa**2 * chi + (BEYOND_ERROR * left) ** 2
        ),
        "drop_pa": mean(drop),
        "left_pa": mean(left),
    }
    return fitted, weight.sum(axis=2)


@dataclass(frozen=True, slots=True)
class _Fits:
    """Best fits for given courses, shape (n_powers, n_spans, n_taus); misfit is a chi square."""

    misfit: Floats
    plateau_pa: Floats
    plateau_error_pa: Floats
    depth_pa: Floats


@dataclass(frozen=True, slots=True)
class _Fold:
    """Folds of spans, shape (n_spans, n_bins): times, pressures and weights, 0 where no bin is."""

    time_s: Floats
    level_pa: Floats
    weight: Floats

    @classmethod
    def of(cls, points: pl.DataFrame, n_spans: int) -> tuple[_Fold, Floats]:
        """Bins of equal numbers of samples, timed from each span's first, which is returned too."""
        n_bins = (pl.len() // _MIN_IN_BIN).clip(1, _MAX_BINS).over("span")
        nth = pl.int_range(pl.len()).over("span")
        spread = TO_DEVIATION / 2.0 * (pl.col("p").quantile(0.75) - pl.col("p").quantile(0.25))
        bins = (
            points.sort("span", maintain_order=True)
            .with_columns(bin=nth * n_bins // pl.len().over("span"))
            .group_by("span", "bin")
            .agg(pl.col("s", "p").median(), error=_OF_MEDIAN * spread / pl.len().sqrt())
            .filter(pl.len().over("span") >= _MIN_BINS)
            .with_columns(
                least=_LEAST_ERROR * (pl.col("p").max() - pl.col("p").min()).over("span"),
                begin=pl.col("s").min().over("span"),
            )
            .with_columns(
                s=pl.col("s") - pl.col("begin"),
                weight=1.0 / pl.max_horizontal("error", "least", pl.lit(1.0)) ** 2,
            )
        )
        table, begin = np.zeros((3, n_spans, _MAX_BINS)), np.zeros(n_spans)
        where = bins["span"].to_numpy(), bins["bin"].to_numpy()
        table[:, *where] = bins.select("s", "p", "weight").to_numpy().T
        begin[where[0]] = bins["begin"].to_numpy()
        return cls(*table), begin

    @property
    def flat(self) -> Floats:
        """Chi square of a level pressure, shape (n_spans,); 0 where there are no bins."""
        total = np.maximum(self.weight.sum(axis=1), _TINY)
        mean = (self.weight * self.level_pa).sum(axis=1) / total
        return np.asarray((self.weight * (self.level_pa - mean[:, None]) ** 2).sum(axis=1))

    def nearest(self) -> tuple[Floats, Floats, Floats]:
        """Time constants about the best of each power and span, their spacing, and chi square.

        The latter is per degree of freedom and at least 1, shape (n_spans, 1); the spacing (ln
        tau) has shape (n_powers, n_spans, 1).
        """
        n_spans, step = len(self.time_s), math.log(_TAU_S[1] / _TAU_S[0])
        misfit = self.fit(np.broadcast_to(_TAU_S, (_POWERS.size, n_spans, _TAU_S.size))).misfit
        at = np.clip(misfit.argmin(axis=2), 1, _TAU_S.size - 2)[..., None]
        low, mid, high = (np.take_along_axis(misfit, at + k, 2) for k in (-1, 0, 1))
        curvature = np.maximum(low - 2.0 * mid + high, 1e-9)
        best = np.log(_TAU_S[at]) + step * np.clip((low - high) / (2.0 * curvature), -1.0, 1.0)
        freedom = np.maximum((self.weight > 0).sum(axis=1) - 3, 1)
        chi = np.maximum(misfit.min(axis=(0, 2)) / freedom, 1.0)[:, None]
        width = np.clip(step * np.sqrt(2.0 * chi / curvature), _MIN_ZOOM, 1.0)
        return np.exp(best + width * _ZOOM), width, chi

    def fit(self, tau_s: Floats) -> _Fits:
        """Best plateau and depth of courses, by weighted least squares."""
        shape = _shape(self.time_s[:, None], tau_s[..., None])
        total = np.maximum(self.weight.sum(axis=1), _TINY)[:, None]
        level = (self.weight * self.level_pa).sum(axis=1)[:, None] / total
        off = self.level_pa - level
        weight = np.stack((self.weight, self.weight * off), axis=2)
        mean, both = np.moveaxis(shape @ weight, -1, 0)
        mean /= total
        square = (shape * shape @ weight[:, :, :1])[..., 0] - total * mean**2
        divisor = np.maximum(square, 1e-9 * total)
        depth = -both / divisor
        flat = (self.weight * off**2).sum(axis=1)[:, None]
        misfit = flat + depth * (2.0 * both + depth * square)
        error = np.sqrt(1.0 / total + mean**2 / divisor)
        return _Fits(misfit, level + depth * mean, error, depth)


def _time_constants(begin: Floats, end: Floats) -> Floats:
    """Time from one share of a course's depth to a smaller one, in its time constants."""
    bend = 1.0 - _POWERS[:, None, None]
    powered = (begin**bend - end**bend) / np.where(bend > 0, bend, 1.0)
    return np.asarray(np.where(bend > 0, powered, np.log(begin / end)))


def _shape(time_s: Floats, tau_s: Floats) -> Floats:
    """D(t) / D(0) of dD/dt = -k D^b for each of `_POWERS`, with tau = D / (-dD/dt) at the begin.

    Args:
        tau_s: shape (n_powers, ...).
    """
    into = time_s / tau_s
    *bent, straight = into
    shapes = [  # squares, and roots, are worked out many times faster than other powers
        (np.maximum(1.0 - (1.0 - power) * one, 0.0) ** (0.5 / (1.0 - power))) ** 2
        for power, one in zip(_POWERS, bent, strict=False)
    ]
    return np.stack([*shapes, np.exp(-np.maximum(straight, -_MAX_BACK))])
