"""Facts: the numbers a day that later days are compared with, each declared here once.

A fact belongs to the baghouse (compartment 0, row 0), to a header or compartment (row 0; a header
that serves all compartments is compartment 0), or to a row.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import Enum, StrEnum
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.work_log.work import WorkEntry

Floats = npt.NDArray[np.floating[Any]]


class Level(StrEnum):
    """What a fact is a number of."""

    BAGHOUSE = "baghouse"
    HEADER = "header"
    COMPARTMENT = "compartment"
    ROW = "row"


@dataclass(frozen=True, slots=True, eq=False)  # equal members of an Enum would be one
class About:
    """One line of the registry.

    Attributes:
        unit: UCUM code of the inside unit.
        levels: what it is a number of.
        meaning: in words.
        read_by: modules that read it, as a test holds.
    """

    unit: str
    levels: tuple[Level, ...]
    meaning: str
    read_by: tuple[str, ...]


def _row(unit: str, meaning: str, *read_by: str) -> About:
    return About(unit, (Level.ROW,), meaning, read_by)


def _header(unit: str, meaning: str, *read_by: str) -> About:
    return About(unit, (Level.HEADER,), meaning, read_by)


def _baghouse(unit: str, meaning: str, *read_by: str) -> About:
    return About(unit, (Level.BAGHOUSE,), meaning, read_by)


def _tag(unit: str, meaning: str, *read_by: str) -> About:
    """A fact of the tag of a role, of whatever that tag serves."""
    return About(unit, (Level.BAGHOUSE, Level.COMPARTMENT), meaning, read_by)


def _compartment(unit: str, meaning: str, *read_by: str) -> About:
    return About(unit, (Level.COMPARTMENT,), meaning, read_by)


_EVIDENCE = "row_evidence"
_CLOCKS = "data_quality"
_TAGS = "facts_by_role"
_DIFFER = "compartments_differ"


class Fact(Enum):
    """Every fact; `Fact.X.column` is its name in tables and in the store."""

    # Rows: counts of their pulses.
    N_SENT = _row("1", "pulses sent by the controller", _EVIDENCE, "row_not_pulsed", "pooled_days")
    N_JUDGED = _row("1", "pulses of which the header shows whether they were answered", _EVIDENCE)
    N_ANSWERED = _row("1", "judged pulses with a pressure drop", _EVIDENCE, "diagnose")
    N_IN_DOUBT = _row("1", "pulses unanswered or with their scans lost, not judged", _EVIDENCE)
    SENT_SHARE = _row("1", "pulses sent over the compartment's median row", "compressed_air")
    N_STACKED = _row("1", "pulses that the stack is made of", _EVIDENCE)
    DAYS_STACKED = _row("1", "days that these pulses come from", _EVIDENCE)
    # Rows: from their stacked pulses, against the reference rows of the header.
    DROP_RATIO = _row(
        "1",
        "drop over that of the reference rows",
        _EVIDENCE,
        "row_weak",
        "roll_call",
        "row_sheet",
        "jobs",
    )
    DROP_RATIO_ERROR = _row("1", "standard error of that", _EVIDENCE)
    LATE_S = _row("s", "ends its closing later than the reference rows", _EVIDENCE, "row_panels")
    LATE_S_ERROR = _row("s", "standard error of that", _EVIDENCE)
    P_LATE = _row("1", "posterior probability of closing late", _EVIDENCE)
    LATE_POWER = _row("1", "power to detect a valve that closes 0.4 s late", _EVIDENCE)
    ANSWERED_DROP_RATIO = _row("1", "median drop ratio of the answered pulses", _EVIDENCE)
    # Rows: a change within the day, and answers that come and go.
    ONSET_S = _row("s", "when the row changed, from the start of the day", _EVIDENCE)
    DROP_RATIO_BEFORE = _row("1", "drop ratio before the change", _EVIDENCE)
    DROP_RATIO_AFTER = _row("1", "drop ratio after the change", _EVIDENCE)
    DROP_RATIO_AFTER_ERROR = _row("1", "standard error of that", _EVIDENCE)
    N_AFTER = _row("1", "pulses after the change", _EVIDENCE)
    INTERMITTENT_GAIN = _row(
        "1", "log-likelihood ratio of answering some pulses over answering all alike", _EVIDENCE
    )
    ANSWER_RATE = _row("1", "share of answered pulses, by that model", _EVIDENCE)
    ANSWER_RATE_LOW = _row("1", "lower end of its 95 % interval", _EVIDENCE)
    ANSWER_RATE_HIGH = _row("1", "upper end of its 95 % interval", _EVIDENCE)
    # Rows and compartments.
    DROP_PA = About(
        "Pa", (Level.ROW, Level.COMPARTMENT), "median drop of header pressure", (_EVIDENCE,)
    )
    TAU_S = About(
        "s",
        (Level.ROW, Level.HEADER),
        "recovery constant: time to recover 63 % of a drop",
        ("header_hours", "header_leak", "one_baghouse", "row_rules"),
    )
    TAU_LOG_ERROR = _row("1", "relative standard error of the recovery constant", "score")
    BEFORE_PA = About(
        "Pa",
        (Level.COMPARTMENT,),
        "median pressure just before a pulse",
        ("headers", "one_baghouse"),
    )
    N_PULSES = About(
        "1",
        (Level.COMPARTMENT, Level.BAGHOUSE),
        "pulses of the day",
        ("month", "one_baghouse", "sums", "trends"),
    )
    # Headers.
    INTERVAL_S = _header(
        "s",
        "time from pulse to pulse",
        "compressed_air",
        "header_leak",
        "short_interval",
        "slow_header_recovery",
    )
    RECOVERY_S = _header(
        "s",
        "time to recover 95 % of a drop",
        "header_leak",
        "one_baghouse",
        "short_interval",
        "trends",
        "slow_header_recovery",
    )
    RECOVERY_LOG_ERROR = _header("1", "relative standard error of that", "short_interval")
    REFILL_DROP_PA = _header(
        "Pa", "usual drop when a valve closes", "header_leak", "short_interval", "under_cleaning"
    )
    PLATEAU_PA = _header(
        "Pa",
        "pressure that the refill tends to",
        "compressed_air",
        "header_hours",
        "header_leak",
        "headers",
        "short_interval",
    )
    PLATEAU_SCATTER = _header(
        "1", "relative standard deviation of that from hour to hour", "header_hours"
    )
    SHORTFALL_PA = _header(
        "Pa",
        "what it lacks at the next pulse",
        "compressed_air",
        "header_hours",
        "headers",
        "short_interval",
    )
    CYCLE_LOSS_PA = _header(
        "Pa", "pressure loss over a cleaning cycle", "compressed_air", "short_interval"
    )
    CYCLE_LOSS_SHARE = _header(
        "1", "that over the pressure at its first pulse", "compressed_air", "short_interval"
    )
    PULSE_LENGTH_S = _header(
        "s",
        "electrical pulse length by the bits",
        "compressed_air",
        "settings_seen",
        "settings_differ",
    )
    FREE_AIR_M3 = _header("m3", "free air per pulse", "compressed_air")
    FREE_AIR_DAY_M3 = _header(
        "m3", "free air of the day", "compressed_air", "month", "sums", "trends"
    )
    IDLE_PA = _header("Pa", "pressure while nothing pulses", "compressed_air", "tags_disagree")
    DECAY_TAU_S = _header(
        "s", "time constant of a loss of pressure meanwhile", "compressed_air", "header_leak"
    )
    DECAY_PA_S = _header("Pa/s", "its rate at first", "compressed_air", "header_leak")
    DECAY_M3_S = _header("m3/s", "its flow of free air", "compressed_air", "header_leak")
    DECAY_START_S = _header("s", "when it began, from the start of the day", "header_leak")
    DECAY_END_S = _header("s", "when it ended", "header_leak")
    DECAY_SUPPLY_HELD = _header("1", "1 where the supply held meanwhile, else 0", "header_leak")
    CLOCK_OFFSET_S = _header("s", "added to the times of the pulses; the median", _CLOCKS)
    CLOCK_OFFSET_START_S = _header("s", "that at the start of the day", _CLOCKS)
    CLOCK_OFFSET_END_S = _header("s", "that at its end", _CLOCKS)
    CLOCK_OFFSET_MIN_S = _header("s", "the lowest of the day", _CLOCKS)
    CLOCK_OFFSET_MAX_S = _header("s", "the highest of the day", _CLOCKS)
    IN_STEP = _header(
        "1", "1 where samples meet the pulses at few phases only (aliasing)", _EVIDENCE
    )
    # Compartments, against the others at the same time.
    PULSES_TO_PEERS = _compartment(
        "1", "pulses a row over those of its peers, where all were on line as long", _DIFFER
    )
    AIR_TO_PEERS = _compartment("1", "free air a row over that of its peers", _DIFFER)
    DP_TO_PEERS = _compartment("1", "pressure drop over that of its peers", _DIFFER)
    DP_TO_PEERS_ERROR = _compartment("1", "standard error of that", _DIFFER)
    OUTLET_TO_PEERS_K = _compartment(
        "K", "outlet temperature above that of its peers", "cold_compartment", _DIFFER
    )
    OUTLET_TO_PEERS_ERROR_K = _compartment("K", "standard error of that", "cold_compartment")
    # Baghouse.
    ROW_INTERVAL_S = _baghouse(
        "s",
        "time from row to row",
        "settings_seen",
        "compressed_air",
        "short_interval",
        "settings_differ",
    )
    N_CYCLES = _baghouse("1", "cleaning cycles while running", "one_baghouse")
    RESIDUAL_DP_PA = _baghouse(
        "Pa",
        "median residual DP",
        "dp",
        "dp_series",
        "month",
        "one_baghouse",
        "rising_residual_dp",
        "trends",
    )
    PEAK_DP_PA = _baghouse("Pa", "median peak DP", "one_baghouse", "dp_changes", "over_cleaning")
    CYCLE_TIME_S = _baghouse(
        "s", "median cycle time", "blinding", "one_baghouse", "trends", "dp_series"
    )
    DP_CHANGED_S = _baghouse(
        "s",
        "when the level of DP changed for the rest of the day; the day's DP is that after it",
        "dp",
        "dp_changes",
        "month",
    )
    DP_JUMP = _baghouse("1", "ratio by which DP jumped then, if it jumped", "dp_changes")
    DP_FALL_PA = _baghouse("Pa", "mean fall of DP at a pulse", "dp_changes", "dp_tap_plugged")
    DP_FALL_ERROR_PA = _baghouse("Pa", "standard error of that", "dp_changes", "dp_tap_plugged")
    FLOW_M3_S = _baghouse(
        "m3/s", "median gas flow", "one_baghouse", "dp_series", "over_cleaning", "dust_level_raised"
    )
    RESIDUAL_DP_PER_FLOW = _baghouse(
        "Pa.s/m3", "residual DP over gas flow", "dp_series", "rising_residual_dp"
    )
    CLEAN_DP_PER_FLOW = _baghouse(
        "Pa.s/m3",
        "level of DP over gas flow just after cleaning, at the viscosity of 20 Cel",
        "blinding",
        "one_baghouse",
        "dp_series",
    )
    DP_PER_FLOW_GROWTH = _baghouse(
        "Pa.s/m6",
        "its growth for each m3 of gas filtered",
        "one_baghouse",
        "dp_series",
    )
    CAKE_PER_PULSE_PA = _baghouse(
        "Pa",
        "fall of DP by a pulse on demand, by the balance of cleaning cycles",
        "dp_series",
    )
    DRAG_FELL_S = _baghouse(
        "s", "when drag fell most within a minute, from the start of the day", "dp_fell"
    )
    DRAG_FALL = _baghouse("1", "share by which it fell then", "dp_fell")
    DRAG_FALL_ERROR = _baghouse("1", "standard error of that", "dp_fell")
    DRAG_ROSE_S = _baghouse("s", "when it rose most within a minute", "dp_fell")
    DRAG_RISE = _baghouse("1", "share by which it rose then", "dp_fell")
    DRAG_STEP_MIN = _baghouse("min", "minutes at which a fall by a tenth would show", "dp_fell")
    START_DP_PA = _baghouse(
        "Pa",
        "level of DP at which cleaning starts, as found",
        "condemned",
        "settings_seen",
        "over_cleaning",
        "settings_differ",
        "under_cleaning",
    )
    STOP_DP_PA = _baghouse(
        "Pa",
        "level of DP at which cleaning stops, as found",
        "condemned",
        "settings_seen",
        "settings_differ",
    )
    RESIDUAL_DRAG = _baghouse(
        "Pa.s/m", "residual DP over face velocity", "dp", "one_baghouse", "trends"
    )
    RUNNING_MIN = _baghouse(
        "min", "minutes running", "month", "one_baghouse", "pulsing_at_wrong_time"
    )
    N_STARTS = _baghouse(
        "1", "starts after a halt", "one_baghouse", "unusual_starts", "pulsing_at_wrong_time"
    )
    START_MIN = _baghouse("min", "the longest of them", "unusual_starts")
    START_RAMP_K_MIN = _baghouse("K/min", "fastest warming of one of them", "unusual_starts")
    COOLING = _baghouse(
        "1",
        "logarithm of gas above ambient temperature, inlet over outlet: loss of heat, and leaked "
        "air",
        "in_leakage",
    )
    COOLING_ERROR = _baghouse("1", "standard error of that", "in_leakage")
    COOLING_FLOW_M3_S = _baghouse("m3/s", "gas flow of the same hours", "in_leakage")
    COLD_GAS_MIN = _baghouse(
        "min",
        "minutes with gas below its water dew point at the inlet",
        "month",
        "one_baghouse",
        "signs",
    )
    ACID_GAS_MIN = _baghouse(
        "min", "minutes with gas below its acid dew point at the inlet", "month", "one_baghouse"
    )
    HEAT_DOSE = About(
        "K.min",
        (Level.BAGHOUSE, Level.COMPARTMENT),
        "degree-minutes above the continuous limit of the media at an inlet",
        ("temperature_excursion",),
    )
    HEAT_AGE_H = About(
        "h",
        (Level.BAGHOUSE, Level.COMPARTMENT),
        "hours at the continuous limit that age the media as much, by its activation energy",
        ("temperature_excursion",),
    )
    ACID_START_MIN = _baghouse(
        "min", "minutes below the acid dew point in the longest such start", "dew_point"
    )
    # Dust after the filter, in the inside unit of its tag (a dust signal in mg/m3: kg/m3).
    DUST_BASE = _baghouse(
        "1",
        "dust signal between pulses while gas flows, outside checks",
        "dust_level_raised",
        "dust",
        "leaking_row",
        "dust_words",
        "dp_fell",
    )
    DUST_BASE_ERROR = _baghouse("1", "standard error of that", "dust_level_raised", "dust")
    OPACITY_BASE = _baghouse(
        "1",
        "opacity between pulses while gas flows, outside checks",
        "dust_level_raised",
        "dust",
        "leaking_row",
        "dp_fell",
    )
    OPACITY_BASE_ERROR = _baghouse("1", "standard error of that", "dust_level_raised", "dust")
    OPACITY_CHECK_S = _baghouse(
        "s", "when a check of the opacity monitor began", "opacity_above_limit"
    )
    DUST_ALARM_S = _baghouse("s", "dust signal above its alarm level", "dust_alarm_time")
    DUST_JUDGED_S = _baghouse("s", "time with gas and a dust signal", "dust_alarm_time")
    OFF_LINE_DUST = About(
        "1",
        (Level.COMPARTMENT,),
        "mean logarithm of dust with it off line over on line, by changes of the day",
        ("leaking_compartment",),
    )
    N_OFF_LINE = About(
        "1", (Level.COMPARTMENT,), "changes that this is the mean of", ("leaking_compartment",)
    )
    PUFF = About(
        "1",
        (Level.ROW, Level.BAGHOUSE),
        "peak of the puff after a row's pulses; of the baghouse: of the median row",
        ("leaking_row", "dust", "puff_stacks"),
    )
    PUFF_ERROR = _row("1", "standard error of that", "leaking_row")
    PUFF_P = _row(
        "1", "probability that by chance some row's puff stands out as much", "leaking_row"
    )
    PUFF_RIVAL = _row(
        "1", "1 where the row leads at another delay that explains as much", "leaking_row"
    )
    PUFF_DELAY_S = _baghouse("s", "from a pulse to its puff at the monitor", "leaking_row", "dust")
    PUFF_WIDTH_S = _baghouse(
        "s", "time for which a puff is above half its peak", "leaking_row", "dust"
    )
    SUPPLY_PRESSURE_PA = _baghouse("Pa", "median supply pressure", "header_leak", "tags_disagree")
    # Tags: whether they are alive (`events/sensors/facts_by_role`).
    DP_FLAT_S = _tag("s", "longest run of one value of DP while it should move", _TAGS)
    DP_TIED_FLAT_S = _tag("s", "such a run of DP while what moves it moved", _TAGS)
    DP_NOISE_STEPS = _tag("1", "noise of DP over its resolution", _TAGS)
    FLOW_FLAT_S = _tag("s", "longest run of one value of gas flow while it should move", _TAGS)
    FLOW_TIED_FLAT_S = _tag("s", "such a run of gas flow while what moves it moved", _TAGS)
    FLOW_NOISE_STEPS = _tag("1", "noise of gas flow over its resolution", _TAGS)
    INLET_FLAT_S = _tag(
        "s", "longest run of one value of inlet temperature while it should move", _TAGS
    )
    INLET_TIED_FLAT_S = _tag(
        "s", "such a run of inlet temperature while what moves it moved", _TAGS
    )
    INLET_NOISE_STEPS = _tag("1", "noise of inlet temperature over its resolution", _TAGS)
    OUTLET_FLAT_S = _tag(
        "s", "longest run of one value of outlet temperature while it should move", _TAGS
    )
    OUTLET_TIED_FLAT_S = _tag(
        "s", "such a run of outlet temperature while what moves it moved", _TAGS
    )
    OUTLET_NOISE_STEPS = _tag("1", "noise of outlet temperature over its resolution", _TAGS)
    HEADER_FLAT_S = _tag(
        "s", "longest run of one value of header pressure while it should move", _TAGS
    )
    HEADER_TIED_FLAT_S = _tag("s", "such a run of header pressure while what moves it moved", _TAGS)
    HEADER_NOISE_STEPS = _tag("1", "noise of header pressure over its resolution", _TAGS)
    # Tags: against what physics ties them to.
    DP_NOISE_PA = _tag("Pa", "noise of DP while running", "dp_tap_plugged", "sensor_table")
    DP_SWING_PA = _tag("Pa", "median change of DP over ten minutes running", "dp_tap_plugged")
    DP_RUNNING_PA = _tag("Pa", "median DP while running", "dp_tap_plugged", "sensor_tags")
    DP_NEGATIVE_SHARE = _tag("1", "share of the time running with DP below 0", "dp_tap_plugged")
    DP_ZERO_PA = _tag(
        "Pa",
        "zero of DP: what it is while the gas stands still",
        "dp_tap_plugged",
        "tag_drifts",
        "sensor_table",
    )
    DP_FLOW_GAIN = _tag(
        "1", "relative change of DP over that of flow within half an hour", "dp_tap_plugged"
    )
    DP_FLOW_GAIN_ERROR = _tag("1", "standard error of that", "dp_tap_plugged")
    DP_APART_PA = _tag("Pa", "median by which a tag of DP reads above the others", "redundant_tags")
    INLET_APART_K = _tag(
        "K", "median by which a tag of inlet temperature reads above the others", "redundant_tags"
    )
    OUTLET_DROP_K = _baghouse("K", "inlet less outlet temperature, median running", "tags_swapped")
    OUTLET_LAG_S = _baghouse("s", "how long outlet follows inlet temperature", "tags_swapped")

    # Tags: whose header it is that a tag of header pressure shows.
    HEADER_OWN_FALL_PA = _header(
        "Pa", "mean fall of header pressure at pulses of its own rows", "headers_swapped"
    )
    HEADER_OTHER_FALL_PA = _header(
        "Pa", "the same at those of the header at whose pulses it falls most", "headers_swapped"
    )
    HEADER_OTHER = _header("1", "that header, by its compartment", "headers_swapped")
    HEADER_FALL_ERROR_PA = _header(
        "Pa", "standard error of the difference of the two", "headers_swapped"
    )

    def __reduce_ex__(self, _: object) -> tuple[Any, ...]:
        """Go to another process by name, as what is said about it is equal to nothing."""
        return getattr, (Fact, self.name)

    @property
    def column(self) -> str:
        """Its name in tables."""
        return str(self.name).lower()


FACT_COLUMNS = {
    "compartment": pl.Int64,
    "row": pl.Int64,
    "name": pl.String,
    "value": pl.Float64,
}
HISTORY_COLUMNS = {"day": pl.Date, **FACT_COLUMNS}
VERDICT_COLUMNS = {
    "day": pl.Date,
    "rule": pl.String,
    "compartment": pl.Int64,
    "row": pl.Int64,
    "verdict": pl.String,
    "urgency": pl.String,
}

Place = tuple[int, int]


class FactBook(Mapping[tuple[Fact, int, int], float]):
    """One day's facts by (fact, compartment, row), 0 meaning all; only those with a value."""

    def __init__(self, facts: pl.DataFrame) -> None:
        known = {fact.column: fact for fact in Fact}
        lines = facts.select(*FACT_COLUMNS).iter_rows() if facts.width else ()
        self._values: dict[tuple[Fact, int, int], float] = {
            (known[name], compartment, row): value
            for compartment, row, name, value in lines
            if name in known and value is not None and math.isfinite(value)
        }

    def __getitem__(self, key: tuple[Fact, int, int]) -> float:
        return self._values[key]

    def __iter__(self) -> Iterator[tuple[Fact, int, int]]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def of(self, fact: Fact, compartment: int = 0, row: int = 0) -> float:
        """Return a fact, nan where it is not known."""
        return self.get((fact, compartment, row), math.nan)


