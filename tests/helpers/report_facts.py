"""The numbers behind the judged day of the report tests: facts, history, minutes, cycles."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.model import (
    FACT_COLUMNS,
    HISTORY_COLUMNS,
    VERDICT_COLUMNS,
    Fact,
    History,
    Signal,
    Verdict,
)
from rowcall.model.day import HOUR_COLUMNS

DAY = date(2026, 11, 24)
START = datetime(2026, 11, 23, 23, tzinfo=UTC)  # midnight in Vienna
SILENT, CLOSES_LATE, FADING = (1, 4), (2, 9), (2, 2)
NOT_PULSED, MISSES_PULSES = (1, 7), (2, 5)
CLOSE_S, LATE_S = 0.15, 0.6  # a sound valve, and how much later the hanging one
Line = tuple[int, int, Fact, float]
Floats = npt.NDArray[np.float64]


class Scatter:
    """Numbers that look drawn at random and are the same with every version of every library."""

    def __init__(self, seed: int) -> None:
        self._n = seed

    def normal(self, scale: float) -> float:
        """Return a number of mean 0 and standard deviation `scale`."""
        self._n += 1
        return scale * math.sqrt(2) * math.sin(12.9898 * self._n**1.5)

    def normals(self, scale: float, size: int) -> Floats:
        """Return such numbers, shape (size,)."""
        return np.array([self.normal(scale) for _ in range(size)])


def fact_table(lines: list[Line]) -> pl.DataFrame:
    """Return facts as a day has them."""
    named = [(compartment, row, fact.column, value) for compartment, row, fact, value in lines]
    return pl.DataFrame(named, schema=FACT_COLUMNS, orient="row")


def past_facts(lines: list[tuple[date, Line]]) -> pl.DataFrame:
    """Return facts as a history has them."""
    named = [(day, c, row, fact.column, value) for day, (c, row, fact, value) in lines]
    return pl.DataFrame(named, schema=HISTORY_COLUMNS, orient="row")


OTHER_FACTS: list[Line] = [
    *((*NOT_PULSED, fact, 0.0) for fact in (Fact.N_SENT, Fact.N_JUDGED, Fact.N_ANSWERED)),
    *((*NOT_PULSED, fact, math.nan) for fact in (Fact.DROP_PA, Fact.DROP_RATIO, Fact.LATE_S)),
    (*MISSES_PULSES, Fact.N_ANSWERED, 144.0),
    (*MISSES_PULSES, Fact.DROP_PA, 0.95e5),
    (*MISSES_PULSES, Fact.DROP_RATIO, 0.6),
]


def with_facts(facts: pl.DataFrame, lines: list[Line]) -> pl.DataFrame:
    """Put facts in place of those that a day has; nan takes one away."""
    changed = fact_table(lines)
    kept = facts.join(changed, on=["compartment", "row", "name"], how="anti")
    return pl.concat([kept, changed.filter(pl.col("value").is_finite())])


def minutes(scatter: Scatter) -> pl.DataFrame:
    """Return the minute table: a sawtooth with an hour's stop."""
    minute = np.arange(1440)
    dp = 1200 + 300 * ((minute % 22) / 22) + scatter.normals(12, 1440)
    stopped = (minute >= 360) & (minute < 420)
    dp[stopped] = 15.0
    columns: dict[str, Any] = {
        "minute": minute,
        "state": np.where(stopped, "idle", "running"),
        "dp_pa": dp,
    }
    return pl.DataFrame(columns).with_columns(pl.col("minute").cast(pl.Int64))


def inlet(compartment: int) -> Signal:
    """Return the inlet temperature of a compartment; a short hot spell in the second one."""
    minute = np.arange(1440)
    bump = 27 * np.exp(-(((minute - 840) / 14) ** 2)) * (compartment == 2)
    return Signal(minute * 60.0, 124 + 4 * np.sin(minute / 200) + bump - 2 * (compartment == 1))


