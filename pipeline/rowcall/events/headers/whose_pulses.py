"""At whose pulses the pressure of each header falls: of its own rows, or of another header's.

A pulse takes air from its own header only, so a tag shows whose header it is by the pulses at
which it falls. Fires are taken as recorded: the offset of a header's clock is found from its own
fires, and is chance where these are not seen. For that reason each fall is looked for within
`_REACH_S` of the fires.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rowcall.events.firing.recorded import Fires
from rowcall.model import Floats, Signal

_REACH_S = 5  # chosen: as far as clocks are corrected
_HALF_S = 0.5  # chosen: half the step between lags; no valve takes as long to open
_LONGEST_S = 30.0  # chosen: between points further apart lies more than a pulse
_MOST = 150  # chosen: pulses; they settle a mean to a tenth of its scatter
_FEWEST = 20  # chosen: pulses before their mean is a fact
# Falls at another header's pulses over those at its own, and standard errors, from which it is the
# other's; chosen: the usual limits of `headers_swapped` too.
TIMES, SURE = 2.0, 5.0


@dataclass(frozen=True, slots=True)
class _Group:
    """When the rows of one header were pulsed: some of the pulses farthest from the others'.

    others_s: when those of all other headers were, in order of time.
    """

    at_s: Floats
    others_s: Floats

    @classmethod
    def of(cls, fires: Fires, compartments: list[int]) -> _Group:
        """Pick the half of the fires with the longest time to another header's."""
        at_s = (fires.low_s + fires.high_s) / 2
        is_own = np.isin(fires.compartment, compartments)
        own, others = at_s[is_own], np.sort(at_s[~is_own])
        around = np.concatenate(([-np.inf], others, [np.inf]))
        after = np.searchsorted(around, own)
        away_s = np.minimum(own - around[after - 1], around[after] - own)
        own = own[away_s >= np.median(away_s)] if own.size else own
        return cls(own[:: max(1, -(-own.size // _MOST))], others)


@dataclass(frozen=True, slots=True)
class Shown:
    """How far the pressure of one header falls at a pulse, on average [Pa].

    Attributes:
        own_pa: at pulses of its own rows, with the clock that suits these best.
        other_pa: at those of the header at whose pulses it falls most of all others.
        other: that header, by compartment.
        error_pa: standard error of the difference.
    """

    own_pa: float
    other_pa: float
    other: int
    error_pa: float

    @property
    def is_others(self) -> bool:
        """Whether it shows another header's pulses in place of its own."""
        return self.other_pa > max(TIMES * self.own_pa, SURE * self.error_pa)


def whose_pulses(
    fires: Fires | None, headers: Mapping[int, Signal], served: Mapping[int, list[int]]
) -> dict[int, Shown]:
    """Return by header at whose pulses its pressure falls, where every fire is known.

    Args:
        fires: of the baghouse-day, in order of time, as recorded.
        headers: pressure by header, with what a historian left out put back.
        served: the compartments of each header.
    """
    if fires is None or not fires.is_complete or len(headers) < 2:
        return {}
    groups = {own: _Group.of(fires, served[own]) for own in headers}
    groups = {own: one for own, one in groups.items() if one.at_s.size >= _FEWEST}
    shown = {own: _shown(headers[own], own, groups) for own in groups} if len(groups) > 1 else {}
    return {own: one for own, one in shown.items() if one is not None}


def _shown(header: Signal, own: int, groups: Mapping[int, _Group]) -> Shown | None:
    """Return the falls with the clock at which they are deepest, None where points lack."""
    falls = {whose: _falls(header, one.at_s) for whose, one in groups.items()}
    mean = {whose: _mean(one) for whose, one in falls.items()}
    if not all(np.isfinite(one).any() for one in mean.values()):
        return None
    lag = int(np.max(list(mean.values()), axis=0).argmax())
    other = max((whose for whose in mean if whose != own), key=lambda whose: mean[whose][lag])
    if not np.isfinite(mean[other][lag]):
        return None
    alone = _mean(_falls(header, groups[own].at_s, without_s=groups[own].others_s))
    mine = np.where(np.isfinite(alone), alone, mean[own])
    return Shown(
        float(mine.max()),
        float(mean[other][lag]),
        other,
        math.hypot(_error(falls[own][:, int(mine.argmax())]), _error(falls[other][:, lag])),
    )


def _falls(header: Signal, at_s: Floats, without_s: Floats | None = None) -> Floats:
    """Return the fall around each instant by lag [Pa], shape (n, lags); nan: no points near.

    without_s: instants that must not lie between the points either, in order of time.
    """
    around = at_s[:, None] + np.arange(-_REACH_S, _REACH_S + 1)
    before = np.searchsorted(header.time_s, around - _HALF_S, side="right") - 1
    after = np.searchsorted(header.time_s, around + _HALF_S, side="left")
    inside = (before >= 0) & (after < header.time_s.size)
    before, after = np.maximum(before, 0), np.minimum(after, header.time_s.size - 1)
    first_s, last_s = header.time_s[before], header.time_s[after]
    inside &= last_s - first_s <= _LONGEST_S
    if without_s is not None:
        inside &= np.searchsorted(without_s, first_s) == np.searchsorted(without_s, last_s)
    return np.where(inside, header.value[before] - header.value[after], np.nan)


def _mean(falls: Floats) -> Floats:
    """Mean by lag, -inf where it is of too few."""
    known = np.isfinite(falls)
    n = known.sum(axis=0)
    total = np.where(known, falls, 0.0).sum(axis=0)
    return np.asarray(np.where(n >= _FEWEST, total / np.maximum(n, 1), -np.inf))


def _error(falls: Floats) -> float:
    known = falls[np.isfinite(falls)]
    return float(known.std(ddof=1)) / math.sqrt(known.size)
