"""One baghouse on one plant-local day: everything that rules and reports may look at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, tzinfo

import polars as pl

from rowcall.model.fact import FACT_COLUMNS, Floats, History
from rowcall.site import Baghouse, Role, UnitsTable
from rowcall.units import Units

HOUR_COLUMNS = {
    "compartment": pl.Int64,
    "hour": pl.Int64,
    "n_pulses": pl.Int64,
    "tau_s": pl.Float64,
    "tau_log_error": pl.Float64,
    "recovery_s": pl.Float64,
    "recovery_log_error": pl.Float64,
    "plateau_pa": pl.Float64,
    "plateau_error_pa": pl.Float64,
    "drop_pa": pl.Float64,
    "left_pa": pl.Float64,
}

START_COLUMNS = {
    "kind": pl.String,
    "begin_s": pl.Float64,
    "end_s": pl.Float64,
    "water_s": pl.Float64,
    "acid_s": pl.Float64,
    "ramp_k_min": pl.Float64,
    "max_c": pl.Float64,
    "max_dp_pa": pl.Float64,
    "first_pulse_s": pl.Float64,
}

PUFF_COLUMNS = {
    "compartment": pl.Int64,
    "row": pl.Int64,
    "since_s": pl.Float64,
    "mean": pl.Float64,
    "error": pl.Float64,
    "usual": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Signal:
    """One conditioned tag over a day, only Good points within range, in the inside unit.

    `time_s` counts from the start of the plant-local day and rises strictly; a step signal's
    first point may lie before the day (negative time) and holds until the next.
    `longest_hold_s` is how long a point speaks for the time after it when no other comes;
    `bridge_s` how far apart two points may lie for a straight line between them.
    """

    time_s: Floats
    value: Floats
    step: bool = False
    longest_hold_s: float = 60.0
    bridge_s: float = 600.0


@dataclass(frozen=True, slots=True)
class TagHealth:
    """How usable one tag was on the day; `problem` is empty when it was usable."""

    tag: str
    role: Role
    compartment: int
    row: int
    n_points: int
    n_bad: int
    n_out_of_range: int
    coverage_frac: float  # share of the day covered without gaps
    step_s: float  # median time between points; nan where there are fewer than two
    problem: str = ""
    note: str = ""  # what the site file has otherwise than the points; the tag stays usable


@dataclass(frozen=True, slots=True)
class Inferred:
    """How the fires of a compartment were inferred from header pressure alone.

    Attributes:
        n_places: places in a round of its rows; 0 where fires are known as drops only.
        is_row: `row` is the row; else it is the place in the firing sequence.
        text: how they were inferred, or why not, as the end of a sentence.
    """

    n_places: int
    is_row: bool
    text: str


@dataclass(frozen=True, slots=True)
class BaghouseDay:
    """Everything a rule may look at: one baghouse on one plant-local day.

    minutes: `minute` (i64, from day start), `state` (str: idle, starting, running, stopping,
        unknown), and per available role a mean in inside units: `dp_pa`, `inlet_temperature_c`,
        `outlet_temperature_c`, `gas_flow_m3_s`, `fan_signal`, `opacity`, `supply_pressure_pa`
        (f64, null where there was no value); `on_line_frac`, share of the rows on line.
    pulses: one row a fire (or, without solenoid bits and counters, a drop): `time_s`,
        `compartment`, `row` (null where unknown), `before_pa`, `drop_pa`, `noise_pa`,
        `min_delay_s`, `tau_s`, `recovered` (bool, before the next pulse on its header),
        `answered` (bool), `confidence` (0..1), `in_doubt` (bool, its scans may have been lost);
        values null where the header shows nothing of them.
    cycles: `start_s`, `clean_end_s` (its last pulse), `end_s`, `residual_dp_pa`, `peak_dp_pa`,
        `cycle_time_s`, `n_pulses`, `flow_m3_s` (corrected to all compartments on line),
        `state_running` (bool).
    facts: the day's own facts, columns `FACT_COLUMNS`.
    hours: refill of each header by the hour: `compartment` (0: shared header), `hour` (from the
        start of the day), `n_pulses` (answered), `tau_s`, `recovery_s` (time to recover 63 % and
        95 % of a drop), `plateau_pa` (what it tends to), their errors, `drop_pa`, `left_pa` (what
        is missing of the plateau when the next row is pulsed).
    starts: starts and stops of the unit: `kind` (start, stop), `begin_s`, `end_s`, `water_s` and
        `acid_s` (seconds with gas below its dew points), `ramp_k_min` (fastest change of inlet
        temperature over 5 minutes), `max_c`, `max_dp_pa`, `first_pulse_s` (since `begin_s`); null
        where it is not known.
    history: facts and verdicts of the days before.
    zone, units: the plant's, for clock times and quantities in words.
    fires_known: bits, counters or the cadence of header pressure show every fire of the day.
    inferred: by compartment, how rows were inferred where neither bits nor counters show them;
        there `row` of pulses, facts and subjects may be a place in the firing sequence.
    stacks: the stacked pulses of each row, a line a bin of time since the pulse that holds
        points: `compartment`, `row`, `since_s`, `count` (points), `mean` (their drop as a share
        of the pressure before), `usual` (that of the other reference rows), `point_error` (standard
        deviation of one point), `close_s` (when the peers' valves close).
    puffs: dust after the pulses of each row, stacked: `since_s` (since the pulse), `mean` (above
        the base, other puffs taken out), `error` of it, `usual` (median of the other rows).
    failed: why the day could not be studied, empty where it was.
    """

    day: date
    start: datetime
    end: datetime
    baghouse: Baghouse
    signals: Mapping[tuple[Role, int, int], Signal]
    health: tuple[TagHealth, ...]
    minutes: pl.DataFrame
    pulses: pl.DataFrame
    cycles: pl.DataFrame
    facts: pl.DataFrame
    history: History = field(default_factory=History)
    hours: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=HOUR_COLUMNS))
    starts: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=START_COLUMNS))
    zone: tzinfo = UTC
    units: Units = UnitsTable().scales
    fires_known: bool = True
    inferred: Mapping[int, Inferred] = field(default_factory=dict)
    stacks: pl.DataFrame = field(default_factory=pl.DataFrame)
    puffs: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=PUFF_COLUMNS))
    failed: str = ""

    @classmethod
    def unstudied(
        cls,
        baghouse: Baghouse,
        day: date,
        span: tuple[datetime, datetime],
        history: History,
        failed: str,
    ) -> BaghouseDay:
        """Return a day of which nothing is known but why; `span`: its begin and end (UTC)."""
        nothing = pl.DataFrame()
        return cls(
            day=day,
            start=span[0],
            end=span[1],
            baghouse=baghouse,
            signals={},
            health=(),
            minutes=nothing,
            pulses=nothing,
            cycles=nothing,
            facts=pl.DataFrame(schema=FACT_COLUMNS),
            history=history,
            failed=failed,
        )

    @property
    def seconds(self) -> float:
        """Length of the day: 86,400 s, an hour more or less at a change of clocks."""
        return (self.end - self.start).total_seconds()

    def clock(self, hour: int) -> str:
        """Return the plant's wall time so many hours after the start of the day: `06:00`.

        In the hour that comes twice, as clocks go back, with its offset: `02:00 (UTC+01:00)`.
        """
        at = min(self.end, self.start + timedelta(hours=hour)).astimezone(self.zone)
        if at == self.end:
            return "24:00"
        is_twice = at.utcoffset() != at.replace(fold=1 - at.fold).utcoffset()
        return f"{at:%H:%M} (UTC{at.isoformat()[-6:]})" if is_twice else f"{at:%H:%M}"

    def counts_places(self, compartment: int) -> bool:
        """Return whether row numbers of a compartment are places in the firing sequence."""
        found = self.inferred.get(compartment)
        return found is not None and found.n_places > 0 and not found.is_row

    def row_word(self, compartment: int) -> str:
        """Return what row numbers of a compartment count: `row` or `place`."""
        return "place" if self.counts_places(compartment) else "row"
