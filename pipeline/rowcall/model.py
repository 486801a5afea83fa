"""The shared nouns: what a rule is, what it is given, what it answers.

A rule is a declared thing around one pure function from a `BaghouseDay` to answers; reports and
the store know only these nouns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.site import Baghouse, Role
from rowcall.units import Dimension

Floats = npt.NDArray[np.floating[Any]]


class Verdict(StrEnum):
    """A rule's word on one subject and day."""

    FOUND = "found"
    CLEAR = "clear"
    CANNOT_TELL = "cannot tell"


class Urgency(StrEnum):
    """When a finding wants action, most pressing first."""

    NOW = "now"
    NEXT_OUTAGE = "next outage"
    WATCH = "watch"


class Caution(StrEnum):
    """Hazards of the work that a finding leads to; the report spells each one out."""

    LOCKOUT = "lockout"
    STORED_AIR = "stored air"
    CONFINED_SPACE = "confined space"
    HOT = "hot"
    COMBUSTIBLE_DUST = "combustible dust"
    BREATHING = "breathing"
    HEIGHT = "height"


@dataclass(frozen=True, slots=True, order=True)
class Subject:
    """What an answer is about; compartment and row are 1-based, 0 meaning all of them.

    is_place: `row` is a place in the firing sequence, the row itself being unknown.
    """

    baghouse: str
    compartment: int = 0
    row: int = 0
    is_place: bool = field(default=False, compare=False)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number that supports an answer, with its UCUM unit."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One verdict of a rule on one subject.

    `text` says why in plain words with numbers; `action` what to do (found only); `start` and
    `end` (UTC) bound what was seen.
    """

    subject: Subject
    verdict: Verdict
    text: str
    action: str = ""
    urgency: Urgency | None = None
    start: datetime | None = None
    end: datetime | None = None
    values: tuple[Quantity, ...] = ()

    @classmethod
    def cannot_tell(cls, subject: Subject, why: str) -> Answer:
        """Return the answer of a rule that lacks what it needs to judge."""
        return cls(subject=subject, verdict=Verdict.CANNOT_TELL, text=f"Cannot tell: {why}.")

    @classmethod
    def clear(cls, subject: Subject, text: str, values: Iterable[Quantity] = ()) -> Answer:
        """Return the answer of a rule that looked and found nothing."""
        return cls(subject=subject, verdict=Verdict.CLEAR, text=text, values=tuple(values))


@dataclass(frozen=True, slots=True)
class Finding:
    """An answer with the day and rule it belongs to: one line of the findings file."""

    day: date
    rule: str
    answer: Answer


@dataclass(frozen=True, slots=True)
class Need:
    """Roles of which a rule needs at least one, and what it needs them for."""

    any_of: tuple[Role, ...]
    purpose: str


@dataclass(frozen=True, slots=True)
class Threshold:
    """A limit of a rule that a site file or a rerun may set."""

    key: str
    text: str  # value with unit, as a person writes it
    dimension: Dimension
    meaning: str
    source: str


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


@dataclass(frozen=True, slots=True)
class Inferred:
    """How the fires of a compartment were told from header pressure alone.

    Attributes:
        n_places: places in a round of its rows; 0 where fires are known as drops only.
        is_row: `row` is the row; else it is the place in the firing sequence.
        text: how it was told, or why not, as the end of a sentence.
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
        `answered` (bool), `confidence` (0..1); values null where the header could not be heard.
    cycles: `start_s`, `end_s`, `residual_dp_pa`, `peak_dp_pa`, `cycle_time_s`, `n_pulses`,
        `flow_m3_s` (led back to all compartments on line), `state_running` (bool).
    facts: the day's own facts: `compartment`, `row`, `name`, `value` (see `facts`).
    history: the facts of the days before, oldest first: `day`, `compartment`, `row`, `name`,
        `value` (0 meaning all, as in `Subject`).
    fires_known: bits, counters or the cadence of header pressure tell every fire of the day.
    inferred: by compartment, how rows were told where neither bits nor counters do; there `row`
        of pulses, facts and subjects may be a place in the firing sequence.
    stacks: the pulses of each row laid over each other, a line a bin of time since fire that holds
        points: `compartment`, `row`, `since_s`, `count` (points), `mean` (their drop as a share
        of the pressure before), `usual` (that of the other sound rows), `point_error` (standard
        deviation of one point), `close_s` (when the peers' valves close).
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
    history: pl.DataFrame
    fires_known: bool = True
    inferred: Mapping[int, Inferred] = field(default_factory=dict)
    stacks: pl.DataFrame = field(default_factory=pl.DataFrame)

    @property
    def seconds(self) -> float:
        """Length of the day: 86,400 s, an hour more or less at a change of clocks."""
        return (self.end - self.start).total_seconds()

    def counts_places(self, compartment: int) -> bool:
        """Tell whether row numbers of a compartment are places in the firing sequence."""
        told = self.inferred.get(compartment)
        return told is not None and told.n_places > 0 and not told.is_row

    def row_word(self, compartment: int) -> str:
        """Return what row numbers of a compartment count: `row` or `place`."""
        return "place" if self.counts_places(compartment) else "row"


Limits = Mapping[str, float]
Judge = Callable[[BaghouseDay, Limits], Iterable[Answer]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One fault: what it looks for, what it needs, its limits, its remedy, and its judge."""

    name: str
    title: str
    looks_for: str
    needs: tuple[Need, ...]
    thresholds: tuple[Threshold, ...]
    check_first: tuple[str, ...]
    confused_with: str
    cautions: tuple[Caution, ...]
    references: tuple[str, ...]
    judge: Judge
