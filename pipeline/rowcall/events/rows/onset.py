"""When within the day a row changed: one change of the mean in the sequence of its own pulses.

For every split the gain in log-likelihood of two means over one is

    gain = 1/2 * (S1^2 / W1 + S2^2 / W2 - S^2 / W),   S = sum(w x), W = sum(w), w = 1 / error^2

and the best split is kept where it gains more than chance would at any of them, given how much the
values scatter about the two means, and where little scatter is left about these: a row that misses
pulses, all day or on one side of the change, has no onset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.condition.quantiles import median
from rowcall.events.rows.answers import SizedRow, sized_rows
from rowcall.events.rows.intermittent import MIN_GAIN, weigh_intermittent
from rowcall.model import Floats

_MIN_GAIN = 15.0  # chosen: of a thousand splits, chance gains so much in one row-day of 10^4
_MIN_CHANGE = 0.2  # chosen: of the usual drop; smaller steps are no row's fault
_MAX_SPREAD = 6.0  # chosen: mean square error beyond which a row comes and goes instead
# Measured: scatter of shares, of what they exceed the usual drop by; a valve that closes late is
# sampled before, while or after it blows on, and the others' curve does not fit these alike
_DEEP_SCATTER = 0.33
# Of the usual drop; chosen: far less than any transmitter resolves, and its square is a number yet.
_MIN_ERROR = 1e-6
_MIN_PULSES = 8  # pulses on either side; chosen: fewer have no mean to compare

ONSET_COLUMNS = {
    "compartment": pl.Int64,
    "row": pl.Int64,
    "onset_s": pl.Float64,
    "share_before": pl.Float64,
    "share_after": pl.Float64,
    "share_after_error": pl.Float64,
    "n_after": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Change:
    """A change of the mean: first value after it, means on both sides, error of the latter."""

    first: int
    before: float
    after: float
    after_error: float
    gain: float


def find_change(value: Floats, error: Floats) -> Change | None:
    """Return the best single change of mean of a sequence, None where nothing stands out.

    Args:
        value, error: the sequence and its standard errors, shape (n,); all finite, errors > 0.
    """
    if value.size < 2 * _MIN_PULSES:
        return None
    best = _best_split(value, error)
    if best.gain < _MIN_GAIN or abs(best.after - best.before) < _MIN_CHANGE:
        return None
    mean = np.where(np.arange(value.size) < best.first, best.before, best.after)
    # What scatters more than its errors, as answers now and then do, gains as much by chance.
    spread = float(np.mean(((value - mean) / error) ** 2))
    if spread > _MAX_SPREAD or best.gain < _MIN_GAIN * max(spread, 1.0):
        return None
    return best


def _best_split(value: Floats, error: Floats) -> Change:
    weight = 1.0 / error**2
    w, s = np.cumsum(weight), np.cumsum(weight * value)
    w_after, s_after = _sums_after(weight), _sums_after(weight * value)
    gain = 0.5 * (s[:-1] ** 2 / w[:-1] + s_after**2 / w_after - s[-1] ** 2 / w[-1])
    inner = gain[_MIN_PULSES - 1 : value.size - _MIN_PULSES]
    at = int(inner.argmax()) + _MIN_PULSES - 1
    before, after = float(s[at] / w[at]), float(s_after[at] / w_after[at])
    return Change(at + 1, before, after, float(w_after[at] ** -0.5), float(gain[at]))


def _sums_after(values: Floats) -> Floats:
    """Sums of what follows each value but the last; no difference, which may come out below 0."""
    return np.cumsum(values[:0:-1])[::-1]


def _with_deep_scatter(share: Floats, error: Floats) -> Floats:
    """Errors of shares, with how drops deeper than usual scatter on either side of a change."""
    if share.size < 2 * _MIN_PULSES:
        return error
    out = error.copy()
    for side in _sides(_best_split(share, error).first):
        out[side] = np.hypot(error[side], _deep_scatter(share[side]))
    return out


def _deep_scatter(share: Floats) -> float:
    return _DEEP_SCATTER * max(median(share) - 1.0, 0.0)


def _sides(first: int) -> tuple[slice, slice]:
    return slice(None, first), slice(first, None)


def row_onsets(pulses: pl.DataFrame) -> pl.DataFrame:
    """Return the rows whose answers changed within the day, columns `ONSET_COLUMNS`.

    Args:
        pulses: as `BaghouseDay.pulses`.
    """
    lines = []
    for mine in sized_rows(pulses):
        # The same scatter for all, answered or not, so that no part of the day weighs more.
        error = np.maximum(np.hypot(mine.error, mine.scatter), _MIN_ERROR)
        change = find_change(mine.share, _with_deep_scatter(mine.share, error))
        if change is not None and not _misses_pulses(mine, change.first):
            lines.append(
                (
                    mine.compartment,
                    mine.row,
                    float(mine.time_s[change.first]),
                    change.before,
                    change.after,
                    change.after_error,
                    float(mine.share.size - change.first),
                )
            )
    return pl.DataFrame(lines, schema=ONSET_COLUMNS, orient="row")


def _misses_pulses(row: SizedRow, first: int) -> bool:
    """Return whether the pulses on either side of a change are of two kinds."""
    gains = (
        weigh_intermittent(
            row.share[side],
            row.error[side],
            float(np.hypot(row.scatter, _deep_scatter(row.share[side]))),
        ).gain
        for side in _sides(first)
    )
    return max(gains) >= MIN_GAIN
