"""The numbers behind the judged day of the report tests: facts, history, minutes, cycles."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

DAY = date(2026, 11, 24)
START = datetime(2026, 11, 23, 23, tzinfo=UTC)  # midnight in Vienna
SILENT, DRAWN_OUT = (1, 4), (2, 9)
CLOSE_S, LATE_S = 0.15, 0.6  # a sound valve, and how much later the hanging one
FACT_SCHEMA = {"compartment": pl.Int64, "row": pl.Int64, "name": pl.String, "value": pl.Float64}
HISTORY_SCHEMA = {"day": pl.Date, **FACT_SCHEMA}
Fact = tuple[int, int, str, float]
Floats = npt.NDArray[np.float64]


def minutes(rng: np.random.Generator, heat: bool) -> pl.DataFrame:
    """Return the minute table: a sawtooth with an hour's stop, and a short hot spell."""
    minute = np.arange(1440)
    dp = 1200 + 300 * ((minute % 22) / 22) + rng.normal(0, 12, 1440)
    stopped = (minute >= 360) & (minute < 420)
    dp[stopped] = 15.0
    columns: dict[str, Any] = {
        "minute": minute,
        "state": np.where(stopped, "idle", "running"),
        "dp_pa": dp,
    }
    if heat:
        bump = 27 * np.exp(-(((minute - 840) / 14) ** 2))
        columns["inlet_temperature_c"] = 124 + 4 * np.sin(minute / 200) + bump
    return pl.DataFrame(columns).with_columns(pl.col("minute").cast(pl.Int64))


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


def stacks(rng: np.random.Generator, rows: tuple[int, ...]) -> pl.DataFrame:
    """Return the stacked pulses: peers drop by 27 %, one row not at all, one closes 0.6 s late."""
    since = np.concatenate((np.arange(0.025, 1.0, 0.05), np.arange(1.05, 12.0, 0.5)))
    usual = _blow(since, CLOSE_S)
    parts = []
    for compartment, n_rows in enumerate(rows, start=1):
        for row in range(1, n_rows + 1):
            mean = usual * (1 + rng.normal(0, 0.03)) + rng.normal(0, 0.002, since.size)
            if (compartment, row) == SILENT:
                mean = rng.normal(0, 0.002, since.size)
            if (compartment, row) == DRAWN_OUT:
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


def _blow(since_s: Floats, close_s: float) -> Floats:
    return 0.27 * np.where(since_s < close_s, since_s / close_s, np.exp(-(since_s - close_s) / 1.9))


def facts_of_day(rng: np.random.Generator, rows: tuple[int, ...], ago: int) -> list[Fact]:
    """Return the facts of one day, `ago` days before the reported one."""
    whole = {
        "residual_dp_pa": 1440.0 - 2.6 * ago + rng.normal(0, 12),
        "peak_dp_pa": 1500.0,
        "cycle_time_s": 1320.0 + 4 * ago,
        "n_cycles": 62.0,
        "n_pulses": 1490.0,
        "flow_m3_s": 42.0,
        "residual_drag": 79000.0 - 150 * ago,
        "running_min": 1380.0,
    }
    out: list[Fact] = [(0, 0, name, float(value)) for name, value in whole.items()]
    for compartment, n_rows in enumerate(rows, start=1):
        out += [(compartment, 0, "tau_s", 1.9), (compartment, 0, "before_pa", 5.9e5)]
        out += [(compartment, 0, "n_pulses", 730.0), (compartment, 0, "clock_offset_s", 1.4)]
        for hour in range(24):
            slow = 2.4 if compartment == 2 and 12 <= hour <= 17 else 0.0
            tau = 1.9 + slow + rng.normal(0, 0.08)
            out.append((compartment, 0, f"tau_s_h{hour:02d}", float(tau)))
        for row in range(1, n_rows + 1):
            out += _row_facts(rng, compartment, row, ago, n_rows)
    return out


def _row_facts(
    rng: np.random.Generator, compartment: int, row: int, ago: int, n_rows: int
) -> list[Fact]:
    ratio, answered, delay = 1 + rng.normal(0, 0.04), 240.0, 0.2
    if n_rows == 12 and (compartment, row) == SILENT and ago < 9:
        ratio, answered = 0.0, 0.0
    if n_rows == 12 and (compartment, row) == DRAWN_OUT:
        ratio, delay = (1.58, 0.9) if ago < 2 else (1.0 + 0.02 * max(0, 15 - ago), 0.2)
    if n_rows == 12 and (compartment, row) == (2, 2):
        ratio = 0.62 + 0.012 * ago
    if row == 11 and ago < 5:
        ratio = float("nan")
    numbers = {
        "n_called": 240.0,
        "n_heard": 240.0,
        "n_answered": answered,
        "drop_pa": 1.6e5 * ratio,
        "drop_ratio": ratio,
        "drop_ratio_error": 0.02,
        "late_s": LATE_S if delay > 0.5 else 0.01,
        "late_s_error": 0.05,
        "min_delay_s": delay,
        "tau_s": 1.9 + 0.02 * row,
    }
    return [(compartment, row, name, float(value)) for name, value in numbers.items()]


def history_of(rng: np.random.Generator, rows: tuple[int, ...], days: int) -> pl.DataFrame:
    """Return the facts and verdicts of the days before."""
    lines: list[tuple[date, int, int, str, float]] = []
    for ago in range(days, 0, -1):
        when = DAY - timedelta(days=ago)
        if ago == 20:  # the unit stood still for a day
            continue
        kept = [fact for fact in facts_of_day(rng, rows, ago) if ago <= 30 or fact[1] == 0]
        lines += [(when, *fact) for fact in kept]
        for compartment, n_rows in enumerate(rows, start=1):
            for row in range(1, n_rows + 1):
                lines += _past_verdicts(when, compartment, row, ago, n_rows)
    return pl.DataFrame(lines, schema=HISTORY_SCHEMA, orient="row")


def _past_verdicts(
    when: date, compartment: int, row: int, ago: int, n_rows: int
) -> list[tuple[date, int, int, str, float]]:
    silent = n_rows == 12 and (compartment, row) == SILENT and ago < 9
    drawn = n_rows == 12 and (compartment, row) == DRAWN_OUT and ago < 2
    unknown = row == 11 and ago < 5
    verdicts = {"verdict_silent": silent, "verdict_drawn_out": drawn}
    return [
        (when, compartment, row, name, float("nan") if unknown else float(found))
        for name, found in verdicts.items()
    ]