def hours(scatter: Scatter, compartments: int) -> pl.DataFrame:
    """Return recovery by the hour: compartment 2 is slow in the afternoon."""
    places = [(c, hour) for c in range(1, compartments + 1) for hour in range(24)]
    slow = np.array([c == 2 and 12 <= hour <= 17 for c, hour in places])
    tau = 1.9 + 2.4 * slow + scatter.normals(0.08, len(places))
    return (
        pl.DataFrame(places, schema=["compartment", "hour"], orient="row")
        .with_columns(
            n_pulses=30,
            tau_s=tau,
            tau_log_error=0.03,
            recovery_s=math.log(20.0) * tau,  # as of a first-order refill
            recovery_log_error=0.03,
            plateau_pa=6.0e5,
            plateau_error_pa=500.0,
            drop_pa=1.3e5,
            left_pa=500.0,
        )
        .cast(HOUR_COLUMNS)  # type: ignore[arg-type]
    )


def cycles() -> pl.DataFrame:
    """Return the cleaning cycles of the sawtooth."""
    start = np.arange(0, 86400 - 1320, 1320.0)
    start = start[(start < 20000) | (start > 25200)]
    n = len(start)
    return pl.DataFrame(
        {
            "start_s": start,
            "end_s": start + 1320,
            "residual_dp_pa": 1200 + 20 * np.sin(np.arange(n)),
            "peak_dp_pa": np.full(n, 1500.0),
            "cycle_time_s": np.full(n, 1320.0),
            "n_pulses": np.full(n, 24),
            "flow_m3_s": np.full(n, 42.0),
            "state_running": np.full(n, True),
        }
    )


def stacks(scatter: Scatter, rows: tuple[int, ...]) -> pl.DataFrame:
    """Return the stacked pulses: peers drop by 27 %, one row not at all, one closes 0.6 s late."""
    since = np.concatenate((np.arange(0.025, 1.0, 0.05), np.arange(1.05, 12.0, 0.5)))
    usual = _blow(since, CLOSE_S)
    parts = []
    for compartment, n_rows in enumerate(rows, start=1):
        for row in range(1, n_rows + 1):
            mean = usual * (1 + scatter.normal(0.03)) + scatter.normals(0.002, since.size)
            if (compartment, row) == SILENT:
                mean = scatter.normals(0.002, since.size)
            if (compartment, row) == CLOSES_LATE:
                mean = 1.58 * _blow(since, CLOSE_S + LATE_S)
            parts.append(
                pl.DataFrame({"since_s": since, "mean": mean, "usual": usual}).with_columns(
                    compartment=pl.lit(compartment, pl.Int64),
                    row=pl.lit(row, pl.Int64),
                    count=pl.lit(25.0),
                    point_error=pl.lit(0.01),
                    close_s=pl.lit(CLOSE_S),
                )
            )
    return pl.concat(parts)


def other_stacks(stacked: pl.DataFrame) -> pl.DataFrame:
    """Return the stacks with the drops of the rows of `OTHER_FACTS`, and of one that is weak."""

    def of(place: tuple[int, int]) -> pl.Expr:
        return (pl.col("compartment") == place[0]) & (pl.col("row") == place[1])

    share = pl.when(of(MISSES_PULSES)).then(0.6).when(of(FADING)).then(0.62).otherwise(1.0)
    return stacked.filter(~of(NOT_PULSED)).with_columns(pl.col("mean") * share)


def _blow(since_s: Floats, close_s: float) -> Floats:
    return 0.27 * np.where(since_s < close_s, since_s / close_s, np.exp(-(since_s - close_s) / 1.9))


