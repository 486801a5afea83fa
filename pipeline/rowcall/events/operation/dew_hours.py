"""Dew points of the gas hour by hour: by its tags where there are some, else by the site file.

SO2 gives the acid dew point only with the share of it that is SO3 (`so3_per_so2`), which no tag
shows: it depends on firing, catalysts and dust.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rowcall.condition.minutes import shared_signal
from rowcall.gas.dew_points import acid_dew_points_c, water_dew_point_c
from rowcall.model import Floats, Signal
from rowcall.site import Baghouse, Role

_HOUR_S = 3600


@dataclass(frozen=True, slots=True)
class DewHours:
    """Dew points by hour of the day [degC], nan where they are not known.

    Attributes:
        water_c: shape (n_hours,).
        acids_c: of acid by each correlation, shape (n_correlations, n_hours).
        by_tag: a tag gives one of the shares that they rest on.
    """

    water_c: Floats
    acids_c: Floats
    by_tag: bool = False

    @property
    def acid_c(self) -> Floats:
        """The middle one of the correlations, shape (n_hours,)."""
        known = np.isfinite(self.acids_c).any(axis=0)
        middle = np.full(self.water_c.size, math.nan)
        middle[known] = np.nanmedian(self.acids_c[:, known], axis=0)
        return middle

    def acid_spread_c(self) -> Floats:
        """Return the median of each correlation over the day, those that are known, ascending."""
        known = self.acids_c[np.isfinite(self.acids_c).any(axis=1)]
        return np.sort(np.nanmedian(known, axis=1)) if known.size else np.empty(0)


def dew_hours(
    baghouse: Baghouse, signals: Mapping[tuple[Role, int, int], Signal], seconds: float
) -> DewHours:
    """Return the dew points of a day."""
    hours = np.arange(float(math.ceil(seconds / _HOUR_S)))
    moisture = _by_hour(shared_signal(signals, Role.GAS_MOISTURE), hours)
    so3 = _by_hour(shared_signal(signals, Role.SO3), hours)
    if baghouse.so3_per_so2:
        so2 = _by_hour(shared_signal(signals, Role.SO2), hours)
        so3 = np.where(np.isfinite(so3), so3, so2 * baghouse.so3_per_so2)
    by_tag = bool(np.isfinite(moisture).any() or np.isfinite(so3).any())
    water, acid = (
        np.where(np.isfinite(known), known, stated or math.nan)
        for known, stated in ((moisture, baghouse.gas_moisture), (so3, baghouse.gas_so3))
    )
    points = [_points(*shares) for shares in zip(water.tolist(), acid.tolist(), strict=True)]
    return DewHours(
        water_c=np.array([one for one, _ in points]),
        acids_c=np.array([acids for _, acids in points]).T.reshape(-1, hours.size),
        by_tag=by_tag,
    )


def at_seconds(by_hour: Floats, n_seconds: int) -> Floats:
    """Return a value by the hour for each second of a day, shape (n_seconds,)."""
    return np.repeat(by_hour, _HOUR_S)[:n_seconds]


def _by_hour(signal: Signal | None, hours: Floats) -> Floats:
    """Median of a share by hour, nan where it has no value above 0."""
    if signal is None:
        return np.full(hours.size, math.nan)
    above = signal.value > 0
    edges = np.searchsorted(signal.time_s[above], _HOUR_S * np.append(hours, hours.size))
    parts = np.split(signal.value[above], edges)[1:-1]
    return np.array([float(np.median(part)) if part.size else math.nan for part in parts])


def _points(moisture: float, so3: float) -> tuple[float, tuple[float, ...]]:
    """Dew point of water, and of acid by each correlation, nan where one gives none."""
    if not math.isfinite(moisture):
        return math.nan, (math.nan,) * 3
    acids = acid_dew_points_c(moisture, so3) if math.isfinite(so3) else {}
    padded = (*acids.values(), math.nan, math.nan, math.nan)[:3]
    return water_dew_point_c(moisture), padded
