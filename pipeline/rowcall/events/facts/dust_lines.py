"""Facts of dust after the filter."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rowcall.condition.minutes import shared_signal
from rowcall.events.dust.day_puffs import DayPuffs
from rowcall.events.dust.monitor import base_level, dust_of
from rowcall.events.find import Events, Signals
from rowcall.events.operation.gas_seconds import GasSeconds
from rowcall.model import Fact
from rowcall.site import Role

Line = tuple[int, int, Fact, object]

_BASE = {
    Role.DUST_SIGNAL: (Fact.DUST_BASE, Fact.DUST_BASE_ERROR),
    Role.OPACITY: (Fact.OPACITY_BASE, Fact.OPACITY_BASE_ERROR),
}


def dust_facts(signals: Signals, gas: GasSeconds | None, events: Events) -> Iterator[Line]:
    """Yield them, where it is known when gas flowed."""
    fired = events.pulses["time_s"].to_numpy()
    for role, facts in _BASE.items():
        signal = shared_signal(signals, role)
        if gas is not None and signal is not None:
            for fact, value in zip(facts, base_level(dust_of(signal, gas), fired), strict=True):
                yield 0, 0, fact, value
    if events.puffs is not None:
        yield from _puff_facts(events.puffs)


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
