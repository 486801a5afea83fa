"""How long a header of a trial takes to recover a usual drop from its plateau, free of noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trials.rows import Kind, RowPlan
from trials.schedule import Schedule
from trials.trial import SIMULATE, Trial, stream

_APART_S = 150.0  # chosen: five times the longest refill of the trials
_STEP_S = 0.02
_MAX_PULSES = 100  # chosen: the supply wanders, and a median of so many does not
_SHARE = 0.95


def header_recovery(trial: Trial) -> float:
    """Return the time from the lowest pressure until 95 % are recovered [s], median over pulses.

    The plant of the trial is simulated again with usual rows, all pulsed from rest.
    """
    seconds = trial.truth.schedule.seconds
    n_rows = len(trial.header.rows)
    rows = (RowPlan(Kind.HEALTHY),) * n_rows
    header = replace(trial.header, rows=rows, row_spread=1e-9, pulse_spread=1e-9)
    fire_s = np.arange(_APART_S, seconds - _APART_S, _APART_S)[:_MAX_PULSES]
    row = 1 + np.arange(fire_s.size, dtype=np.int64) % n_rows
    schedule = Schedule(seconds, fire_s, row, tuple(range(1, n_rows + 1)))
    day = SIMULATE[trial.simulator](stream(trial.condition, trial.seed, 1), header, schedule)
    since_s = np.arange(0.0, 0.6 * _APART_S, _STEP_S)
    pressure = day.pressure_pa((fire_s[:, None] + since_s).ravel()).reshape(fire_s.size, -1)
    lowest = pressure.argmin(axis=1)
    minimum = pressure.min(axis=1)
    later = np.arange(since_s.size) > lowest[:, None]
    level = minimum + _SHARE * (pressure[:, 0] - minimum)
    back = (later & (pressure >= level[:, None])).argmax(axis=1)
    return float(np.median(since_s[back] - since_s[lowest]))
