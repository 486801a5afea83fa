"""Which single pulses can be judged and were answered, by the share of the usual drop they made.

A pulse whose points all come late, when little of a drop is left, gets a large error, and depends
on the level of the supply: it is not judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall import trade
from rowcall.condition.quantiles import median, quantile
from rowcall.events.headers.recovery import T95
from rowcall.events.noise import TO_DEVIATION
from rowcall.events.rows.lost_scans import lost_scans
from rowcall.events.stacking.pulse_curve import MIN_DROP, curve_shape
from rowcall.events.stacking.pulse_fraction import pulse_shares
from rowcall.events.stacking.types import Stack
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_HALF_ANSWER = 0.5  # of what the row's answers make; chosen: half-way between one and none
_NONE_ERRORS = 3.0  # chosen: standard errors between no answer and that; one false in 700
_ANSWER_ERRORS = 2.0  # chosen: and an answer; its scatter has bounds (see `pulse_answers`)
_MIN_ANSWER = 0.15  # chosen: of the usual drop; a row below it all day is compared with its peers
# Chosen: systematic error of a share beyond which a pulse's points come too late [-]
_MAX_SYSTEMATIC = 0.25
_SHARP_ERROR = 0.1  # chosen: errors up to which all pulses of a row give its level, else the best
_MIN_ANSWERED = 0.05  # chosen: a row that answers less than once in twenty times has no level
_SHALLOW_DROP = 0.12  # a usual drop is 15-40 % of gauge pressure: common practice, no source
_FAST_TAU_S = 3.0 / T95  # a usual refill takes 3-15 s to 95 %: common practice, no source


@dataclass(frozen=True, slots=True)
class PulseAnswers:
    """Share of the usual drop that each fire made, shape (n_fires,) [-].

    Attributes:
        share, error: and its standard error from the noise alone; infinite without points, or with
            such only that come too late in the refill.
        is_judged: an answer and none could be distinguished.
        is_answered: judged, and more than half of what the row's own answers make.
        is_in_doubt: not judged, as its scans may have been lost, or changed nothing.
    """

    share: Floats
    error: Floats
    is_judged: Flags
    is_answered: Flags
    is_in_doubt: Flags


def pulse_answers(stack: Stack) -> PulseAnswers:
    """Return what each single pulse made of the usual drop, and which ones answered."""
    share, error, systematic = pulse_shares(stack, _expected(stack))
    error = np.where(systematic <= _MAX_SYSTEMATIC, error, np.inf)
    total_error = np.hypot(error, systematic)
    half, scatter = np.full(share.size, _HALF_ANSWER), 0.0
    if stack.curve.drop >= MIN_DROP:
        known = np.isfinite(error)
        shares, line = share[known], stack.line[known]
        level = _levels(shares, total_error[known], line, len(stack.overlay.rows))
        half = _HALF_ANSWER * np.minimum(level, 1.0)[stack.line]
        scatter = relative_scatter(shares, error[known], line)
        if stack.overlay.width_s > stack.curve.tau_s:
            scatter = np.inf  # an answer early in the interval has recovered by its end
    # An answer scatters about its level by its own share, none by the noise alone. Where that is
    # the fire's unknown instant, it stays within bounds: so two deviations are enough.
    is_steady = np.hypot(total_error, scatter * half / _HALF_ANSWER) <= half / _ANSWER_ERRORS
    is_judged = (total_error <= half / _NONE_ERRORS) & is_steady
    is_answered = is_judged & (share > half)
    lost = lost_scans(stack, is_judged, is_answered)
    error = np.where(lost.is_lost, np.inf, error)
    return PulseAnswers(share, error, is_judged & ~lost.is_lost, is_answered, lost.is_in_doubt)


def _levels(share: Floats, error: Floats, line: Ints, n_rows: int) -> Floats:
    """Share that the answers of each row make; 1 for a row that hardly answers at all."""
    level = np.ones(n_rows)
    for row in np.unique(line):
        sharp = (line == row) & (error <= max(quantile(error[line == row], 0.25), _SHARP_ERROR))
        mine, noise = share[sharp], median(error[sharp])
        top = quantile(mine, 0.9) - noise
        answers = mine[mine > _HALF_ANSWER * max(top, _MIN_ANSWER)]
        if answers.size > 2:
            middle = median(answers)
            # Picked by their own noise, answers of a row that makes none would have a level too.
            row_level = middle if middle > _NONE_ERRORS * noise else float(np.mean(mine))
            is_real = row_level > max(_MIN_ANSWER, _NONE_ERRORS * noise / np.sqrt(answers.size))
            level[row] = row_level if is_real and np.mean(mine) > _MIN_ANSWERED * row_level else 1.0
    return level


def _expected(stack: Stack) -> Floats:
    """Deficit at each point after a usual pulse; where no row has a drop, after a shallow one."""
    if stack.curve.drop >= MIN_DROP:
        return stack.usual_at_points
    since = stack.overlay.since_s
    shape = curve_shape(since, trade.VALVE_OPEN.value, _FAST_TAU_S, stack.overlay.width_s)
    return _SHALLOW_DROP * shape


def relative_scatter(share: Floats, error: Floats, line: Ints) -> float:
    """Relative scatter of the answers of a row beyond their errors; of the median row.

    Args:
        share, error: of each fire, shape (n_fires,); line: number of its row.
    """
    scatter = []
    for row in np.unique(line):
        mine = line == row
        half = _HALF_ANSWER * max(quantile(share[mine], 0.75), _MIN_ANSWER)
        answers = mine & (share > half)
        if answers.sum() > 2:
            middle = median(share[answers])
            off = TO_DEVIATION * median(np.abs(share[answers] / middle - 1))
            noise = median(error[answers]) / middle
            scatter.append(np.sqrt(max(off**2 - noise**2, 0.0)))
    return float(np.median(scatter)) if scatter else 0.0


@dataclass(frozen=True, slots=True)
class SizedRow:
    """Pulses of a row that have a share, shape (n,), and the relative scatter of its header's."""

    compartment: int
    row: int
    time_s: Floats
    share: Floats
    error: Floats
    scatter: float


def sized_rows(pulses: pl.DataFrame) -> Iterator[SizedRow]:
    """Yield the pulses of each row.

    A share without any error comes of pressures without noise, which no transmitter has: left out.
    """
    is_sized = pl.col("row").is_not_null() & pl.col("share").is_not_null()
    sized = pulses.filter(is_sized & (pl.col("share_error") > 0))
    columns = ("compartment", "row", "time_s", "share", "share_error")
    compartment, row, *values = (sized[name].to_numpy() for name in columns)
    for own in np.unique(compartment):
        header = compartment == own
        time_s, share, error = (one[header] for one in values)
        scatter = relative_scatter(share, error, row[header])
        for number in np.unique(row[header]):
            mine = row[header] == number
            yield SizedRow(int(own), int(number), time_s[mine], share[mine], error[mine], scatter)