@dataclass(frozen=True, slots=True)
class OtherSettings:
    """Days whose facts rest on other settings of the site file, and what differs in a few words."""

    days: tuple[date, ...]
    changes: tuple[str, ...]


@dataclass(frozen=True)
class History:
    """What is known of the days before, oldest first.

    Attributes:
        facts: columns `HISTORY_COLUMNS`.
        verdicts: of every rule, columns `VERDICT_COLUMNS`; urgency is null where nothing was found.
        other_settings: of the days that are left out, None where none is.
        restarts: work since which facts are counted, oldest first (`since_work`).
        cut: the facts that it left out, for pictures; columns as `facts`.
    """

    facts: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=HISTORY_COLUMNS))
    verdicts: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=VERDICT_COLUMNS))
    other_settings: OtherSettings | None = None
    restarts: tuple[WorkEntry, ...] = ()
    cut: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=HISTORY_COLUMNS))

    def of(self, fact: Fact, compartment: int = 0, row: int = 0) -> tuple[list[date], Floats]:
        """Return the days and values of a fact, oldest first, shape (n,)."""
        places, days, values = self._by_place
        at = places.get((fact.column, compartment, row))
        if at is None:
            return [], np.empty(0)
        return days[at].to_list(), values[at].to_numpy().astype(np.float64)

    @cached_property
    def _by_place(self) -> tuple[Mapping[tuple[Any, ...], int], pl.Series, pl.Series]:
        """Where the days and values of each name, compartment and row stand, and both as lists.

        Rules ask for hundreds of them a day.
        """
        keys = ["name", "compartment", "row"]
        lists = self.facts.sort("day").group_by(keys).agg("day", "value")
        places = {key: at for at, key in enumerate(lists.select(keys).iter_rows())}
        return places, lists["day"], lists["value"]

    @cached_property
    def days_found(self) -> Mapping[tuple[str, int], list[date]]:
        """The days on which a rule found something at a compartment or its rows."""
        found = self.verdicts.filter(pl.col("verdict") == "found")
        keys = ["rule", "compartment"]
        return {
            (rule, compartment): days
            for rule, compartment, days in found.group_by(keys).agg("day").iter_rows()
        }

    def usual(
        self, fact: Fact, compartment: int, row: int, *, quantile: float, min_days: float
    ) -> float:
        """Return a quantile of a fact's past, nan with too few days of it.

        Of what a fault raises, ask a low quantile, of what it lowers a high one, so that weeks of
        the fault do not become the new usual.
        """
        _, past = self.of(fact, compartment, row)
        return float(np.quantile(past, quantile)) if past.size >= min_days else math.nan
