"""Events of a baghouse-day: its pulses, header by header, and its cleaning cycles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.events.cadence_fires import infer_fires
from rowcall.events.clock_offset import ClockOffset, clock_offset
from rowcall.events.cycles import find_cycles
from rowcall.events.fires import Fires, find_fires
from rowcall.events.pulses import PULSE_COLUMNS, measure_pulses
from rowcall.model import Inferred, Signal
from rowcall.site import Baghouse, Role

Signals = Mapping[tuple[Role, int, int], Signal]


@dataclass(frozen=True, slots=True)
class Events:
    """Pulses and cycles of a day (see `BaghouseDay`) and how their times were found.

    clock_offsets: per compartment (0: shared header) what was added to the fire times.
    fires_known: True where bits, counters or the cadence tell every fire.
    inferred: by compartment, how rows were told where neither bits nor counters do.
    """

    pulses: pl.DataFrame
    cycles: pl.DataFrame
    clock_offsets: Mapping[int, ClockOffset]
    fires_known: bool
    inferred: Mapping[int, Inferred]


def find_events(
    baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, seconds: float
) -> Events:
    """Return the events of one conditioned baghouse-day."""
    fires = find_fires(baghouse, signals, seconds)
    headers = {
        place[1]: signal for place, signal in signals.items() if place[0] is Role.HEADER_PRESSURE
    }
    tables, offsets = [], {}
    inferred: dict[int, Inferred] = {}
    is_complete = fires is None or fires.is_complete
    for own, header in sorted(headers.items()):
        served = (
            [own] if own else [c for c in range(1, baghouse.compartments + 1) if c not in headers]
        )
        if fires is None:
            told = infer_fires(baghouse, header, own, served, seconds)
            inferred |= told.inferred
            is_complete &= told.fires.is_complete
            tables.append(told.corrected(measure_pulses(header, told.fires)))
        else:
            mine = fires.pick(np.isin(fires.compartment, served))
            offset = clock_offset(header, mine)
            if offset is not None:
                offsets[own] = offset
                mine = mine.shifted(offset.offset_s)
            tables.append(measure_pulses(header, mine))
    if fires is None:
        is_complete &= inferred.keys() == set(range(1, baghouse.compartments + 1))
    tables.append(_unheard(fires, headers))
    pulses = pl.concat(tables).sort("time_s", "compartment", "row")
    return Events(
        pulses=pulses,
        cycles=find_cycles(baghouse, signals, pulses, minutes, fires is None or is_complete),
        clock_offsets=offsets,
        fires_known=is_complete,
        inferred=inferred,
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
