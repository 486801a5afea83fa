"""Events of a baghouse-day: its pulses, header by header, and its cleaning cycles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.events.clock_offset import ClockOffset, clock_offset
from rowcall.events.cycles import find_cycles
from rowcall.events.fires import Fires, find_fires
from rowcall.events.overlay import is_in_step
from rowcall.events.pulses import PULSE_COLUMNS, find_drops, measure_pulses
from rowcall.events.row_curves import CURVE_COLUMNS, row_curves
from rowcall.events.stack import stack_rows
from rowcall.model import Signal
from rowcall.site import Baghouse, Role

Signals = Mapping[tuple[Role, int, int], Signal]


@dataclass(frozen=True, slots=True)
class Events:
    """Pulses and cycles of a day (see `BaghouseDay`) and how their times were found.

    clock_offsets: per compartment (0: shared header) what was added to the fire times.
    fires_known: True where bits or counters tell every fire; False where only drops do.
    curves: what the stacked pulses of each row say, columns `CURVE_COLUMNS`.
    in_step: compartments (0: shared header) whose pulses the sampling meets at few phases only.
    """

    pulses: pl.DataFrame
    curves: pl.DataFrame
    cycles: pl.DataFrame
    clock_offsets: Mapping[int, ClockOffset]
    fires_known: bool
    in_step: frozenset[int]


def find_events(
    baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, seconds: float
) -> Events:
    """Return the events of one conditioned baghouse-day."""
    fires = find_fires(baghouse, signals, seconds)
    headers = {
        place[1]: signal for place, signal in signals.items() if place[0] is Role.HEADER_PRESSURE
    }
    tables, curves, offsets, in_step = [], [pl.DataFrame(schema=CURVE_COLUMNS)], {}, set()
    for own, header in sorted(headers.items()):
        served = (
            [own] if own else [c for c in range(1, baghouse.compartments + 1) if c not in headers]
        )
        if fires is None:
            mine = find_drops(header, own or 1)
        else:
            mine = fires.pick(np.isin(fires.compartment, served))
            offset = clock_offset(header, mine)
            if offset is not None:
                offsets[own] = offset
                mine = mine.shifted(offset.offset_s)
        stack = stack_rows(header, mine)
        if is_in_step(header, mine):
            in_step.add(own)
        if stack is not None and fires is not None:
            curves.append(row_curves(stack))
        tables.append(measure_pulses(header, mine, stack))
    tables.append(_unheard(fires, headers))
    pulses = pl.concat(tables).sort("time_s", "compartment", "row")
    return Events(
        pulses=pulses,
        curves=pl.concat(curves).sort("compartment", "row"),
        cycles=find_cycles(baghouse, signals, pulses, minutes, fires is None or fires.is_complete),
        clock_offsets=offsets,
        fires_known=fires is not None and fires.is_complete,
        in_step=frozenset(in_step),
    )


def _unheard(fires: Fires | None, headers: Mapping[int, Signal]) -> pl.DataFrame:
    """Fires of compartments whose header pressure is not usable: listed, with nothing measured."""
    if fires is None or 0 in headers:
        return pl.DataFrame(schema=PULSE_COLUMNS)
    lost = fires.pick(~np.isin(fires.compartment, list(headers)))
    listed = pl.DataFrame(
        {
            "time_s": (lost.low_s + lost.high_s) / 2,
            "compartment": lost.compartment,
            "row": lost.row,
        },
        schema_overrides={name: PULSE_COLUMNS[name] for name in ("time_s", "compartment", "row")},
    )
    missing = [pl.lit(None, kind).alias(name) for name, kind in PULSE_COLUMNS.items()]
    return listed.with_columns(missing[3:]).select(list(PULSE_COLUMNS))
