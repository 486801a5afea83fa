"""Starts and stops of the unit: when, how cold the gas was meanwhile, and when pulsing began.

A start runs from the first second of gas until the unit runs (`condition.state`), or until the gas
stays warmer than its dew points, whichever is later; a stop from where the unit slows down until
the gas stands. Shorter halts than `MIN_HALT_S` are dips of a signal.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from rowcall.condition.state import State, runs
from rowcall.events.operation.gas_seconds import GasSeconds, Mask
from rowcall.model import START_COLUMNS, Floats

MIN_HALT_S = 300  # [s] chosen: a shorter one is a dip of the signal
_RAMP_S = 300  # [s] chosen: over so long the noise of a thermocouple hardly counts
_WARM_S = 300  # [s] chosen: warm for less is the noise of a thermocouple, or a swing of the gas
_MIN_KNOWN = 0.9  # chosen: with more of an event unknown, its minutes would mislead
MAX_COLD_S = 7200  # [s] chosen: heating up for longer than two hours is a way of running


def find_starts(gas: GasSeconds | None, minutes: pl.DataFrame, pulses_s: Floats) -> pl.DataFrame:
    """Return the starts and stops of a day, columns `START_COLUMNS`, in order of time.

    A run of gas at the day's begin has no start, and one at its end no stop.

    Args:
        minutes: the minute table, for the state of the unit and the highest DP.
        pulses_s: when rows were pulsed, ascending, shape (n,) [s].
    """
    if gas is None:
        return pl.DataFrame(schema=START_COLUMNS)
    running = np.repeat((minutes["state"] == State.RUNNING.value).to_numpy(), 60)
    lines = []
    for begin, end in _spans_of_gas(gas):
        at = np.flatnonzero(running[begin:end])
        first, last = (int(at[0]), int(at[-1]) + 1) if at.size else (end - begin, 0)
        if begin > 0 and gas.is_known[begin - 1]:
            until = begin + max(first, _cold_for(gas, begin, end))
            lines.append(_event("start", begin, until, gas, minutes, pulses_s))
        if end < gas.is_moving.size and gas.is_known[end]:
            since = begin + last
            lines.append(_event("stop", since, end, gas, minutes, pulses_s))
    table = pl.DataFrame(lines, schema=START_COLUMNS, orient="row")
    return table.with_columns(pl.col(pl.Float64).fill_nan(None))


def _cold_for(gas: GasSeconds, begin: int, end: int) -> int:
    """Return how many seconds pass until gas stays warmer than the highest of its dew points."""
    limit_c = np.fmax(gas.water_c, gas.acid_c)[begin:end]
    return next((first for first, _ in _warm_spans(gas.calm_c[begin:end] >= limit_c)), 0)


def _warm_spans(is_warm: Mask) -> list[tuple[int, int]]:
    """Return [first, end) of each time warm for long enough, or at an end of what is asked."""
    return [
        (first, end)
        for first, end in runs(is_warm)
        if end - first >= _WARM_S or first == 0 or end == is_warm.size
    ]


def _event(
    kind: str,
    begin: int,
    end: int,
    gas: GasSeconds,
    minutes: pl.DataFrame,
    pulses_s: Floats,
) -> tuple[object, ...]:
    inlet_c = gas.inlet_c[begin:end]
    is_known = inlet_c.size > 0 and np.isfinite(inlet_c).mean() >= _MIN_KNOWN
    cold_s = [
        float(gas.below(limit_c)[begin:end].sum())
        if is_known and np.isfinite(limit_c[begin:end]).all()
        else None
        for limit_c in (gas.water_c, gas.acid_c)
    ]
    dp = minutes.slice(begin // 60, max(1, (end - begin) // 60))
    pulsed = pulses_s[(pulses_s >= begin) & (pulses_s < end + MIN_HALT_S)]
    return (
        kind,
        float(begin),
        float(end),
        *cold_s,
        _steepest(inlet_c) if is_known else None,
        float(np.nanmax(inlet_c)) if is_known else None,
        dp["dp_pa"].max() if "dp_pa" in dp.columns else None,
        float(pulsed[0] - begin) if pulsed.size else None,
    )


def _steepest(inlet_c: Floats) -> float | None:
    """Return the fastest change over some minutes [K/min], with its sign."""
    known = inlet_c[np.isfinite(inlet_c)]
    if known.size <= _RAMP_S:
        return None
    change = (known[_RAMP_S:] - known[:-_RAMP_S]) / (_RAMP_S / 60)
    return float(change[np.argmax(np.abs(change))])


def _spans_of_gas(gas: GasSeconds) -> Iterator[tuple[int, int]]:
    """Yield [begin, end) of each run of gas [s]; short halts are parts of a run."""
    has_gas = np.ones(gas.is_moving.size, np.bool_)
    for begin, end in runs(~gas.is_moving):
        has_gas[begin:end] = end - begin < MIN_HALT_S
    yield from runs(has_gas)


def cold_events(
    gas: GasSeconds, starts: pl.DataFrame, limit_c: Floats
) -> list[tuple[str, int, int]]:
    """Return kind, begin and end [s] of the day's starts and stops, with all cold gas of each.

    A start lasts at least until gas stays above the limit, a stop since it last did. A run of gas
    that goes on over midnight may have its start or stop there: cold gas at an end of the day is
    one, save where it lasts longer than `MAX_COLD_S`.

    Args:
        starts: columns `START_COLUMNS`.
        limit_c: below it gas is cold, by second, shape (n,) [degC].
    """
    n = gas.inlet_c.size
    begins, ends = (
        starts.filter(kind=kind)[column].cast(pl.Int64).to_list()
        for kind, column in (("start", "begin_s"), ("stop", "end_s"))
    )
    found = []
    for kind, begin, end in starts.select("kind", "begin_s", "end_s").iter_rows():
        since = max((one for one in begins if one <= begin), default=0)
        until = min((one for one in ends if one >= end), default=n)
        found.append(
            (kind, *_with_cold(gas, kind, (int(begin), int(end)), (since, until), limit_c))
        )
    for kind, edge, run in (
        ("start", 0, (0, min(ends, default=n))),
        ("stop", n, (max(begins, default=0), n)),
    ):
        begin, end = _with_cold(gas, kind, (edge, edge), run, limit_c)
        if 0 < end - begin <= MAX_COLD_S and gas.is_moving[begin:end].any():
            found.append((kind, begin, end))
    return found


def _with_cold(
    gas: GasSeconds, kind: str, own: tuple[int, int], run: tuple[int, int], limit_c: Floats
) -> tuple[int, int]:
    """Widen an event within its run of gas to where gas is warm; not at all where it never is."""
    warm = _warm_spans(gas.calm_c[slice(*run)] >= limit_c[slice(*run)])
    begin, end = own
    if not warm:
        return own
    if kind == "start":
        return begin, max(end, run[0] + warm[0][0])
    return min(begin, run[0] + warm[-1][1]), end
