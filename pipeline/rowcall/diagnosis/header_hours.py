"""Header recovery by the hour: which hours of a day were slow, in one compartment or in all."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.events.headers.recovery import T95
from rowcall.model import BaghouseDay, Context, Fact
from rowcall.units import show

_MIN_COMMON = 0.5  # chosen: hours shared by all count as common when they are half of those of any


@dataclass(frozen=True, slots=True)
class HeaderHours:
    """What one compartment's header did on a day.

    usual_s is None where there are too few days of history to say; hours count from the start of
    the plant-local day.
    """

    compartment: int
    tau_s: float
    usual_s: float | None
    tau_by_hour: Mapping[int, float]
    slow_hours: frozenset[int]

    @property
    def n_hours(self) -> int:
        """Hours with enough pulses to judge."""
        return len(self.tau_by_hour)

    def tau_in(self, hours: frozenset[int]) -> float:
        """Median recovery constant over some of the hours [s]."""
        return float(np.median([self.tau_by_hour[hour] for hour in hours]))

    @property
    def against_usual(self) -> str:
        """The usual recovery constant in words, to follow today's."""
        if self.usual_s is None:
            return " (too few days yet to say what is usual)"
        return f" (usually {show(self.usual_s, 's', 1)})"


def header_hours(context: Context, compartment: int) -> HeaderHours | None:
    """Return a compartment's hours, None where no refill of it could be followed.

    An hour is slow at a multiple of the usual recovery constant (`slow_ratio`), or where it is
    longer than any usual one (`max_recovery`).
    """
    tau, limits = context.facts.of(Fact.TAU_S, compartment), context.limits
    if math.isnan(tau):
        return None
    past = context.history.usual(
        Fact.TAU_S, compartment, 0, quantile=0.25, min_days=limits["history_days"]
    )
    usual = None if math.isnan(past) else past
    max_tau_s = limits["max_recovery"] / T95
    if usual is not None:
        max_tau_s = min(max_tau_s, limits["slow_ratio"] * usual)
    judged = context.day.hours.filter(
        (pl.col("compartment") == compartment) & (pl.col("n_pulses") >= limits["min_pulses_hour"])
    )
    hours = dict(judged.select("hour", "tau_s").iter_rows())
    slow = frozenset(hour for hour, tau_h in hours.items() if tau_h > max_tau_s)
    return HeaderHours(compartment, tau, usual, hours, slow)


def common_hours(headers: Mapping[int, HeaderHours], n_compartments: int) -> frozenset[int]:
    """Return the hours slow in every compartment, where they are most of the hours slow in any."""
    if len(headers) < 2 or len(headers) < n_compartments:
        return frozenset()
    slow = [header.slow_hours for header in headers.values()]
    common, any_of = frozenset.intersection(*slow), frozenset.union(*slow)
    return common if len(common) >= _MIN_COMMON * len(any_of) else frozenset()


def pulse_interval(pulses: pl.DataFrame, compartment: int) -> float:
    """Return the median time between two pulses of a compartment [s], inf for fewer than two."""
    times = pulses.filter(pl.col("compartment") == compartment)["time_s"].to_numpy()
    return float(np.median(np.diff(times))) if times.size > 1 else float("inf")


def spell_hours(day: BaghouseDay, hours: frozenset[int]) -> str:
    """Write runs of hours by the plant's clock: `06:00-10:00, 14:00-15:00`."""
    ordered = sorted(hours)
    parts, begin = [], ordered[0]
    for here, following in zip(ordered, [*ordered[1:], -1], strict=True):
        if following != here + 1:
            parts.append(f"{day.clock(begin)}-{day.clock(here + 1)}")
            begin = following
    return ", ".join(parts)


def shared_words(own: frozenset[int], shared: frozenset[int] | None) -> str:
    """Say whether slow hours are shared; `shared` is None where others cannot be compared."""
    if shared is None:
        return "whether other compartments share it cannot be said"
    if own & shared:
        return f"{len(own & shared)} of these hours are slow in another compartment too"
    return "the other compartments do not share it"


def supply_words(day: BaghouseDay, hours: frozenset[int]) -> str:
    """Say what the supply pressure was in some hours of the day and in the others."""
    if "supply_pressure_pa" not in day.minutes.columns:
        return " No tag for supply pressure is there to confirm it."
    in_hours = day.minutes.select(
        pl.col("supply_pressure_pa"), (pl.col("minute") // 60).is_in(list(hours)).alias("is_slow")
    )
    slow, rest = (
        in_hours.filter(pl.col("is_slow") == flag)["supply_pressure_pa"].median()
        for flag in (True, False)
    )
    if not isinstance(slow, float) or not isinstance(rest, float):
        return ""
    return (
        f" Supply pressure is {show(slow, 'bar', 2)} gauge in these hours and "
        f"{show(rest, 'bar', 2)} in the others."
    )
