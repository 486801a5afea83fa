"""Facts of dust after the filter."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rowcall.events.dust.day_dust import DayDust, DayPuffs
from rowcall.events.dust.monitor import Dust, base_level
from rowcall.events.dust.off_line import off_line_ratios
from rowcall.events.find import Events, Signals
from rowcall.model import Fact, Floats
from rowcall.site import Baghouse, Role

Line = tuple[int, int, Fact, object]

_BASE = {
    Role.DUST_SIGNAL: (Fact.DUST_BASE, Fact.DUST_BASE_ERROR),
    Role.OPACITY: (Fact.OPACITY_BASE, Fact.OPACITY_BASE_ERROR),
}
_MAX_HELD_S = 300.0  # chosen: a point speaks for no longer


def dust_facts(
    baghouse: Baghouse, signals: Signals, dust: DayDust, events: Events
) -> Iterator[Line]:
    """Yield them, where it is known when gas flowed."""
    fired, seen = events.pulses["time_s"].to_numpy(), dust.monitors
    for role, monitor in seen.items():
        for fact, value in zip(_BASE[role], base_level(monitor, fired), strict=True):
            yield 0, 0, fact, value
    if seen:
        yield from _off_line(signals, next(iter(seen.values())))
    if Role.OPACITY in seen and seen[Role.OPACITY].checks:
        yield 0, 0, Fact.OPACITY_CHECK_S, seen[Role.OPACITY].checks[0].begin_s
    if Role.DUST_SIGNAL in seen and baghouse.dust_alarm is not None:
        signal = seen[Role.DUST_SIGNAL]
        above_s, judged_s = alarm_time(signal.time_s, signal.value, baghouse.dust_alarm.value)
        yield 0, 0, Fact.DUST_ALARM_S, above_s
        yield 0, 0, Fact.DUST_JUDGED_S, judged_s
    if dust.puffs is not None:
        yield from _puff_facts(dust.puffs)


def _off_line(signals: Signals, dust: Dust) -> Iterator[Line]:
    for (role, compartment, _), signal in signals.items():
        if role is Role.COMPARTMENT_ON_LINE and compartment:
            ratios = off_line_ratios(dust, signal)
            if ratios.size:
                yield compartment, 0, Fact.OFF_LINE_DUST, float(np.log(ratios).mean())
                yield compartment, 0, Fact.N_OFF_LINE, ratios.size


def alarm_time(time_s: Floats, value: Floats, level: float) -> tuple[float, float]:
    """Return the time above a level and all time that points, shape (n,), speak for [s]."""
    held = np.minimum(np.diff(time_s, append=time_s[-1:]), _MAX_HELD_S)
    return float(held[value > level].sum()), float(held.sum())


def _puff_facts(day: DayPuffs) -> Iterator[Line]:
    puffs = day.puffs
    yield 0, 0, Fact.PUFF_DELAY_S, puffs.delay_s
    yield 0, 0, Fact.PUFF_WIDTH_S, puffs.width_s
    seen = np.isfinite(puffs.error)
    yield 0, 0, Fact.PUFF, float(np.median(puffs.height[seen])) if seen.any() else None
    for n, place in enumerate(day.places):
        if seen[n]:
            yield *place, Fact.PUFF, float(puffs.height[n])
            yield *place, Fact.PUFF_ERROR, float(puffs.error[n])
            yield *place, Fact.PUFF_P, float(puffs.p[n])
        if n in puffs.rivals:
            yield *place, Fact.PUFF_RIVAL, 1.0
