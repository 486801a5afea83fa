"""Facts: the handful of numbers a day that later days are compared with.

One line a fact: `compartment`, `row` (0 meaning all), `name`, `value` in inside units.

By row: n_called, n_heard, n_answered, drop_pa, min_delay_s, tau_s; from its stacked pulses
drop_ratio (to the sound rows of its header), drop_ratio_error, late_s, late_s_error, p_late,
late_power, stack_tau_s, stack_tau_log_error, n_points (see `row_curves`); full_share (median
share of the usual drop where it answered); where it changed within the day onset_s, share_before,
share_after, share_after_error, n_after; whether answers come and go coming_gain, coming_rate,
coming_rate_low, coming_rate_high; called_share (calls as a share of the compartment's median);
n_stacked, days_stacked (pulses and days that all these are told from, where one day has too few
pulses: see `more_days`; onset_s is then before the day, below 0).
By compartment:
n_pulses, before_pa, drop_pa, tau_s, tau_s_hNN (hour NN of the plant-local day, counted from its
start), n_tau_hNN, slow_frac (share of pulses not made good before the next), clock_offset_s (added
to the times of fires; where the clocks drift or are set its median, and clock_offset_start_s,
clock_offset_end_s, clock_offset_least_s, clock_offset_most_s of the day), in_step (1 where the
sampling meets the pulses at few phases only). By header (compartment 0: a
shared one), where every fire is known: interval_s (from pulse to pulse), recovery_s (until 95 % of
a drop is made good), plateau_pa (that the refill tends to), left_pa (missing of it when the next
row fires), sag_pa, sag_share (along a bout), pulse_time_s (on-time of bits), free_air_m3 (a
pulse), free_air_day_m3, rest_s, rest_pa (while nothing fires); of a loss of pressure meanwhile
decay_tau_s, decay_pa_s, decay_m3_s, decay_start_s, decay_end_s, decay_supply_held (see
`header_air`, `rests`). By baghouse: row_interval_s, n_pulses,
n_cycles, residual_dp_pa, peak_dp_pa, cycle_time_s, flow_m3_s, residual_dp_per_flow (Pa.s/m3),
residual_drag (Pa.s/m), running_min, idle_min, inlet_temperature_mean_c, inlet_temperature_max_c,
supply_pressure_pa.
"""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from rowcall.condition.state import State
from rowcall.events.facts.header_lines import header_facts
from rowcall.events.find import Events, Signals
from rowcall.events.rows.intermittent import intermittent_rows
from rowcall.events.rows.onset import row_onsets
from rowcall.site import Baghouse

FACT_COLUMNS = {
    "compartment": pl.Int64,
    "row": pl.Int64,
    "name": pl.String,
    "value": pl.Float64,
}
_STACKED = (
    "drop_ratio",
    "drop_ratio_error",
    "late_s",
    "late_s_error",
    "p_late",
    "late_power",
    "stack_tau_s",
    "stack_tau_log_error",
    "n_points",
)
_COMING = ("coming_gain", "coming_rate", "coming_rate_low", "coming_rate_high")
_ONSET = ("onset_s", "share_before", "share_after", "share_after_error", "n_after")
_SURE_STACK = 0.2  # chosen: a stack's tau with a larger relative error says little
_SURE = 0.5  # chosen: a tau with a standard error of 50 % or more says little


def daily_facts(
    baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, events: Events
) -> pl.DataFrame:
    """Return the facts of a baghouse-day, columns `FACT_COLUMNS`."""
    air = header_facts(baghouse, signals, events)
    parts = [
        pl.DataFrame(air, schema=FACT_COLUMNS, orient="row"),
        _row_facts(baghouse, events),
        _compartment_facts(events),
        _hourly_tau(events.pulses),
        _baghouse_facts(baghouse, minutes, events),
    ]
    return _known(pl.concat(parts))


def row_facts(baghouse: Baghouse, events: Events) -> pl.DataFrame:
    """Return the facts of rows alone, over whatever time the events are of, `FACT_COLUMNS`."""
    return _known(_row_facts(baghouse, events))


def _known(facts: pl.DataFrame) -> pl.DataFrame:
    known = pl.col("value").is_not_null() & pl.col("value").is_finite()
    return facts.filter(known).sort("compartment", "row", "name")


def _long(frame: pl.DataFrame, names: Iterable[str]) -> pl.DataFrame:
    """Turn one column a fact into one line a fact."""
    wide = frame.with_columns(pl.col(list(names)).cast(pl.Float64))
    return wide.unpivot(
        on=list(names), index=["compartment", "row"], variable_name="name", value_name="value"
    ).cast(FACT_COLUMNS)  # type: ignore[arg-type]


def _sure_tau() -> pl.Expr:
    return pl.col("tau_s").filter(pl.col("confidence") >= _SURE)


