"""Facts of each header and of how evenly rows are pulsed."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import polars as pl

from rowcall.condition.minutes import shared_signal
from rowcall.events.find import Events, Signals
from rowcall.events.headers.air_use import (
    free_air,
    interval_of,
    on_times,
    pressure_at_fires,
    row_interval,
    sag_of,
)
from rowcall.events.headers.idle_pressure import Decay, find_decay, find_rests, has_supply
from rowcall.events.noise import TO_DEVIATION
from rowcall.model import Fact, Floats, Signal
from rowcall.site import Baghouse, Role

Line = tuple[int, int, Fact, float]
_FEWEST = 20  # chosen: pulses before a median of them is a fact
_MIN_HOURS = 6  # chosen: their scatter is known to a third


def header_facts(baghouse: Baghouse, signals: Signals, events: Events) -> list[Line]:
    """Return (compartment, row, fact, value) of every fact that is known.

    Where bits miss fires, times between fires and rests are unknown, and there are none.
    """
    if not events.fires_known:
        return []
    pulses, lines = events.pulses, list(_sent_shares(baghouse, events))
    times, whose = pulses["time_s"].to_numpy(), pulses["compartment"].to_numpy()
    lines.append((0, 0, Fact.ROW_INTERVAL_S, row_interval(times, whose)))
    headers = {
        place[1]: signal for place, signal in signals.items() if place[0] is Role.HEADER_PRESSURE
    }
    supply = shared_signal(signals, Role.SUPPLY_PRESSURE)
    for own, header in sorted(headers.items()):
        served = baghouse.served_by(own, headers)
        mine = pulses.filter(pl.col("compartment").is_in(served))
        refills = events.refills.filter(pl.col("compartment") == own)
        lines += [(own, 0, *fact) for fact in _pulse_facts(baghouse, header, mine, refills)]
        others = [signal for other, signal in headers.items() if other != own]
        lines += [(own, 0, *fact) for fact in _rest_facts(baghouse, header, mine, supply, others)]
        lines += [(own, 0, Fact.PULSE_LENGTH_S, _pulse_time(signals, served))]
    return [line for line in lines if math.isfinite(line[3])]


# Facts of a header by the column of its refill.
_REFILL = {
    Fact.TAU_S: "tau_s",
    Fact.RECOVERY_S: "recovery_s",
    Fact.RECOVERY_LOG_ERROR: "recovery_log_error",
    Fact.PLATEAU_PA: "plateau_pa",
    Fact.SHORTFALL_PA: "left_pa",
    Fact.REFILL_DROP_PA: "drop_pa",
}


def _pulse_facts(
    baghouse: Baghouse, header: Signal, pulses: pl.DataFrame, refills: pl.DataFrame
) -> Iterator[tuple[Fact, float]]:
    time, drop = (pulses[name].to_numpy().astype(np.float64) for name in ("time_s", "drop_pa"))
    yield Fact.INTERVAL_S, interval_of(time)
    by_hour = refills.drop_nulls("hour")["plateau_pa"].to_numpy()
    if by_hour.size >= _MIN_HOURS:
        middle = float(np.median(by_hour))
        yield Fact.PLATEAU_SCATTER, TO_DEVIATION * float(np.median(np.abs(by_hour / middle - 1.0)))
    day = next(refills.filter(pl.col("hour").is_null()).iter_rows(named=True), None)
    if day is not None:
        for fact, column in _REFILL.items():
            yield fact, day[column]
        before = pressure_at_fires(header, time, tau_s=day["tau_s"], plateau_pa=day["plateau_pa"])
        sag = sag_of(time, before)
        if sag is not None:
            yield Fact.CYCLE_LOSS_PA, sag.sag_pa
            yield Fact.CYCLE_LOSS_SHARE, sag.sag_pa / sag.first_pa
    if baghouse.header_volume is not None:
        known = None if day is None else day["drop_pa"]
        yield from _air(baghouse.header_volume, known, drop, pulses)


def _air(
    volume_m3: float, folded_pa: float | None, drop: Floats, pulses: pl.DataFrame
) -> Iterator[tuple[Fact, float]]:
    """Free air of a usual pulse, and of the day: silent rows take none, hanging ones more."""
    answered = pulses["answered"].fill_null(False).to_numpy()
    share: Floats = pulses["share"].to_numpy().astype(np.float64)
    if folded_pa is None or (np.isfinite(share) & answered).sum() < _FEWEST:
        share, usual = drop, float(np.median(drop[answered])) if answered.any() else math.nan
    else:
        usual = float(np.nanmedian(share[answered]))
    if (np.isfinite(share) & answered).sum() < _FEWEST or usual <= 0.0:
        return
    one = free_air(volume_m3, usual if folded_pa is None else folded_pa)
    yield Fact.FREE_AIR_M3, one
    taken = float(np.clip(share[np.isfinite(share)], 0.0, None).mean()) / usual
    yield Fact.FREE_AIR_DAY_M3, one * pulses.height * taken


def _rest_facts(
    baghouse: Baghouse,
    header: Signal,
    pulses: pl.DataFrame,
    supply: Signal | None,
    others: list[Signal],
) -> Iterator[tuple[Fact, float]]:
    fire_s = pulses["time_s"].to_numpy()
    rests = find_rests(fire_s, float(header.time_s[0]), float(header.time_s[-1]))
    inside = np.zeros(header.time_s.size, np.bool_)
    for rest in rests:
        inside[slice(*np.searchsorted(header.time_s, rest))] = True
    if not inside.any():
        return
    yield Fact.IDLE_PA, float(np.median(header.value[inside]))
    decays = [decay for rest in rests if (decay := find_decay(header, rest)) is not None]
    if not decays:
        return
    decay = max(decays, key=lambda one: one.end_s - one.start_s)
    yield Fact.DECAY_TAU_S, decay.tau_s
    yield Fact.DECAY_PA_S, decay.loss_pa_s
    yield Fact.DECAY_START_S, decay.start_s
    yield Fact.DECAY_END_S, decay.end_s
    if baghouse.header_volume is not None:
        yield Fact.DECAY_M3_S, free_air(baghouse.header_volume, decay.loss_pa_s)
    yield Fact.DECAY_SUPPLY_HELD, _held(supply, header, decay, others)


def _held(supply: Signal | None, header: Signal, decay: Decay, others: list[Signal]) -> float:
    """1 where the supply stayed above the header's full pressure, or another header up, else 0."""
    if supply is not None:
        inside = (supply.time_s >= decay.start_s) & (supply.time_s <= decay.end_s)
        if inside.any():
            full = float(np.interp(decay.start_s, header.time_s, header.value))
            return float(supply.value[inside].min() >= full)
    return float(has_supply(decay, header, others))


def _pulse_time(signals: Signals, served: list[int]) -> float:
    """Median on-time of the bits that are recorded on change [s]."""
    lasted = [
        on_times(signal)
        for (role, compartment, _), signal in signals.items()
        if role is Role.ROW_SOLENOID and compartment in served and signal.step
    ]
    pooled = np.concatenate(lasted) if lasted else np.empty(0)
    return float(np.median(pooled)) if pooled.size >= _FEWEST else math.nan


def _sent_shares(baghouse: Baghouse, events: Events) -> Iterator[Line]:
    """Pulses sent to each row over the median of its compartment's rows."""
    counted = events.pulses.drop_nulls("row").group_by("compartment", "row").len()
    calls = {(c, r): n for c, r, n in counted.iter_rows()}
    for compartment, n_rows in enumerate(baghouse.rows, start=1):
        own = [calls.get((compartment, row), 0) for row in range(1, n_rows + 1)]
        usual = float(np.median(own))
        if usual > 0:
            for row, n in enumerate(own, start=1):
                yield compartment, row, Fact.SENT_SHARE, n / usual
