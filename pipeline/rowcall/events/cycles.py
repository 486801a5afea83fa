"""DP cleaning cycles: residual DP, peak DP, cycle time and the pulses in each.

ISO 11057 names the pair that shows a filter medium's age: the residual pressure drop just after a
cleaning and the duration of the cycle. On demand, a cycle runs from the start of one bout of
cleaning to the start of the next. On time, cleaning never pauses, so a cycle is one pass of the
firing order, its residual DP the level that the ripple falls to and its peak the one it rises to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.condition.minutes import shared_signal
from rowcall.condition.state import State
from rowcall.model import Floats, Signal
from rowcall.site import Baghouse, Role

_SETTLE_S = 5.0  # chosen: the last pulse's own kick on DP has died out by then
_RESIDUAL_S = 30.0  # chosen: long enough to average turbulence, short against a new cake
_PEAK_S = 15.0  # chosen: long enough to average turbulence, short against the rise of DP
_PAUSE_INTERVALS = 4.0  # chosen: this many row intervals without a pulse end a bout of cleaning
_RIPPLE = (0.10, 0.90)  # chosen: quantiles that stand for the foot and crest of the ripple

CYCLE_COLUMNS = {
    "start_s": pl.Float64,
    "end_s": pl.Float64,
    "residual_dp_pa": pl.Float64,
    "peak_dp_pa": pl.Float64,
    "cycle_time_s": pl.Float64,
    "n_pulses": pl.Int64,
    "flow_m3_s": pl.Float64,
    "state_running": pl.Boolean,
}


@dataclass(frozen=True, slots=True)
class _Span:
    """A cycle [start, end), and the bout of cleaning [clean_start, clean_end] that opens it."""

    start_s: float
    end_s: float
    clean_start_s: float
    clean_end_s: float
    n_pulses: int


def find_cycles(
    baghouse: Baghouse,
    signals: Mapping[tuple[Role, int, int], Signal],
    pulses: pl.DataFrame,
    minutes: pl.DataFrame,
    is_complete: bool = True,
) -> pl.DataFrame:
    """Return the cleaning cycles of a day (`BaghouseDay.cycles`), empty without DP or cleaning.

    Args:
        is_complete: no fire is missing in `pulses`; where some are, a pause says nothing.
    """
    dp = shared_signal(signals, Role.DP)
    if dp is None:
        return pl.DataFrame(schema=CYCLE_COLUMNS)
    fired = pulses["time_s"].to_numpy()
    on_demand = baghouse.cleaning.mode == "on_demand"
    if on_demand:
        switch = shared_signal(signals, Role.CLEANING_ON)
        by_pause = is_complete and fired.size > 1
        bouts = _bouts_by_pause(fired, baghouse) if by_pause else _bouts_by_switch(switch)
        spans = _between_bouts(bouts, fired)
    else:
        spans = _passes(fired, pulses, baghouse) if is_complete else []
    running = _running(minutes)
    flow = _flow_per_cloth(minutes)
    lines = [_measure(span, dp, flow, running, on_demand) for span in spans]
    kept = [line for line in lines if line is not None]
    return pl.DataFrame(kept, schema=CYCLE_COLUMNS, orient="row")


def _bouts_by_pause(fired: Floats, baghouse: Baghouse) -> list[tuple[float, float]]:
    pause = _PAUSE_INTERVALS * max(baghouse.cleaning.interval, float(np.median(np.diff(fired))))
    cut = np.flatnonzero(np.diff(fired) > pause)
    first, last = np.append(0, cut + 1), np.append(cut, fired.size - 1)
    return list(zip(fired[first].tolist(), fired[last].tolist(), strict=True))


def _bouts_by_switch(switch: Signal | None) -> list[tuple[float, float]]:
    if switch is None:
        return []
    is_on = switch.value > 0.5
    begin = np.flatnonzero(is_on[1:] & ~is_on[:-1]) + 1
    end = np.flatnonzero(~is_on[1:] & is_on[:-1]) + 1
    end = end[end > begin[0]] if begin.size else end[:0]
    return list(zip(switch.time_s[begin].tolist(), switch.time_s[end].tolist(), strict=False))


def _between_bouts(bouts: list[tuple[float, float]], fired: Floats) -> list[_Span]:
    counts = np.searchsorted(fired, [end for _, end in bouts], "right") - np.searchsorted(
        fired, [begin for begin, _ in bouts]
    )
    return [
        _Span(begin, following, begin, end, int(n))
        for (begin, end), (following, _), n in zip(bouts, bouts[1:], counts, strict=False)
    ]


def _passes(fired: Floats, pulses: pl.DataFrame, baghouse: Baghouse) -> list[_Span]:
    """One pass of all rows each, counted from the fires of the row that opens the sequence."""
    rows = pulses.select("compartment", "row").drop_nulls().unique().sort("compartment", "row")
    if fired.size == 0:
        return []
    if rows.height:
        compartment, row = rows.row(0)
        mark = pulses.filter((pl.col("compartment") == compartment) & (pl.col("row") == row))[
            "time_s"
        ].to_numpy()
    else:
        mark = fired[:: len(baghouse.all_rows())]
    max_pass_s = 3.0 * len(baghouse.all_rows()) * baghouse.cleaning.interval
    begin, end = mark[:-1], mark[1:]
    counts = np.searchsorted(fired, end) - np.searchsorted(fired, begin)
    return [
        _Span(b, e, b, e, int(n))
        for b, e, n in zip(begin.tolist(), end.tolist(), counts, strict=True)
        if e - b <= max_pass_s
    ]


def _measure(
    span: _Span, dp: Signal, flow: Floats | None, running: Floats, on_demand: bool
) -> tuple[float | int | bool | None, ...] | None:
    """Return the line of a cycle, None where DP has no points for it."""
    if on_demand:
        low = _values(dp, span.clean_end_s + _SETTLE_S, span.clean_end_s + _SETTLE_S + _RESIDUAL_S)
        high = _values(dp, span.clean_start_s - _PEAK_S, span.clean_start_s)
        residual, peak = _median(low), _median(high)
        judged = (span.clean_start_s - _PEAK_S, span.clean_end_s + _SETTLE_S + _RESIDUAL_S)
        flow_span = (span.clean_end_s, span.clean_end_s + _SETTLE_S + _RESIDUAL_S)
    else:
        inside = _values(dp, span.start_s, span.end_s)
        residual, peak = (
            (float(q) for q in np.quantile(inside, _RIPPLE)) if inside.size else (None, None)
        )
        judged = flow_span = (span.start_s, span.end_s)
    if residual is None:
        return None
    is_running = bool(np.all(_over(running, *judged) > 0))
    mean_flow = None if flow is None else _mean(_over(flow, *flow_span))
    return (
        span.start_s,
        span.end_s,
        residual,
        peak,
        span.end_s - span.start_s,
        span.n_pulses,
        mean_flow,
        is_running,
    )


def _values(signal: Signal, begin_s: float, end_s: float) -> Floats:
    first, last = np.searchsorted(signal.time_s, (begin_s, end_s))
    return signal.value[first:last]


def _over(per_minute: Floats, begin_s: float, end_s: float) -> Floats:
    """Return the minute values from `begin_s` to `end_s`, at least one."""
    last = per_minute.size - 1
    first = min(max(int(begin_s // 60), 0), last)
    return per_minute[first : max(min(int(end_s // 60), last), first) + 1]


def _running(minutes: pl.DataFrame) -> Floats:
    is_running = minutes["state"] == State.RUNNING.value
    return is_running.cast(pl.Float64).to_numpy()


def _flow_per_cloth(minutes: pl.DataFrame) -> Floats | None:
    """Flow corrected to all compartments on line: with one off, the rest see more velocity."""
    if "gas_flow_m3_s" not in minutes.columns:
        return None
    share = pl.when(pl.col("on_line_frac") > 0).then(pl.col("on_line_frac"))
    flow = minutes.select(pl.col("gas_flow_m3_s") / share).to_series()
    return flow.fill_null(float("nan")).to_numpy()


def _median(values: Floats) -> float | None:
    return float(np.median(values)) if values.size else None


def _mean(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else None
