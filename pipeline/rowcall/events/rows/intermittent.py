"""Whether a row misses pulses, estimated from the spread of its pulses' shares.

Where single pulses are too uncertain to call answered or not, all of them together may still
separate a row that answers half the time from one that always answers by half: shares of the one
spread more. The log-likelihoods of both are compared,

    steady:        x_k ~ N(m, e_k^2 + (c m)^2)
    intermittent:  x_k ~ q N(1, e_k^2 + c^2) + (1 - q) N(0, e_k^2)

with q on a grid; the interval of q is where its log-likelihood lies within 1.92 of the best (95 %,
likelihood ratio).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.events.rows.answers import sized_rows
from rowcall.model import Floats

# Shares of answers tried; chosen: steps of 2 % are finer than any interval of a day
_RATES = np.linspace(0.02, 0.98, 49)
_MIN_ERROR = 1e-9  # [-] chosen: below any noise; rounding alone may leave none
_HALF_CHI2_95 = 1.92  # half of the 95 % quantile of chi-squared with one degree of freedom
_MIN_PULSES = 20  # pulses; chosen: of fewer the spread is chance
# Chosen: log-likelihood ratio; by chance it is reached once in some ten thousand row-days
MIN_GAIN = 10.0
_WILD_SHARE = 1e-4  # chosen: share of wild points that either model must allow for

INTERMITTENT_COLUMNS = {
    "compartment": pl.Int64,
    "row": pl.Int64,
    "coming_gain": pl.Float64,
    "coming_rate": pl.Float64,
    "coming_rate_low": pl.Float64,
    "coming_rate_high": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Intermittent:
    """Gain in log-likelihood of "intermittent" over "steady"; rate of answers and its interval."""

    gain: float
    rate: float
    low: float
    high: float


def weigh_intermittent(share: Floats, error: Floats, scatter: float) -> Intermittent:
    """Compare both models of a row.

    Args:
        share: share of the usual drop of each pulse, shape (n,).
        error: standard error of a share of nothing, shape (n,).
        scatter: relative scatter of answers.
    """
    error = np.maximum(error, _MIN_ERROR)
    weight = 1.0 / error**2
    mean = float((weight * share).sum() / weight.sum())
    steady = np.log(_normal(share - mean, np.hypot(error, scatter * mean)) + _WILD_SHARE).sum()
    full = _normal(share - 1.0, np.hypot(error, scatter))
    none = _normal(share, error)
    intermittent = np.log(
        _RATES[:, None] * full[None, :] + (1 - _RATES[:, None]) * none[None, :] + _WILD_SHARE
    ).sum(axis=1)
    best = int(intermittent.argmax())
    inside = _RATES[intermittent >= intermittent[best] - _HALF_CHI2_95]
    return Intermittent(
        float(intermittent[best] - steady), float(_RATES[best]), float(inside[0]), float(inside[-1])
    )


def intermittent_rows(pulses: pl.DataFrame) -> pl.DataFrame:
    """Return every row with enough sized pulses, columns `INTERMITTENT_COLUMNS`.

    Args:
        pulses: as `BaghouseDay.pulses`.
    """
    lines = []
    for mine in sized_rows(pulses):
        if mine.share.size < _MIN_PULSES:
            continue
        intermittent = weigh_intermittent(mine.share, mine.error, mine.scatter)
        lines.append(
            (
                mine.compartment,
                mine.row,
                intermittent.gain,
                intermittent.rate,
                intermittent.low,
                intermittent.high,
            )
        )
    return pl.DataFrame(lines, schema=INTERMITTENT_COLUMNS, orient="row")


def _normal(off: Floats, error: Floats) -> Floats:
    density: Floats = np.exp(-0.5 * (off / error) ** 2) / (np.sqrt(2 * np.pi) * error)
    return density
