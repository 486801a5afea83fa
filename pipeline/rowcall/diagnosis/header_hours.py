"""The headers of a baghouse hour by hour, against what is usual, as the rules on air read them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.diagnosis.headers import headers_of
from rowcall.diagnosis.shared_change import Parts, split
from rowcall.events.headers.refills import BEYOND_ERROR
from rowcall.model import BaghouseDay, Context, Fact, Floats

SURE = 0.95  # posterior from which an hour counts; chosen: the usual level of confidence
_MIN_HOURS = 3  # chosen: a header with fewer is judged by its refill over the day
_TAU_SPREAD = 0.05  # chosen, by trial: refills of a sound header differ so from hour to hour
_LEVEL_SPREAD = 0.003  # chosen, by trial: plateaus of sound headers on one supply agree to less
_MIN_WANDER = 0.01  # chosen: a regulator holds its setting to about 1 %

Hours = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Change:
    """By how much one quantity of headers is worse than usual, hour by hour.

    Attributes:
        value: of the quantity itself, shape (n_headers, n_hours); nan where it is not known.
        log, error: logarithm of the ratio to the usual one, and its error, alike.
        usual: of each header, shape (n_headers,); of the day's better hours where not `by_history`.
        by_history: whether earlier days say what is usual, shape (n_headers,).
        wander: standard deviation from hour to hour of a sound supply [-].
    """

    value: Floats
    log: Floats
    error: Floats
    usual: Floats
    by_history: Hours
    wander: float

    def parts(self, limit: float) -> Parts:
        """What all headers share, and each one's own."""
        return split(self.log, self.error, wander=self.wander, limit=limit)

    def over_the_day(self) -> Change:
        """The day as one hour: the mean change of all hours, weighed by their errors.

        Hours of which none is sure by itself may be sure together. What differs from hour to hour
        differs as much from day to day, so the error is never less than that.
        """
        known = np.isfinite(self.log) & np.isfinite(self.error)
        weight = np.where(known, self.error, np.inf) ** -2.0
        total = weight.sum(axis=1, keepdims=True)
        with np.errstate(invalid="ignore"):
            log = (weight * np.where(known, self.log, 0.0)).sum(axis=1, keepdims=True) / total
        error = np.hypot(np.where(total > 0, total, np.nan) ** -0.5, self.wander / 2)
        return replace(self, value=self.usual[:, None] * np.exp(log), log=log, error=error)

    def beyond(self, limit: float) -> Hours:
        """Where headers changed by more than a limit for sure, whoever shares it."""
        return np.asarray(self.log - 2.0 * self.error > limit)


