"""The stacks of a header as a table that travels with the day, for whoever wants to draw them."""

from __future__ import annotations

import numpy as np
import polars as pl

from rowcall.events.stacking.pulse_curve import LEAST_DROP
from rowcall.events.stacking.types import Stack

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


def stack_table(stack: Stack) -> pl.DataFrame:
    """Return the bins that hold points, columns `STACK_COLUMNS`; see `BaghouseDay.stacks`.

    Empty where the header's rows hardly draw it down at all, as for `row_curves`.
    """
    if stack.curve.drop < LEAST_DROP:
        return pl.DataFrame(schema=STACK_COLUMNS)
    line, at = np.nonzero(stack.count)
    row = stack.overlay.rows[line]
    return pl.DataFrame(
        {
            "compartment": row[:, 0],
            "row": row[:, 1],
            "since_s": stack.since_s[at],
            "count": stack.count[line, at],
            "mean": stack.mean[line, at],
            "usual": stack.usual[line, at],
            "point_error": np.full(line.size, np.sqrt(np.mean(stack.sigma**2))),
            # A fire known to an interval only is counted from its earliest instant.
            "close_s": np.full(line.size, stack.curve.close_s + stack.curve.width_s / 2),
        },
        schema=STACK_COLUMNS,
    )
