"""What stacking hands on: overlaid points, what pulses leave, and the stacks of a header's rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall import trade
from rowcall.events.stacking.pulse_curve import MIN_DROP, PulseCurve
from rowcall.events.stacking.recovery_path import RecoveryPath
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# Below the lowest usual pulse pressure a header is empty, and drops are no share of what is left.
MIN_LEVEL_PA = trade.PULSE_PRESSURE_GLASS[0].value


STACK_COLUMNS = {
    "compartment": pl.Int64,
    "row": pl.Int64,
    "since_s": pl.Float64,
    "count": pl.Float64,
    "mean": pl.Float64,
    "usual": pl.Float64,
    "point_error": pl.Float64,
    "close_s": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Overlay:
    """Points of a header stacked on the fires, arrays of shape (n_points,) unless stated.

    Attributes:
        fire: which fire a point follows (place in the fires).
        since_s: time since the earliest instant at which that fire may have come [s].
        y: relative deficit of gauge pressure that this fire made [-].
        total_deficit: relative deficit that it made and met [-].
        error: of a scan that was put back, the standard deviation within its bounds [-].
        is_held: such scans repeat the value before.
        line: row of each fire as a place in `rows`, shape (n_fires,).
        rows: (compartment, row), shape (n_rows, 2).
        before_pa: pressure just before each fire, shape (n_fires,) [Pa].
        left: relative deficit of earlier pulses that each fire met, shape (n_fires,) [-].
        width_s: how far the fires' instants are uncertain (scanned counters) [s].
        block: which stretch between two readings of the supply's level a point lies in.
        level_error: error of such a reading, from how they scatter about each other [-].
    """

    fire: Ints
    since_s: Floats
    y: Floats
    total_deficit: Floats
    error: Floats
    is_held: bool
    line: Ints
    rows: Ints
    before_pa: Floats
    left: Floats
    width_s: float
    block: Ints
    level_error: float

    @property
    def row_of_point(self) -> Ints:
        """Place in `rows` of the row that each point follows."""
        return self.line[self.fire]


@dataclass(frozen=True, slots=True)
class Carryover:
    """What the pulses of each row leave for the next fire.

    Attributes:
        left: relative deficit at the usual time of the next fire, shape (n_rows,) [-].
        row_drop: relative deficit that answers make, shape (n_rows,) [-].
        usual_s: the usual time from fire to fire [s].
        path: along which it recovers.
    """

    left: Floats
    row_drop: Floats
    usual_s: float
    path: RecoveryPath


@dataclass(frozen=True, slots=True)
class PreviousRound:
    """What an earlier round found.

    Attributes:
        curve: the header's curve.
        share: drop of each row as a share of the curve's, shape (n_rows,) [-].
        unanswered: fires that made no drop, shape (n_fires,).
        carryover: what each row leaves for the next fire.
    """

    curve: PulseCurve
    share: Floats
    unanswered: Flags
    carryover: Carryover


@dataclass(frozen=True, slots=True)
class Stack:
    """Stacks of a header's rows.

    Attributes:
        overlay: the points behind it.
        curve: the header's fitted curve.
        since_s: mean time since fire of each bin's points, shape (n_bins,) [s].
        count, mean: points and their mean deficit, shape (n_rows, n_bins).
        usual: deficit of the other reference rows, shape (n_rows, n_bins) [-].
        prior_weight: how much of `usual` rests on the fitted curve alone, 0..1, same shape.
        systematic: error of `mean` from earlier pulses having left other than they leave for the
            reference rows, as after a valve that hangs, and of scans put back, same shape [-].
        pooled: points of the reference rows' answers and their mean deficit, shape (2, n_bins).
        reference: rows with a drop as most of those that answer have, shape (n_rows,).
        share: drop of each row's answers as a share of the usual, shape (n_rows,) [-].
        sigma: standard deviation of one point about its row's curve, shape (n_rows,) [-].
        path: along which the header is filled again.
        row_drop: relative deficit that the row's answers make along it, shape (n_rows,) [-].
        usual_at_points, systematic_at_points: `usual` and `systematic` at each point of the
            overlay, shape (n_points,) [-].
    """

    overlay: Overlay
    curve: PulseCurve
    since_s: Floats
    count: Floats
    mean: Floats
    usual: Floats
    prior_weight: Floats
    systematic: Floats
    pooled: Floats
    reference: Flags
    share: Floats
    sigma: Floats
    path: RecoveryPath
    row_drop: Floats
    usual_at_points: Floats
    systematic_at_points: Floats

    def table(self) -> pl.DataFrame:
        """Return the bins that hold points, columns `STACK_COLUMNS`; see `BaghouseDay.stacks`.

        Empty where the header's rows have hardly any drop, as for `row_curves`.
        """
        if self.curve.drop < MIN_DROP:
            return pl.DataFrame(schema=STACK_COLUMNS)
        line, at = np.nonzero(self.count)
        row = self.overlay.rows[line]
        return pl.DataFrame(
            {
                "compartment": row[:, 0],
                "row": row[:, 1],
                "since_s": self.since_s[at],
                "count": self.count[line, at],
                "mean": self.mean[line, at],
                "usual": self.usual[line, at],
                "point_error": np.full(line.size, np.sqrt(np.mean(self.sigma**2))),
                # A fire known to an interval only is counted from its earliest instant.
                "close_s": np.full(line.size, self.curve.close_s + self.curve.width_s / 2),
            },
            schema=STACK_COLUMNS,
        )

    @property
    def line(self) -> Ints:
        """Row of each fire as a place in the stack, shape (n_fires,)."""
        return self.overlay.line

    @property
    def usual_drop_pa(self) -> float:
        """Usual drop [Pa]."""
        return self.curve.drop * float(np.median(np.maximum(self.overlay.before_pa, MIN_LEVEL_PA)))