@dataclass(frozen=True, slots=True)
class HeaderHours:
    """What the headers of a day show, of those that the site file names."""

    context: Context

    @property
    def headers(self) -> list[int]:
        """Headers by compartment; 0 is a shared one."""
        return headers_of(self.context.day)

    @property
    def n_hours(self) -> int:
        """Hours of the day, begun ones included."""
        return math.ceil(self.context.day.seconds / 3600.0)

    def table(self, column: str) -> Floats:
        """Return a column of `BaghouseDay.hours`, shape (n_headers, n_hours), nan where unknown."""
        out, hours = np.full((len(self.headers), self.n_hours), np.nan), self.context.day.hours
        for line, header in zip(out, self.headers, strict=True):
            own = hours.filter(pl.col("compartment") == header)
            line[own["hour"].to_numpy()] = own[column].to_numpy()
        return out

    def slower(self, min_days: float) -> Change:
        """How much longer refills take."""
        tau, error = self._filled("tau_s", Fact.TAU_S), self.table("tau_log_error")
        error = np.where(np.isfinite(error), np.hypot(error, _TAU_SPREAD), _TAU_SPREAD)
        usual, by_history = self._usual(Fact.TAU_S, tau, 0.25, min_days)
        log = np.log(tau / usual[:, None])
        return Change(tau, log, error, usual, by_history, 2 * _TAU_SPREAD)

    def lower(self, min_days: float) -> Change:
        """How much lower the pressures are that refills tend to."""
        level = self._filled("plateau_pa", Fact.PLATEAU_PA)
        own = np.hypot(self.table("plateau_error_pa"), self._hidden(min_days)) / level
        error = np.where(np.isfinite(own), np.hypot(own, _LEVEL_SPREAD), _LEVEL_SPREAD)
        usual, by_history = self._usual(Fact.PLATEAU_PA, level, 0.75, min_days)
        log = np.log(usual[:, None] / level)
        return Change(level, log, error, usual, by_history, self._wander())

    def _hidden(self, min_days: float) -> Floats:
        """Error of usual plateaus [Pa] beyond today's: the next pulse may have hidden more."""
        usual = self._past(Fact.SHORTFALL_PA, 0.5, min_days)[:, None]
        more = np.nan_to_num(usual**2 - self.table("left_pa") ** 2)
        return BEYOND_ERROR * np.sqrt(np.maximum(more, 0.0))

    def _filled(self, column: str, fact: Fact) -> Floats:
        """Return a column; where few hours show a refill, that of the day stands for all."""
        hourly = self.table(column)
        few = np.isfinite(hourly).sum(axis=1) < _MIN_HOURS
        day = np.array([self.context.facts.of(fact, header) for header in self.headers])
        return np.where(few[:, None], day[:, None], hourly)

    def _usual(
        self, fact: Fact, hourly: Floats, quantile: float, min_days: float
    ) -> tuple[Floats, Hours]:
        past = self._past(fact, quantile, min_days)
        known = np.isfinite(hourly).any(axis=1)
        today = np.full(past.size, np.nan)
        today[known] = np.nanquantile(hourly[known], quantile, axis=1)
        return np.where(np.isfinite(past), past, today), np.isfinite(past)

    def _past(self, fact: Fact, quantile: float, min_days: float) -> Floats:
        """What is usual of each header by earlier days, shape (n_headers,); nan: not known."""
        usual = self.context.history.usual
        return np.array(
            [usual(fact, one, 0, quantile=quantile, min_days=min_days) for one in self.headers]
        )

    def _wander(self) -> float:
        """How much plateaus usually vary from hour to hour."""
        facts, usual = self.context.facts, self._past(Fact.PLATEAU_SCATTER, 0.5, 1)
        today = [facts.of(Fact.PLATEAU_SCATTER, header) for header in self.headers]
        known = [value for value in (*usual, *today) if math.isfinite(value)]
        return max(_MIN_WANDER, float(np.median(known)) if known else 0.0)


def middle(values: Floats, hours: Hours) -> float:
    """Median of one header's values over some hours, nan where none is known."""
    inside = values[hours & np.isfinite(values)]
    return float(np.median(inside)) if inside.size else math.nan


def spell_hours(day: BaghouseDay, hours: Hours) -> str:
    """Write runs of hours by the plant's clock: `06:00-10:00, 14:00-15:00`."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], hours, [False])).astype(int)))
    return ", ".join(
        f"{day.clock(int(begin))}-{day.clock(int(end))}" for begin, end in edges.reshape(-1, 2)
    )


def span_of(context: Context, hours: Hours) -> tuple[datetime, datetime]:
    """Begin and end of the hours of a day."""
    at = np.flatnonzero(hours)
    return context.at(3600.0 * at[0]), context.at(3600.0 * (at[-1] + 1))


def supply_words(day: BaghouseDay, hours: Hours) -> str:
    """Say what the supply pressure was in some hours of the day and in the others."""
    if "supply_pressure_pa" not in day.minutes.columns:
        return " No tag for supply pressure is there to confirm it."
    is_in = (pl.col("minute") // 60).is_in(np.flatnonzero(hours).tolist())
    slow, rest = (
        day.minutes.filter(which)["supply_pressure_pa"].median() for which in (is_in, ~is_in)
    )
    if not isinstance(slow, float) or not isinstance(rest, float):
        return ""
    return (
        f" Supply pressure is {day.units.gauge.show(slow)} in these hours and "
        f"{day.units.gauge.show(rest)} in the others."
    )
