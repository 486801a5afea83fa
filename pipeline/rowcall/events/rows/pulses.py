"""Pulses: how the header answered each fire.

For every fire the header pressure just before it, the depth of the drop, when the minimum came
and the recovery constant are read from the samples around it; a fire that falls between samples
too far apart to judge it keeps its line with empty values.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall import trade
from rowcall.condition.quantiles import row_medians
from rowcall.events.firing.recorded import Fires
from rowcall.events.headers.recovery import T95, Refill, fit_refill
from rowcall.events.noise import median_bend_noise, noise_of
from rowcall.events.rows.answers import pulse_answers
from rowcall.events.stacking.types import Stack
from rowcall.model import Floats, Signal

_VALVE_OPEN_S = trade.VALVE_OPEN.value
_WINDOW_S = 25.0  # chosen: five recoveries of 15 s / 3; later points show the supply, not the pulse
_BEFORE_S = 10.0  # chosen: older points are not "just before"
_N_BEFORE = 3  # chosen: the median of three forgives one wild point
_MAX_FIRST_SAMPLE_S = 2.5  # chosen: a first sample later than this has missed most of a usual drop
_MAX_POINTS = 64  # chosen: enough for three unknowns; faster signals are thinned to it
_MIN_RESTED_FIRES = 20  # chosen: fewer do not settle the noise

PULSE_COLUMNS = {
    "time_s": pl.Float64,
    "compartment": pl.Int64,
    "row": pl.Int64,
    "before_pa": pl.Float64,
    "drop_pa": pl.Float64,
    "noise_pa": pl.Float64,
    "min_delay_s": pl.Float64,
    "tau_s": pl.Float64,
    "recovered": pl.Boolean,
    "answered": pl.Boolean,
    "confidence": pl.Float64,
    "share": pl.Float64,
    "share_error": pl.Float64,
    "in_doubt": pl.Boolean,
}


@dataclass(frozen=True, slots=True)
class _Windows:
    """Samples after each fire, arrays of shape (n_fires, k), nan beyond the window."""

    delay_s: Floats
    pressure_pa: Floats


def measure_pulses(header: Signal, fires: Fires, stack: Stack | None) -> pl.DataFrame:
    """Return one line a fire (`BaghouseDay.pulses`), all on one header.

    Args:
        header: pressure of the header of these fires [Pa, gauge].
        fires: in order of time, clock offset already removed.
        stack: the stacked points of the same fires; None where there are too few.
    """
    if fires.size == 0 or header.time_s.size == 0:
        return pl.DataFrame(schema=PULSE_COLUMNS)
    stacked = _Stacked.of(stack, fires.size)
    noise = min(noise_of(header), _resting_noise(header, fires.low_s))
    sampled = _sampled(header, fires, stacked.is_answered, noise)
    is_followed, refill = sampled.is_followed, sampled.refill
    is_fitted = is_followed & np.isfinite(refill.tau_s)
    before = np.where(is_followed, sampled.before_pa, stacked.before_pa)
    drop = np.where(is_followed, sampled.drop_pa, stacked.drop_pa)
    return pl.DataFrame(
        {
            "time_s": (fires.low_s + fires.high_s) / 2,
            "compartment": fires.compartment,
            "row": np.where(fires.row > 0, fires.row, -1),
            "before_pa": np.where(stacked.is_judged, before, np.nan),
            "drop_pa": np.where(stacked.is_judged, drop, np.nan),
            "noise_pa": np.full(fires.size, noise),
            "min_delay_s": np.where(is_followed, sampled.min_delay_s, np.nan),
            "tau_s": np.where(is_fitted, refill.tau_s, np.nan),
            "recovered": _nullable(T95 * refill.tau_s <= sampled.left_s, is_fitted),
            "answered": _nullable(stacked.is_answered, stacked.is_judged),
            "confidence": np.where(is_fitted, np.clip(1 - refill.log_error, 0, 1), np.nan),
            "share": stacked.share,
            "share_error": stacked.error,
            "in_doubt": stacked.is_in_doubt,
        },
        schema=PULSE_COLUMNS,
        nan_to_null=True,
    ).with_columns(pl.when(pl.col("row") > 0).then(pl.col("row")))


@dataclass(frozen=True, slots=True)
class _Sampled:
    """What the samples around each single fire show, arrays of shape (n_fires,).

    Attributes:
        is_followed: answered, and seen soon enough for the following.
        before_pa, drop_pa: pressure before it, and by how much that fell [Pa].
        min_delay_s: from the fire to the lowest sample [s].
        refill: fitted from the lowest sample with the valve closed.
        left_s: from that sample to the next fire or the end of the window [s].
    """

    is_followed: npt.NDArray[np.bool_]
    before_pa: Floats
    drop_pa: Floats
    min_delay_s: Floats
    refill: Refill
    left_s: Floats


def _sampled(
    header: Signal, fires: Fires, is_answered: npt.NDArray[np.bool_], noise: float
) -> _Sampled:
    until = np.minimum(np.append(fires.low_s[1:], np.inf), fires.high_s + _WINDOW_S)
    windows = _windows_after(header, fires.low_s, until)
    middle = (fires.low_s + fires.high_s) / 2 - fires.low_s
    lowest, min_delay = _minimum(windows, middle)
    before = _before(header, fires.low_s)
    closed, refill_delay, previous = _refills(windows)
    is_followed = is_answered & (refill_delay <= _MAX_FIRST_SAMPLE_S) & np.isfinite(before)
    closed.pressure_pa[~is_followed] = np.nan
    refill = fit_refill(closed.delay_s, closed.pressure_pa, noise)
    lead = np.where(
        previous - middle <= _VALVE_OPEN_S,
        np.maximum(refill_delay - middle - _VALVE_OPEN_S, 0),
        0.0,
    )
    return _Sampled(
        is_followed=is_followed,
        before_pa=before,
        drop_pa=_drop(before, lowest, lead, refill),
        min_delay_s=min_delay,
        refill=refill,
        left_s=until - fires.low_s - refill_delay,
    )


@dataclass(frozen=True, slots=True)
class _Stacked:
    """What the stack lets each single pulse say, arrays of shape (n_fires,)."""

    share: Floats
    error: Floats
    is_judged: npt.NDArray[np.bool_]
    is_answered: npt.NDArray[np.bool_]
    is_in_doubt: npt.NDArray[np.bool_]
    before_pa: Floats
    drop_pa: Floats

    @classmethod
    def of(cls, stack: Stack | None, n_fires: int) -> _Stacked:
        nothing, never = np.full(n_fires, np.nan), np.zeros(n_fires, np.bool_)
        if stack is None:
            return cls(nothing, nothing, never, never, never, nothing, nothing)
        shares = pulse_answers(stack)
        known = np.isfinite(shares.error)
        before = stack.overlay.before_pa
        return cls(
            np.where(known, shares.share, np.nan),
            np.where(known, shares.error, np.nan),
            shares.is_judged,
            shares.is_answered,
            shares.is_in_doubt,
            before,
            shares.share * stack.curve.drop * before,
        )


def _windows_after(header: Signal, low_s: Floats, until_s: Floats) -> _Windows:
    begin = np.searchsorted(header.time_s, low_s, side="right")
    end = np.searchsorted(header.time_s, until_s, side="left")
    count = end - begin
    stride = np.maximum(1, -(-count // _MAX_POINTS))
    width = int(max(1, (-(-count // stride)).max()))
    index = begin[:, None] + np.arange(width)[None, :] * stride[:, None]
    inside = index < end[:, None]
    index = np.where(inside, index, 0)
    delay = np.where(inside, header.time_s[index] - low_s[:, None], np.nan)
    return _Windows(delay, np.where(inside, header.value[index], np.nan))


def _resting_noise(header: Signal, low_s: Floats) -> float:
    """Noise from the last three points before each fire, where a refill bends least [Pa].

    Infinite where too few fires have three points since the one before.
    """
    end = np.searchsorted(header.time_s, low_s, side="right")
    since = np.append(-np.inf, low_s[:-1]) + _VALVE_OPEN_S
    first = np.maximum(end - 3, 0)
    usable = first[(end >= 3) & (header.time_s[first] >= since)]
    if usable.size < _MIN_RESTED_FIRES:
        return float("inf")
    bend = header.value[usable] - 2 * header.value[usable + 1] + header.value[usable + 2]
    return median_bend_noise(bend)


def _before(header: Signal, low_s: Floats) -> Floats:
    """Median of the last few points before each fire, nan where there is none near.

    Points in the first half of the time since the fire before still belong to its refill.
    """
    age = np.minimum(_BEFORE_S, np.diff(low_s, prepend=-np.inf) / 2)[:, None]
    end = np.searchsorted(header.time_s, low_s, side="right")
    index = end[:, None] - 1 - np.arange(_N_BEFORE)[None, :]
    index_held = np.clip(index, 0, None)
    near = (index >= 0) & (low_s[:, None] - header.time_s[index_held] <= age)
    return row_medians(np.where(near, header.value[index_held], np.nan))


def _minimum(windows: _Windows, middle_s: Floats) -> tuple[Floats, Floats]:
    """Least pressure after each fire and its delay from the (middle of the) fire."""
    filled = np.where(np.isfinite(windows.pressure_pa), windows.pressure_pa, np.inf)
    at = np.argmin(filled, axis=1)
    line = np.arange(len(at))
    lowest = filled[line, at]
    delay = windows.delay_s[line, at] - middle_s
    return np.where(np.isfinite(lowest), lowest, np.nan), delay


def _refills(windows: _Windows) -> tuple[_Windows, Floats, Floats]:
    """Points from the minimum on, timed from it; also the delays of that and the point before."""
    filled = np.where(np.isfinite(windows.pressure_pa), windows.pressure_pa, np.inf)
    # A point while the valve is still open is no refill: fit from the minimum, and not before it.
    first = np.argmin(np.where(windows.delay_s >= _VALVE_OPEN_S, filled, np.inf), axis=1)
    line = np.arange(len(first))
    start = windows.delay_s[line, first]
    since = windows.delay_s - start[:, None]
    pressure = np.where(since >= 0, windows.pressure_pa, np.nan)
    previous = np.where(first > 0, windows.delay_s[line, np.maximum(first - 1, 0)], 0.0)
    return _Windows(since, pressure), start, previous


def _drop(before: Floats, lowest: Floats, lead_s: Floats, refill: Refill) -> Floats:
    """Depth of each drop: projected back along the refill to the instant a healthy valve closes.

    The lowest sample lies a little after the true minimum; the fitted refill gives how much was
    recovered in between. Where the sample before the lowest was taken with the valve already
    due to be closed (`lead_s` 0), the valve closed late and the drop is taken as sampled.
    """
    lead = np.minimum(lead_s, refill.tau_s)
    at_closing = refill.plateau_pa - refill.depth_pa * np.exp(lead / refill.tau_s)
    return before - np.where(np.isfinite(at_closing), np.minimum(at_closing, lowest), lowest)


def _nullable(values: object, known: object) -> pl.Series:
    return pl.Series(np.asarray(values, dtype=np.bool_)).set(
        pl.Series(~np.asarray(known, dtype=np.bool_)), None
    )
