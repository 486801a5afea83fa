"""Events of a baghouse-day: its pulses, header by header, and its cleaning cycles."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from rowcall.events.clocks.drift import ClockOffset
from rowcall.events.clocks.offset import clock_offset
from rowcall.events.cycles import find_cycles
from rowcall.events.firing.even_spacing import evenly_timed
from rowcall.events.firing.inferred import infer_fires
from rowcall.events.firing.place_numbers import number_places
from rowcall.events.firing.recorded import Fires, find_fires
from rowcall.events.headers.refills import follow_refills
from rowcall.events.headers.whose_pulses import Shown, whose_pulses
from rowcall.events.rows.curves import CURVE_COLUMNS, row_curves
from rowcall.events.rows.pulses import PULSE_COLUMNS, measure_pulses
from rowcall.events.stacking.aliasing import is_in_step
from rowcall.events.stacking.decompress import Filled, filled_in
from rowcall.events.stacking.stack import stack_rows
from rowcall.events.stacking.types import STACK_COLUMNS
from rowcall.model import HOUR_COLUMNS, Inferred, Signal
from rowcall.site import Baghouse, Role

_SHARP_S = 0.2  # chosen: an offset known so well blurs no curve

Signals = Mapping[tuple[Role, int, int], Signal]


@dataclass(frozen=True, slots=True)
class Events:
    """Pulses and cycles of a day (see `BaghouseDay`) and how their times were found.

    clock_offsets: per compartment (0: shared header) what was added to the fire times.
    fires_known: True where bits, counters or the cadence give every fire.
    inferred: by compartment, how rows were inferred where there are neither bits nor counters.
    curves: what the stacked pulses of each row say, columns `CURVE_COLUMNS`.
    stacks: those stacks themselves, columns `STACK_COLUMNS`.
    refills: of each header, columns `HOUR_COLUMNS`; a line whose hour is null is of the day.
    in_step: compartments (0: shared header) whose pulses the sampling meets at few phases only.
    shown: by header, at whose pulses its pressure falls.
    """

    pulses: pl.DataFrame
    curves: pl.DataFrame
    stacks: pl.DataFrame
    cycles: pl.DataFrame
    clock_offsets: Mapping[int, ClockOffset]
    fires_known: bool
    inferred: Mapping[int, Inferred]
    in_step: frozenset[int]
    refills: pl.DataFrame
    shown: Mapping[int, Shown] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Header:
    """What one header shows of its fires."""

    pulses: pl.DataFrame
    curves: pl.DataFrame
    stacks: pl.DataFrame
    is_complete: bool
    is_in_step: bool
    inferred: Mapping[int, Inferred]
    offset: ClockOffset | None
    filled: Filled


def find_events(
    baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, seconds: float
) -> Events:
    """Return the events of one conditioned baghouse-day."""
    fires = find_fires(baghouse, signals, seconds)
    headers = {
        place[1]: signal for place, signal in signals.items() if place[0] is Role.HEADER_PRESSURE
    }
    by_header, shown = _by_header(baghouse, headers, fires, seconds)
    inferred = {c: how for one in by_header.values() for c, how in one.inferred.items()}
    if fires is not None and fires.is_complete:
        is_complete = True
    else:
        is_complete = all(one.is_complete for one in by_header.values())
        is_complete &= inferred.keys() == set(range(1, baghouse.compartments + 1))
    tables = [one.pulses for one in by_header.values()]
    pulses = pl.concat([*tables, _not_measured(fires, headers)]).sort(
        "time_s", "compartment", "row"
    )
    curves = [pl.DataFrame(schema=CURVE_COLUMNS), *(one.curves for one in by_header.values())]
    refills = [_refills(baghouse, own, one, seconds) for own, one in by_header.items()]
    stacks = [pl.DataFrame(schema=STACK_COLUMNS), *(one.stacks for one in by_header.values())]
    return Events(
        pulses=pulses,
        curves=pl.concat(curves).sort("compartment", "row"),
        stacks=pl.concat(stacks).sort("compartment", "row", "since_s"),
        cycles=find_cycles(baghouse, signals, pulses, minutes, is_complete),
        clock_offsets={own: one.offset for own, one in by_header.items() if one.offset is not None},
        fires_known=is_complete,
        inferred=inferred,
        in_step=frozenset(own for own, one in by_header.items() if one.is_in_step),
        refills=pl.concat([pl.DataFrame(schema=HOUR_COLUMNS), *refills]),
        shown=shown,
    )


def _by_header(
    baghouse: Baghouse, headers: Mapping[int, Signal], fires: Fires | None, seconds: float
) -> tuple[dict[int, _Header], dict[int, Shown]]:
    """Measure the fires of each header, and at whose pulses its pressure falls."""
    served = {own: baghouse.served_by(own, headers) for own in sorted(headers)}
    filled = {own: filled_in(headers[own]) for own in served}
    shown = whose_pulses(fires, {own: one.signal for own, one in filled.items()}, served)
    by_header = {}
    for own, compartments in served.items():
        header = headers[own], filled[own]
        own_fires = None if fires is None else fires.pick(np.isin(fires.compartment, compartments))
        if own_fires is None or not own_fires.is_complete:
            one = _inferred(baghouse, header, own, compartments, seconds, own_fires)
        else:
            is_others = own in shown and shown[own].is_others
            one = _recorded(header, own_fires, seconds, is_others=is_others)
        by_header[own] = one
    return by_header, shown


def _recorded(
    header: tuple[Signal, Filled], fires: Fires, seconds: float, *, is_others: bool
) -> _Header:
    """Measure the fires that bits or counters recorded.

    is_others: the header shows other fires than these, by which no clock can be set.
    """
    fires = evenly_timed(fires)
    offset = None if is_others else clock_offset(header[1].signal, fires)
    if offset is not None:
        is_uncertain = offset.offset_s != 0.0 and offset.half_width_s > _SHARP_S
        uncertainty = offset.half_width_s if is_uncertain else 0.0
        fires = fires.shifted(offset.at(fires.high_s), uncertainty)
    return replace(_measured(*header, fires, seconds), offset=offset)


def _inferred(
    baghouse: Baghouse,
    header: tuple[Signal, Filled],
    own: int,
    served: Sequence[int],
    seconds: float,
    caught: Fires | None,
) -> _Header:
    """Measure the fires inferred from the header's cadence, numbered by the bits a scan caught."""
    found = infer_fires(baghouse, header[1].signal, own, served, seconds, caught)
    if caught is not None and len(served) == 1:
        found = number_places(found, caught)
    measured = _measured(*header, found.fires, seconds)
    return replace(measured, pulses=found.corrected(measured.pulses), inferred=found.inferred)


