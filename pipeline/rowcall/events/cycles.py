"""DP cleaning cycles: residual DP, peak DP, cycle time and the pulses in each.

ISO 11057 names the pair that shows a filter medium's age: the residual pressure drop just after a
cleaning and the duration of the cycle. On demand, a cycle runs from the start of one bout of
cleaning to the start of the next. On time, cleaning never pauses, so a cycle is one pass of the
firing order, its residual DP the level that the ripple falls to and its peak the one it rises to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.condition.minutes import shared_signal
from rowcall.condition.state import State
from rowcall.model import Floats, Signal
from rowcall.site import Baghouse, Role

_SETTLE_S = 5.0  # chosen: the last pulse's own kick on DP has died out by then
_RESIDUAL_S = 30.0  # chosen: long enough to average turbulence, short against a new cake
_PEAK_S = 15.0  # chosen: long enough to average turbulence, short against the rise of DP
PAUSE_INTERVALS = 4.0  # chosen: this many row intervals without a pulse end a bout of cleaning
_RIPPLE = (0.10, 0.90)  # chosen: quantiles that stand for the foot and crest of the ripple

CYCLE_COLUMNS = {
    "start_s": pl.Float64,
    "clean_end_s": pl.Float64,
    "end_s": pl.Float64,
    "residual_dp_pa": pl.Float64,
    "peak_dp_pa": pl.Float64,
    "cycle_time_s": pl.Float64,
    "n_pulses": pl.Int64,
    "flow_m3_s": pl.Float64,
    "state_running": pl.Boolean,
}


@dataclass(frozen=True, slots=True)
class _Spans:
    """Cycles [start, end), each opened by a bout of cleaning [clean_start, clean_end]; (n,)."""

    start_s: Floats
    end_s: Floats
    clean_start_s: Floats
    clean_end_s: Floats


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
        spans = _Spans(bouts[0, :-1], bouts[0, 1:], bouts[0, :-1], bouts[1, :-1])
        n_pulses = np.searchsorted(fired, spans.clean_end_s, "right")
    else:
        begin, end = _passes(fired, pulses, baghouse) if is_complete else np.empty((2, 0))
        spans = _Spans(begin, end, begin, end)
        n_pulses = np.searchsorted(fired, end)
    n_pulses -= np.searchsorted(fired, spans.start_s)
    return _measured(spans, n_pulses, dp, minutes, on_demand)


def _bouts_by_pause(fired: Floats, baghouse: Baghouse) -> Floats:
    """Begin and end of bouts, shape (2, n) [s]."""
    pause = PAUSE_INTERVALS * max(baghouse.cleaning.interval, float(np.median(np.diff(fired))))
    cut = np.flatnonzero(np.diff(fired) > pause)
    return np.stack((fired[np.append(0, cut + 1)], fired[np.append(cut, fired.size - 1)]))


def _bouts_by_switch(switch: Signal | None) -> Floats:
    """Begin and end of bouts, shape (2, n) [s]."""
    if switch is None:
        return np.empty((2, 0))
    is_on = switch.value > 0.5
    begin = np.flatnonzero(is_on[1:] & ~is_on[:-1]) + 1
    end = np.flatnonzero(~is_on[1:] & is_on[:-1]) + 1
    end = end[end > begin[0]] if begin.size else end[:0]
    return np.asarray(switch.time_s[np.stack((begin[: end.size], end))])


def _passes(fired: Floats, pulses: pl.DataFrame, baghouse: Baghouse) -> Floats:
    """One pass of all rows each, counted from the fires of the row that opens the sequence.

    Begin and end, shape (2, n) [s].
    """
    rows = pulses.select("compartment", "row").drop_nulls().unique().sort("compartment", "row")
    if rows.height:
        compartment, row = rows.row(0)
        mark = pulses.filter((pl.col("compartment") == compartment) & (pl.col("row") == row))[
            "time_s"
        ].to_numpy()
    else:
        mark = fired[:: len(baghouse.all_rows())]
    max_pass_s = 3.0 * len(baghouse.all_rows()) * baghouse.cleaning.interval
    passes = np.stack((mark[:-1], mark[1:]))
    return passes[:, np.diff(mark) <= max_pass_s]


def _measured(
    spans: _Spans,
    n_pulses: npt.NDArray[np.int_],
    dp: Signal,
    minutes: pl.DataFrame,
    on_demand: bool,
) -> pl.DataFrame:
    """Return the lines of cycles, without those for which DP has no points."""
    if on_demand:
        settled_s = spans.clean_end_s + _SETTLE_S
        (residual,) = _quantiles(dp, settled_s, settled_s + _RESIDUAL_S, [0.5])
        (peak,) = _quantiles(dp, spans.clean_start_s - _PEAK_S, spans.clean_start_s, [0.5])
        judged = (spans.clean_start_s - _PEAK_S, settled_s + _RESIDUAL_S)
        flow_span = (spans.clean_end_s, settled_s + _RESIDUAL_S)
    else:
        residual, peak = _quantiles(dp, spans.start_s, spans.end_s, _RIPPLE)
        judged = flow_span = (spans.start_s, spans.end_s)
    stopped = (minutes["state"] != State.RUNNING.value).fill_null(True).cast(pl.Float64).to_numpy()
    flow = flow_per_cloth(minutes)
    columns = (
        spans.start_s,
        spans.clean_end_s,
        spans.end_s,
        residual,
        peak,
        spans.end_s - spans.start_s,
        n_pulses,
        None if flow is None else _mean_over(flow, *flow_span),
        _mean_over(stopped, *judged) == 0.0,
    )
    lines = pl.DataFrame(dict(zip(CYCLE_COLUMNS, columns, strict=True)), schema=CYCLE_COLUMNS)
    known = lines.with_columns(pl.col(pl.Float64).fill_nan(None))
    return known.drop_nulls("residual_dp_pa")


def flow_per_cloth(minutes: pl.DataFrame) -> Floats | None:
    """Return flow corrected to all compartments on line, by minute; nan unknown, None without any.

    With one off, the rest see more velocity.
    """
    if "gas_flow_m3_s" not in minutes.columns:
        return None
    share = pl.when(pl.col("on_line_frac") > 0).then(pl.col("on_line_frac"))
    flow = minutes.select(pl.col("gas_flow_m3_s") / share).to_series()
    return flow.fill_null(float("nan")).to_numpy()


def _quantiles(signal: Signal, begin_s: Floats, end_s: Floats, shares: Sequence[float]) -> Floats:
    """Quantiles of the points in each span, shape (n_shares, n_spans); nan without a point."""
    first, last = np.searchsorted(signal.time_s, (begin_s, end_s))
    count = last - first
    before = np.cumsum(count) - count
    span = np.repeat(np.arange(count.size), count)
    values = signal.value[np.arange(span.size) + (first - before)[span]]
    ordered = np.append(values[np.lexsort((values, span))], np.nan)
    at = np.outer(shares, count - 1)
    low = np.maximum(at.astype(np.int64), 0)
    left, right = (
        ordered[np.where(count > 0, before + np.minimum(nth, count - 1), -1)]
        for nth in (low, low + 1)
    )
    return np.asarray(left + (at - low) * (right - left))


def _mean_over(per_minute: Floats, begin_s: Floats, end_s: Floats) -> Floats:
    """Mean of the known values in the minutes of each span, at least one; nan without any."""
    last = per_minute.size - 1
    first = np.clip(begin_s // 60, 0, last).astype(np.int64)
    stop = np.maximum(np.minimum(end_s // 60, last).astype(np.int64), first) + 1
    known = np.isfinite(per_minute)
    total, n = (
        np.append(0.0, np.cumsum(one))[stop] - np.append(0.0, np.cumsum(one))[first]
        for one in (np.where(known, per_minute, 0.0), known)
    )
    return np.asarray(np.divide(total, n, out=np.full(n.size, np.nan), where=n > 0))
