"""What the pulses of a row leave for the next fire: the deficit that is still to be made good."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rowcall.events.header_curve import HeaderCurve
from rowcall.model import Floats

if TYPE_CHECKING:
    from rowcall.events.overlay import Overlay

_FEWEST_LEFT = 8  # chosen: points that tell what a row leaves for the next fire
_SLOWEST, _FASTEST = 6.0, 3.0  # chosen: bounds of its rate against the header's own


@dataclass(frozen=True, slots=True)
class Remnants:
    """What the pulses of each row leave for the next fire, arrays of shape (n_rows,).

    Attributes:
        left: relative deficit at the usual time of the next fire [-].
        rate_1_s: how fast it is being made good by then [1/s].
        usual_s: the usual time from fire to fire [s].
    """

    left: Floats
    rate_1_s: Floats
    usual_s: float


def remnants_of(points: Overlay, curve: HeaderCurve, share: Floats, usual_s: float) -> Remnants:
    """What the pulses of each row leave, from the last quarter of their time and the one before."""
    row, n_rows = points.row_of_point, len(points.rows)
    means, times = [], []
    for begin, end in ((0.5, 0.75), (0.75, 1.0)):
        inside = (points.since_s >= begin * usual_s) & (points.since_s < end * usual_s)
        count = np.bincount(row[inside], minlength=n_rows)
        mean = np.bincount(row[inside], points.whole[inside], n_rows) / np.maximum(count, 1)
        means.append(np.where(count >= _FEWEST_LEFT, mean, np.nan))
        times.append((begin + end) / 2 * usual_s)
    rest_s = usual_s - times[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.log(means[0] / means[1]) / (times[1] - times[0])
    tau = curve.tau_s
    least, most = 1.0 / (_SLOWEST * tau), _FASTEST / tau
    rate = np.clip(np.where(np.isfinite(rate), rate, 1.0 / tau), least, most)
    fitted = np.clip(share, 0.0, None) * curve.drop * np.exp(-usual_s / tau)
    left = np.where(np.isfinite(means[1]), means[1] * np.exp(-rate * rest_s), fitted)
    return Remnants(left, rate, usual_s)