def _measured(header: Signal, filled: Filled, fires: Fires, seconds: float) -> _Header:
    """Measure fires, with the curves and stacks of rows where row numbers are known."""
    stack = stack_rows(filled, fires)
    curves, stacks = pl.DataFrame(schema=CURVE_COLUMNS), pl.DataFrame(schema=STACK_COLUMNS)
    if stack is not None and (fires.row > 0).any():
        curves, stacks = row_curves(stack), stack.table()
    pulses = measure_pulses(header, fires, stack)
    return _Header(
        pulses=pulses,
        curves=curves,
        stacks=stacks,
        is_complete=fires.is_complete,
        is_in_step=stack is None and is_in_step(header, fires),  # in step there is no stack
        inferred={},
        offset=None,
        filled=filled,
    )


def _refills(baghouse: Baghouse, own: int, one: _Header, seconds: float) -> pl.DataFrame:
    """Follow the refills of a header, columns `HOUR_COLUMNS`."""
    return follow_refills(
        one.filled,
        one.pulses["time_s"].to_numpy(),
        one.pulses["answered"].fill_null(True).to_numpy(),
        math.ceil(seconds / 3600.0),
        _max_plateau(baghouse, own),
    ).select(pl.lit(own).cast(pl.Int64).alias("compartment"), pl.all())


def _max_plateau(baghouse: Baghouse, own: int) -> float:
    """Return what no header tends to: more than its transmitter was chosen to show [Pa]."""
    spans = [
        tag.outside_unit.to_inside(tag.span[1])
        for tag in baghouse.tag
        if (tag.role, tag.compartment or 0) == (Role.HEADER_PRESSURE, own) and tag.span is not None
    ]
    return max(spans, default=math.inf)


def _not_measured(fires: Fires | None, headers: Mapping[int, Signal]) -> pl.DataFrame:
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
