"""Facts of dust after the filter."""

from __future__ import annotations

from collections.abc import Iterator

from rowcall.condition.minutes import shared_signal
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