def _row_facts(baghouse: Baghouse, events: Events) -> pl.DataFrame:
    """Facts of every row of the baghouse, those that never fired included."""
    roster = pl.DataFrame(
        baghouse.all_rows(), schema={"compartment": pl.Int64, "row": pl.Int64}, orient="row"
    )
    measured = (
        events.pulses.drop_nulls("row")
        .group_by("compartment", "row")
        .agg(
            n_called=pl.len(),
            n_heard=pl.col("answered").is_not_null().sum(),
            n_answered=pl.col("answered").sum(),
            full_share=pl.col("share").filter(pl.col("answered")).median(),
            drop_pa=pl.col("drop_pa").median(),
            # The mean: delays spread evenly over a sampling period, where a median is noisier.
            min_delay_s=pl.col("min_delay_s").mean(),
            tau_s=_sure_tau().median(),
        )
    )
    if not events.fires_known:  # scanned bits miss most fires: no number of calls can be told
        measured = measured.drop("n_called")
    names = [name for name in measured.columns if name not in ("compartment", "row")]
    counts = ["n_called", "n_heard", "n_answered"] if events.fires_known else []
    place = ["compartment", "row"]
    joined = roster
    pulses = events.pulses
    for part in (measured, events.curves, row_onsets(pulses), intermittent_rows(pulses)):
        joined = joined.join(part, on=place, how="left")
    told = joined.with_columns(
        pl.col(counts).fill_null(0),
        drop_pa=pl.coalesce("drop_pa", pl.col("drop_ratio") * pl.col("usual_drop_pa")),
        tau_s=pl.coalesce(
            pl.when(pl.col("stack_tau_log_error") < _SURE_STACK).then(pl.col("stack_tau_s")),
            "tau_s",
        ),
        tau_log_error=pl.when(pl.col("stack_tau_log_error") < _SURE_STACK).then(
            pl.col("stack_tau_log_error")
        ),
    )
    return _long(told, [*names, "tau_log_error", *_STACKED, *_ONSET, *_COMING])


def _compartment_facts(events: Events) -> pl.DataFrame:
    grouped = events.pulses.group_by("compartment").agg(
        n_pulses=pl.len(),
        before_pa=pl.col("before_pa").median(),
        drop_pa=pl.col("drop_pa").filter(pl.col("answered")).median(),
        tau_s=_sure_tau().median(),
        slow_frac=1 - pl.col("recovered").mean(),
    )
    usual = events.curves.group_by("compartment").agg(
        usual_drop_pa=pl.col("usual_drop_pa").first(),
        usual_tau_s=pl.col("usual_tau_s")
        .filter(pl.col("stack_tau_log_error") < _SURE_STACK)
        .first(),
    )
    told = grouped.join(usual, on="compartment", how="left").with_columns(
        row=pl.lit(0),
        drop_pa=pl.coalesce("drop_pa", "usual_drop_pa"),
        tau_s=pl.coalesce("tau_s", "usual_tau_s"),
    )
    return _long(told, [name for name in grouped.columns if name != "compartment"])


def _hourly_tau(pulses: pl.DataFrame) -> pl.DataFrame:
    hour = (pl.col("time_s") // 3600).cast(pl.Int64).cast(pl.String).str.zfill(2)
    grouped = (
        pulses.filter(pl.col("confidence") >= _SURE)
        .group_by("compartment", hour.alias("hour"))
        .agg(tau_s=pl.col("tau_s").median(), n_tau=pl.len().cast(pl.Float64))
        .with_columns(row=pl.lit(0))
    )
    long = grouped.unpivot(
        on=["tau_s", "n_tau"],
        index=["compartment", "row", "hour"],
        variable_name="name",
        value_name="value",
    )
    named = long.with_columns(name=pl.col("name") + "_h" + pl.col("hour"))
    return named.select(pl.col(name).cast(kind) for name, kind in FACT_COLUMNS.items())


def _baghouse_facts(baghouse: Baghouse, minutes: pl.DataFrame, events: Events) -> pl.DataFrame:
    running = events.cycles.filter(pl.col("state_running"))
    facts: list[tuple[int, str, object]] = [
        (0, "n_pulses", events.pulses.height),
        (0, "n_cycles", running.height),
        (0, "running_min", (minutes["state"] == State.RUNNING.value).sum()),
        (0, "idle_min", (minutes["state"] == State.IDLE.value).sum()),
    ]
    for name in ("residual_dp_pa", "peak_dp_pa", "cycle_time_s", "flow_m3_s"):
        facts.append((0, name, running[name].median()))
    per_flow = (running["residual_dp_pa"] / running["flow_m3_s"]).median()
    facts.append((0, "residual_dp_per_flow", per_flow))
    if isinstance(per_flow, float) and baghouse.cloth_area is not None:
        facts.append((0, "residual_drag", per_flow * baghouse.cloth_area))
    if "inlet_temperature_c" in minutes.columns:
        facts.append((0, "inlet_temperature_mean_c", minutes["inlet_temperature_c"].mean()))
        facts.append((0, "inlet_temperature_max_c", minutes["inlet_temperature_c"].max()))
    if "supply_pressure_pa" in minutes.columns:
        facts.append((0, "supply_pressure_pa", minutes["supply_pressure_pa"].median()))
    for compartment, offset in events.clock_offsets.items():
        facts.append((compartment, "clock_offset_s", offset.offset_s))
        if offset.drift is not None:
            through = offset.drift.offset_s
            facts += [
                (compartment, "clock_offset_start_s", through[0]),
                (compartment, "clock_offset_end_s", through[-1]),
                (compartment, "clock_offset_least_s", through.min()),
                (compartment, "clock_offset_most_s", through.max()),
            ]
    facts += [(compartment, "in_step", 1.0) for compartment in sorted(events.in_step)]
    lines = [(c, 0, name, _number(value)) for c, name, value in facts]
    return pl.DataFrame(lines, schema=FACT_COLUMNS, orient="row")


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None
