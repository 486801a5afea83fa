"""Facts of how the unit was run: time running, starts, and gas colder than its dew points."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np
import polars as pl

from rowcall.condition.state import State
from rowcall.events.operation.cooling import cooling
from rowcall.events.operation.gas_seconds import GasSeconds, Mask, Signals
from rowcall.events.operation.heat import excess, hours_at_limit
from rowcall.events.operation.peers import above_peers, by_compartment, on_line, over_peers
from rowcall.model import Fact, Floats
from rowcall.site import Baghouse, Role

Line = tuple[int, int, Fact, object]

_AS_LONG = 0.9  # chosen: of the longest time on line; others are pulsed less as they should be
_MAX_UNKNOWN = 0.01  # chosen: in a quarter of an hour no start hides that is worth a word


def operation_facts(
    minutes: pl.DataFrame, gas: GasSeconds | None, starts: pl.DataFrame
) -> Iterator[Line]:
    """Yield them; starts and cold gas only where they are known."""
    yield 0, 0, Fact.RUNNING_MIN, (minutes["state"] == State.RUNNING.value).sum()
    if gas is None:
        return
    began = starts.filter(kind="start")
    yield 0, 0, Fact.N_STARTS, began.height
    if not began.is_empty():
        yield 0, 0, Fact.START_MIN, ((began["end_s"] - began["begin_s"]) / 60).max()
        yield 0, 0, Fact.START_RAMP_K_MIN, began["ramp_k_min"].max()
        yield 0, 0, Fact.ACID_START_MIN, (began["acid_s"] / 60).max()
    for fact, limit_c in zip(
        (Fact.COLD_GAS_MIN, Fact.ACID_GAS_MIN), (gas.water_c, gas.acid_c), strict=True
    ):
        if np.isfinite(limit_c).any():
            yield 0, 0, fact, _minutes_below(gas, limit_c)


def heat_facts(baghouse: Baghouse, signals: Signals, seconds: float) -> Iterator[Line]:
    """Yield how much hotter than its continuous limit the gas was, inlet by inlet."""
    limits_c = baghouse.temperature_limits()
    for (role, compartment, _), signal in signals.items():
        if role is Role.INLET_TEMPERATURE and limits_c is not None:
            dose = excess(signal, limits_c[0], seconds).degree_minutes
            yield compartment, 0, Fact.HEAT_DOSE, dose
            if (energy := baghouse.activation_energy) is not None:
                hours = hours_at_limit(signal, limits_c[0], energy, seconds)
                yield compartment, 0, Fact.HEAT_AGE_H, hours


def cooling_facts(signals: Signals, minutes: pl.DataFrame) -> Iterator[Line]:
    """Yield how much the gas cooled between inlet and outlet."""
    if "gas_flow_m3_s" not in minutes.columns:
        return
    flow = minutes["gas_flow_m3_s"].fill_null(math.nan).to_numpy()
    seen = cooling(signals, flow, _running(minutes))
    if seen is not None:
        yield 0, 0, Fact.COOLING, seen.log
        yield 0, 0, Fact.COOLING_ERROR, seen.error
        yield 0, 0, Fact.COOLING_FLOW_M3_S, seen.flow_m3_s


def peer_facts(
    baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, lines: Iterable[Line]
) -> Iterator[Line]:
    """Yield what sets compartments apart; `lines`: facts of compartments and headers so far."""
    if baghouse.compartments < 2:
        return
    on = on_line(baghouse, signals, _running(minutes))
    known = {(c, fact): value for c, row, fact, value in lines if c and not row}
    for of, fact in (
        (Fact.N_PULSES, Fact.PULSES_TO_PEERS),
        (Fact.FREE_AIR_DAY_M3, Fact.AIR_TO_PEERS),
    ):
        a_row = {
            c: value / rows
            for c, rows in enumerate(baghouse.rows, start=1)
            if isinstance(value := known.get((c, of)), (int, float))
            and on[c - 1].sum() >= _AS_LONG * on.sum(axis=1).max()
        }
        for c, ratio in over_peers(a_row).items():
            yield c, 0, fact, ratio
    for c, (above, error) in above_peers(
        by_compartment(baghouse, signals, Role.OUTLET_TEMPERATURE, on)
    ).items():
        yield c, 0, Fact.OUTLET_TO_PEERS_K, above
        yield c, 0, Fact.OUTLET_TO_PEERS_ERROR_K, error
    dp = by_compartment(baghouse, signals, Role.DP, on)
    with np.errstate(invalid="ignore"):
        log_dp = np.log(np.where(dp > 0, dp, math.nan))
    for c, (above, error) in above_peers(log_dp).items():
        yield c, 0, Fact.DP_TO_PEERS, math.exp(above)
        yield c, 0, Fact.DP_TO_PEERS_ERROR, math.exp(above) * error


def _running(minutes: pl.DataFrame) -> Mask:
    return (minutes["state"] == State.RUNNING.value).fill_null(value=False).to_numpy()


def _minutes_below(gas: GasSeconds, limit_c: Floats) -> float | None:
    """Return the minutes of cold gas; none at all only where nearly all of the day is known."""
    is_cold = gas.below(limit_c)
    may_be_cold = ~(gas.calm_c >= limit_c) & (gas.is_moving | ~gas.is_known)
    is_open = np.mean(may_be_cold & ~is_cold) > _MAX_UNKNOWN
    return None if is_open and not is_cold.any() else float(is_cold.sum()) / 60