def facts_of_day(scatter: Scatter, rows: tuple[int, ...], ago: int) -> list[Line]:
    """Return the facts of one day, `ago` days before the reported one."""
    whole = {
        Fact.RESIDUAL_DP_PA: 1440.0 - 2.6 * ago + scatter.normal(12),
        Fact.PEAK_DP_PA: 1500.0,
        Fact.START_DP_PA: 1502.0,
        Fact.ROW_INTERVAL_S: 20.0,
        Fact.CYCLE_TIME_S: 1320.0 + 4 * ago,
        Fact.DP_FLAT_S: 0.0,
        Fact.DP_NOISE_STEPS: 4.2,
        Fact.DP_NOISE_PA: 9.0,
        Fact.RESIDUAL_DRAG: 79000.0 - 150 * ago,
        Fact.RUNNING_MIN: 1380.0,
        Fact.OPACITY_BASE: 0.031,
        Fact.OPACITY_BASE_ERROR: 0.0004,
        Fact.N_STARTS: float(ago == 0),
        Fact.COLD_GAS_MIN: 2.0 * (ago == 0),
    }
    out: list[Line] = [(0, 0, fact, float(value)) for fact, value in whole.items()]
    for compartment, n_rows in enumerate(rows, start=1):
        out += [(compartment, 0, Fact.TAU_S, 1.9), (compartment, 0, Fact.BEFORE_PA, 5.9e5)]
        out.append((compartment, 0, Fact.RECOVERY_S, 1.9 * math.log(20.0)))
        out += [(compartment, 0, Fact.N_PULSES, 2880.0)]
        out += [(compartment, 0, Fact.CLOCK_OFFSET_S, 1.4)]
        for row in range(1, n_rows + 1):
            out += _row_facts(scatter, compartment, row, ago, n_rows)
    return out


def _row_facts(scatter: Scatter, compartment: int, row: int, ago: int, n_rows: int) -> list[Line]:
    ratio, answered, late = 1 + scatter.normal(0.04), 240.0, 0.01
    place = (compartment, row) if n_rows == 12 else None
    if place == SILENT and ago < 9:
        ratio, answered = 0.0, 0.0
    if place == CLOSES_LATE:
        ratio, late = (1.58, LATE_S) if ago < 2 else (1.0 + 0.02 * max(0, 15 - ago), 0.01)
    if place == FADING:
        ratio = 0.62 + 0.012 * ago
    numbers = {
        Fact.N_SENT: 240.0,
        Fact.N_JUDGED: 240.0,
        Fact.N_ANSWERED: answered,
        Fact.DROP_PA: 1.6e5 * ratio,
        Fact.DROP_RATIO: ratio,
        Fact.DROP_RATIO_ERROR: 0.02,
        Fact.LATE_S: late,
        Fact.LATE_S_ERROR: 0.05,
        Fact.TAU_S: 1.9 + 0.02 * row,
    }
    if row == 11 and ago < 5:  # not judged
        del numbers[Fact.DROP_PA], numbers[Fact.DROP_RATIO]
    return [(compartment, row, fact, float(value)) for fact, value in numbers.items()]


def history_of(scatter: Scatter, rows: tuple[int, ...], days: int) -> History:
    """Return the facts and verdicts of the days before."""
    lines: list[tuple[date, Line]] = []
    verdicts: list[tuple[date, str, int, int, str, str | None]] = []
    for ago in range(days, 0, -1):
        when = DAY - timedelta(days=ago)
        if ago == 20:  # the unit stood still for a day
            continue
        of_day = facts_of_day(scatter, rows, ago)
        lines += [(when, line) for line in of_day if ago <= 30 or line[1] == 0]
        for compartment, n_rows in enumerate(rows, start=1):
            for row in range(1, n_rows + 1):
                verdicts += _past_verdicts(when, compartment, row, ago, n_rows)
    return History(past_facts(lines), pl.DataFrame(verdicts, schema=VERDICT_COLUMNS, orient="row"))


def _past_verdicts(
    when: date, compartment: int, row: int, ago: int, n_rows: int
) -> list[tuple[date, str, int, int, str, str | None]]:
    place = (compartment, row) if n_rows == 12 else None
    found = {
        "row_silent": place == SILENT and ago < 9,
        "row_closes_late": place == CLOSES_LATE and ago < 2,
    }
    unknown = Verdict.CANNOT_TELL if row == 11 and ago < 5 else Verdict.CLEAR
    return [
        (when, rule, compartment, row, Verdict.FOUND, "next outage")
        if is_found
        else (when, rule, compartment, row, unknown, None)
        for rule, is_found in found.items()
    ]
