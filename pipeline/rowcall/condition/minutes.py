"""The minute table: means of the slow signals, and the state of the unit, minute by minute."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from rowcall.condition.reconstruct import held_at, linear_at
from rowcall.condition.state import operating_state
from rowcall.model import Floats, Signal
from rowcall.site import ROLES, Baghouse, Role


def shared_signal(signals: Mapping[tuple[Role, int, int], Signal], role: Role) -> Signal | None:
    """Return the signal of a role for the whole baghouse, else its first compartment's.

    Compartments hang between the same two ducts, so any of them shows the casing's DP.
    """
    places = sorted(place for place in signals if place[0] is role)
    return signals[places[0]] if places else None


def minute_means(signal: Signal, n_minutes: int) -> Floats:
    """Return the mean of each minute, shape (n_minutes,), nan where there was no value.

    Minutes between points are filled along the straight line (or the held value of a step
    signal), but not across a gap (`condition.sampling`); points within a minute are averaged.
    """
    inside = slice(*np.searchsorted(signal.time_s, (0.0, n_minutes * 60.0)))
    index = (signal.time_s[inside] / 60.0).astype(np.intp)
    count = np.bincount(index, minlength=n_minutes)
    total = np.bincount(index, weights=signal.value[inside], minlength=n_minutes)
    mean: Floats = np.full(n_minutes, np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    missing = np.flatnonzero(count == 0)
    if missing.size and signal.time_s.size:
        mean[missing] = _between(signal, np.asarray(missing * 60.0 + 30.0, np.float64))
    return mean


def _between(signal: Signal, at_s: Floats) -> Floats:
    if signal.step:
        return held_at(signal.time_s, signal.value, at_s, longest_s=signal.longest_hold_s)
    return linear_at(signal.time_s, signal.value, at_s, longest_s=signal.bridge_s)


def _on_line(
    baghouse: Baghouse, signals: Mapping[tuple[Role, int, int], Signal], n_minutes: int
) -> Floats:
    """Share of the rows whose compartment is on line; without a bit it counts as on."""
    on_line = np.zeros(n_minutes)
    for compartment, rows in enumerate(baghouse.rows, start=1):
        bit = signals.get((Role.COMPARTMENT_ON_LINE, compartment, 0))
        is_off = np.zeros(n_minutes) if bit is None else minute_means(bit, n_minutes) <= 0.5
        on_line += rows * (1.0 - is_off)
    return on_line / sum(baghouse.rows)


def minute_table(
    baghouse: Baghouse, signals: Mapping[tuple[Role, int, int], Signal], seconds: float
) -> pl.DataFrame:
    """Return the minute table of a day (see `BaghouseDay.minutes`)."""
    n_minutes = int(seconds // 60)
    columns: dict[str, Floats] = {}
    for role in Role:
        signal, column = shared_signal(signals, role), ROLES[role].minute_column
        if signal is not None and column is not None:
            columns[column] = minute_means(signal, n_minutes)
    columns["on_line_frac"] = _on_line(baghouse, signals, n_minutes)
    return pl.DataFrame(
        {
            "minute": np.arange(n_minutes),
            "state": operating_state(baghouse, columns, n_minutes),
            **columns,
        }
    ).with_columns(pl.col(list(columns)).fill_nan(None))
