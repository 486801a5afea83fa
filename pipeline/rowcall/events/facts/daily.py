"""The facts of a baghouse-day (see `model.fact.Fact`), from its events and minutes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

import numpy as np
import polars as pl

from rowcall.condition.flat_runs import FlatRuns
from rowcall.condition.minutes import shared_signal
from rowcall.events.dp_level import fall_at_pulses, level_change
from rowcall.events.dust.day_dust import DayDust
from rowcall.events.facts.dust_lines import dust_facts
from rowcall.events.facts.header_lines import header_facts
from rowcall.events.facts.operation import (
    cooling_facts,
    heat_facts,
    operation_facts,
    peer_facts,
)
from rowcall.events.filter.cycle_drag import (
    cake_per_pulse,
    drag_on_demand,
    drag_on_time,
    filtered,
)
from rowcall.events.filter.set_points import start_set_point, stop_set_point
from rowcall.events.filter.sudden_steps import SuddenSteps, sudden_steps, unpaired
from rowcall.events.find import Events, Signals
from rowcall.events.operation.gas_seconds import GasSeconds
from rowcall.events.rows.intermittent import intermittent_rows
from rowcall.events.rows.onset import row_onsets
from rowcall.events.sensors.sensor_facts import sensor_facts
from rowcall.model import FACT_COLUMNS, Fact, Floats, Level, Signal
from rowcall.site import Baghouse, Role

Line = tuple[int, int, Fact, object]

_ROWS = tuple(fact for fact in Fact if Level.ROW in fact.value.levels)
_COMPARTMENTS = tuple(fact for fact in Fact if Level.COMPARTMENT in fact.value.levels)
_ONSET = {
    "share_before": "drop_ratio_before",
    "share_after": "drop_ratio_after",
    "share_after_error": "drop_ratio_after_error",
}
_INTERMITTENT = {
    "coming_gain": "intermittent_gain",
    "coming_rate": "answer_rate",
    "coming_rate_low": "answer_rate_low",
    "coming_rate_high": "answer_rate_high",
}
_MAX_STACK_ERROR = 0.2  # chosen: a stack's tau with a larger relative error says little
_MIN_CONFIDENCE = 0.5  # chosen: a tau with a standard error of 50 % or more says little
_MOST_OF_BAND = 0.015  # chosen: of the band; a stop set point known worse is not stated


def daily_facts(
    baghouse: Baghouse,
    signals: Signals,
    minutes: pl.DataFrame,
    events: Events,
    gas: GasSeconds | None,
    starts: pl.DataFrame,
    flat: Mapping[tuple[Role, int, int], FlatRuns],
    dust: DayDust,
) -> pl.DataFrame:
    """Return the facts of a baghouse-day, columns `FACT_COLUMNS`."""
    lines = [
        *header_facts(baghouse, signals, events),
        *_baghouse_facts(minutes, events),
        *operation_facts(minutes, gas, starts),
        *heat_facts(baghouse, signals, 60.0 * minutes.height),
        *dp_facts(baghouse, shared_signal(signals, Role.DP), minutes, events.cycles, events.pulses),
        *dust_facts(baghouse, signals, dust, events),
        *_sudden_facts(baghouse, signals, minutes, events),
        *_clock_facts(events),
        *sensor_facts(baghouse, signals, minutes, events, flat),
        *cooling_facts(signals, minutes),
    ]
    pulses = events.pulses.group_by("compartment").len().iter_rows() if events.fires_known else ()
    counted = [*lines, *((c, 0, Fact.N_PULSES, n) for c, n in pulses)]
    lines += peer_facts(baghouse, signals, minutes, counted)
    return _known([_row_facts(baghouse, events), _compartment_facts(events), _table(lines)])


def row_facts(baghouse: Baghouse, events: Events) -> pl.DataFrame:
    """Return the facts of rows alone, over whatever time the events are of, `FACT_COLUMNS`."""
    return _known([_row_facts(baghouse, events)])


def _known(parts: Iterable[pl.DataFrame]) -> pl.DataFrame:
    known = pl.col("value").is_not_null() & pl.col("value").is_finite()
    return pl.concat(parts).filter(known).sort("compartment", "row", "name")


def _table(lines: Iterable[Line]) -> pl.DataFrame:
    named = [(c, row, fact.column, _number(value)) for c, row, fact, value in lines]
    return pl.DataFrame(named, schema=FACT_COLUMNS, orient="row")


def _long(frame: pl.DataFrame, facts: Iterable[Fact]) -> pl.DataFrame:
    """Turn one column a fact into one line a fact."""
    names = [fact.column for fact in facts if fact.column in frame.columns]
    wide = frame.with_columns(pl.col(names).cast(pl.Float64))
    return wide.unpivot(
        on=names, index=["compartment", "row"], variable_name="name", value_name="value"
    ).cast(FACT_COLUMNS)  # type: ignore[arg-type]


def _confident_tau() -> pl.Expr:
    return pl.col("tau_s").filter(pl.col("confidence") >= _MIN_CONFIDENCE)


def _row_facts(baghouse: Baghouse, events: Events) -> pl.DataFrame:
    """Facts of every row of the baghouse, those without a pulse included."""
    place = ["compartment", "row"]
    rows = pl.DataFrame(baghouse.all_rows(), schema=dict.fromkeys(place, pl.Int64), orient="row")
    parts = (
        _of_pulses(events.pulses),
        events.curves,
        row_onsets(events.pulses).rename(_ONSET),
        intermittent_rows(events.pulses).rename(_INTERMITTENT),
    )
    for part in parts:
        rows = rows.join(part, on=place, how="left")
    if events.fires_known:
        rows = rows.with_columns(pl.col("n_sent", "n_judged", "n_answered").fill_null(0))
    else:  # scanned bits miss most pulses: how many were sent is not known
        rows = rows.drop("n_sent")
    error = pl.col("stack_tau_log_error")
    sure = error < _MAX_STACK_ERROR
    return _long(
        rows.with_columns(
            drop_pa=pl.coalesce("drop_pa", pl.col("drop_ratio") * pl.col("usual_drop_pa")),
            tau_s=pl.coalesce(pl.when(sure).then(pl.col("stack_tau_s")), "tau_s"),
            tau_log_error=pl.when(sure).then(error),
        ),
        _ROWS,
    )


def _of_pulses(pulses: pl.DataFrame) -> pl.DataFrame:
    return (
        pulses.drop_nulls("row")
        .group_by("compartment", "row")
        .agg(
            n_sent=pl.len(),
            n_judged=pl.col("answered").is_not_null().sum(),
            n_answered=pl.col("answered").sum(),
            n_in_doubt=pl.col("in_doubt").sum(),
            answered_drop_ratio=pl.col("share").filter(pl.col("answered")).median(),
            drop_pa=pl.col("drop_pa").median(),
            tau_s=_confident_tau().median(),
        )
    )


def _compartment_facts(events: Events) -> pl.DataFrame:
    grouped = events.pulses.group_by("compartment").agg(
        n_pulses=pl.len(),
        before_pa=pl.col("before_pa").median(),
        drop_pa=pl.col("drop_pa").filter(pl.col("answered")).median(),
    )
    usual = events.curves.group_by("compartment").agg(pl.col("usual_drop_pa").first())
    known = grouped.join(usual, on="compartment", how="left").with_columns(
        row=pl.lit(0), drop_pa=pl.coalesce("drop_pa", "usual_drop_pa")
    )
    return _long(known, _COMPARTMENTS)


def _baghouse_facts(minutes: pl.DataFrame, events: Events) -> Iterator[Line]:
    running = events.cycles.filter(pl.col("state_running"))
    yield 0, 0, Fact.N_PULSES, events.pulses.height
    yield 0, 0, Fact.N_CYCLES, running.height
    if "supply_pressure_pa" in minutes.columns:
        yield 0, 0, Fact.SUPPLY_PRESSURE_PA, minutes["supply_pressure_pa"].median()


def dp_facts(
    baghouse: Baghouse,
    dp: Signal | None,
    minutes: pl.DataFrame,
    cycles: pl.DataFrame,
    pulses: pl.DataFrame,
) -> Iterator[Line]:
    """Yield what DP shows while running; after a change of its level, of the time since."""
    running = cycles.filter(pl.col("state_running"))
    if dp is None or running.is_empty():
        return
    change = level_change(running, dp, baghouse.cleaning.mode == "on_demand")
    since_s = -math.inf
    if change is not None:
        since_s = change.at_s
        yield 0, 0, Fact.DP_CHANGED_S, change.at_s
        yield 0, 0, Fact.DP_JUMP, change.jump
    running = running.filter(pl.col("start_s") >= since_s)
    for fact in (Fact.RESIDUAL_DP_PA, Fact.PEAK_DP_PA, Fact.CYCLE_TIME_S, Fact.FLOW_M3_S):
        yield 0, 0, fact, running[fact.column].median()
    per_flow = (running["residual_dp_pa"] / running["flow_m3_s"]).median()
    yield 0, 0, Fact.RESIDUAL_DP_PER_FLOW, per_flow
    if isinstance(per_flow, float) and baghouse.cloth_area is not None:
        yield 0, 0, Fact.RESIDUAL_DRAG, per_flow * baghouse.cloth_area
    fired = pulses["time_s"].filter(pulses["time_s"] >= since_s).to_numpy()
    fall, error = fall_at_pulses(dp, fired)
    yield 0, 0, Fact.DP_FALL_PA, fall
    yield 0, 0, Fact.DP_FALL_ERROR_PA, error
    yield from _drag_facts(baghouse, dp, minutes, running, fired)
    if baghouse.cleaning.mode == "on_demand":
        yield 0, 0, Fact.CAKE_PER_PULSE_PA, cake_per_pulse(running)
        yield from _set_point_facts(baghouse, dp, running, pulses)


def _drag_facts(
    baghouse: Baghouse, dp: Signal, minutes: pl.DataFrame, cycles: pl.DataFrame, fired: Floats
) -> Iterator[Line]:
    per_flow = filtered(dp, minutes)
    if per_flow is None:
        return
    if baghouse.cleaning.mode == "on_demand":
        drag = drag_on_demand(cycles, per_flow)
    else:
        drag = drag_on_time(cycles, per_flow, fired)
    yield 0, 0, Fact.CLEAN_DP_PER_FLOW, drag.clean
    yield 0, 0, Fact.DP_PER_FLOW_GROWTH, drag.growth


def _sudden_facts(
    baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, events: Events
) -> Iterator[Line]:
    """Yield the largest fall and rise of drag within a minute, where all pulses are known."""
    dp = shared_signal(signals, Role.DP)
    if dp is not None and events.fires_known:
        pulses_s = events.pulses["time_s"].to_numpy()
        seen = sudden_steps(dp, minutes, pulses_s, baghouse.cleaning.interval)
        yield from step_lines(baghouse, signals, seen)


def step_lines(baghouse: Baghouse, signals: Signals, seen: SuddenSteps | None) -> Iterator[Line]:
    """Yield what the steps of drag of a day are as facts."""
    if seen is None:
        return
    yield 0, 0, Fact.DRAG_STEP_MIN, seen.n_minutes
    places = {(Role.COMPARTMENT_ON_LINE, c, 0) for c in range(1, baghouse.compartments + 1)}
    may_switch = baghouse.compartments > 1 and not places <= signals.keys()
    steps = unpaired(seen.steps, may_switch=may_switch)
    fall = min(steps, key=lambda one: one.log, default=None)
    rise = max(steps, key=lambda one: one.log, default=None)
    if fall is not None and fall.log < 0:
        yield 0, 0, Fact.DRAG_FELL_S, 60 * fall.minute
        yield 0, 0, Fact.DRAG_FALL, -math.expm1(fall.log)
        yield 0, 0, Fact.DRAG_FALL_ERROR, math.exp(fall.log) * fall.error
    if rise is not None and rise.log > 0:
        yield 0, 0, Fact.DRAG_ROSE_S, 60 * rise.minute
        yield 0, 0, Fact.DRAG_RISE, math.expm1(rise.log)


def _set_point_facts(
    baghouse: Baghouse, dp: Signal, cycles: pl.DataFrame, pulses: pl.DataFrame
) -> Iterator[Line]:
    n_rows = pulses.select("compartment", "row").drop_nulls().n_unique()
    gaps = np.diff(pulses["time_s"].to_numpy())
    start = start_set_point(dp, cycles["start_s"].to_numpy())
    stop = stop_set_point(
        dp,
        cycles["clean_end_s"].to_numpy(),
        cycles["n_pulses"].to_numpy(),
        n_rows or len(baghouse.all_rows()),
        float(np.median(gaps)) if gaps.size else math.nan,
        start.rise_pa_s,
    )
    yield 0, 0, Fact.START_DP_PA, start.pa
    if not stop.error_pa > _MOST_OF_BAND * (start.pa - stop.pa):
        yield 0, 0, Fact.STOP_DP_PA, stop.pa


def _clock_facts(events: Events) -> Iterator[Line]:
    for compartment, offset in events.clock_offsets.items():
        yield compartment, 0, Fact.CLOCK_OFFSET_S, offset.offset_s
        if offset.drift is not None:
            through = offset.drift.offset_s
            yield compartment, 0, Fact.CLOCK_OFFSET_START_S, float(through[0])
            yield compartment, 0, Fact.CLOCK_OFFSET_END_S, float(through[-1])
            yield compartment, 0, Fact.CLOCK_OFFSET_MIN_S, float(through.min())
            yield compartment, 0, Fact.CLOCK_OFFSET_MAX_S, float(through.max())
    for compartment in sorted(events.in_step):
        yield compartment, 0, Fact.IN_STEP, 1.0


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None
