"""The site file: what the plant is, which tag plays which role, and in which unit.

Everything the file holds is validated by these models and kept in inside units (see `units`);
`site_file` reads the TOML.
"""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from rowcall import trade
from rowcall.media import LIMITS, SOURCE, Fibre
from rowcall.units import Dimension, Unit, find_unit, parse_quantity


class Role(StrEnum):
    """What a tag tells about the baghouse."""

    DP = "dp"
    INLET_TEMPERATURE = "inlet_temperature"
    OUTLET_TEMPERATURE = "outlet_temperature"
    HEADER_PRESSURE = "header_pressure"
    OPACITY = "opacity"
    DUST_SIGNAL = "dust_signal"
    ROW_SOLENOID = "row_solenoid"
    STEP_COUNTER = "step_counter"
    GAS_FLOW = "gas_flow"
    FAN_SIGNAL = "fan_signal"
    SUPPLY_PRESSURE = "supply_pressure"
    CLEANING_ON = "cleaning_on"
    COMPARTMENT_ON_LINE = "compartment_on_line"


_RATIO = (Dimension.RATIO,)
ROLE_DIMENSIONS: dict[Role, tuple[Dimension, ...]] = {
    Role.DP: (Dimension.PRESSURE,),
    Role.INLET_TEMPERATURE: (Dimension.TEMPERATURE,),
    Role.OUTLET_TEMPERATURE: (Dimension.TEMPERATURE,),
    Role.HEADER_PRESSURE: (Dimension.PRESSURE,),
    Role.OPACITY: _RATIO,
    Role.DUST_SIGNAL: (Dimension.DUST, Dimension.RATIO),
    Role.ROW_SOLENOID: _RATIO,
    Role.STEP_COUNTER: _RATIO,
    Role.GAS_FLOW: (Dimension.FLOW,),
    Role.FAN_SIGNAL: (Dimension.CURRENT, Dimension.TURNS, Dimension.RATIO),
    Role.SUPPLY_PRESSURE: (Dimension.PRESSURE,),
    Role.CLEANING_ON: _RATIO,
    Role.COMPARTMENT_ON_LINE: _RATIO,
}
ROW_ROLES = frozenset({Role.ROW_SOLENOID})


class Sample(StrEnum):
    """How the historian kept a tag's points."""

    SNAPSHOT = "snapshot"  # the value at evenly spaced instants
    STEP = "step"  # recorded by change; the value holds until the next point
    COMPRESSED = "compressed"  # kept when it leaves a dead-band; near a straight line between


def _quantity(dimension: Dimension) -> BeforeValidator:
    return BeforeValidator(lambda text: parse_quantity(text, dimension))


Pressure = Annotated[float, _quantity(Dimension.PRESSURE)]
Temperature = Annotated[float, _quantity(Dimension.TEMPERATURE)]
Flow = Annotated[float, _quantity(Dimension.FLOW), Field(gt=0)]
Seconds = Annotated[float, _quantity(Dimension.TIME), Field(gt=0)]
Area = Annotated[float, _quantity(Dimension.AREA), Field(gt=0)]
Volume = Annotated[float, _quantity(Dimension.VOLUME), Field(gt=0)]
Ratio = Annotated[float, _quantity(Dimension.RATIO), Field(ge=0)]
Name = Annotated[str, Field(min_length=1, max_length=120)]


def _listed(value: object) -> object:
    return value if isinstance(value, (list, tuple)) else [value]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Plant(_Table):
    """The plant: its name and the IANA zone that decides where a day begins."""

    name: Name
    time_zone: str

    @model_validator(mode="after")
    def _known_zone(self) -> Self:
        if self.time_zone not in available_timezones():
            raise ValueError(
                f"time_zone {self.time_zone!r} is not an IANA time zone; "
                "allowed are names such as Europe/Vienna, America/Chicago or UTC"
            )
        return self

    @property
    def zone(self) -> ZoneInfo:
        """The zone of plant-local time."""
        return ZoneInfo(self.time_zone)


class Folders(_Table):
    """Where things lie; relative paths start at the site file."""

    inbox: Path = Path("inbox")
    store: Path = Path("rowcall.duckdb")
    reports: Path = Path("reports")


class TakeIn(_Table):
    """What is known of the exports; whatever is left out is worked out from each file."""

    layout: Literal["long", "wide"] | None = None
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    decimal: Literal[".", ","] | None = None
    time_column: Name | None = None
    tag_column: Name | None = None
    value_column: Name | None = None
    quality_column: Name | None = None
    time_format: Name | None = None


class Mail(_Table):
    """Where reports are mailed; the user name and password come from the environment only."""

    to: Annotated[tuple[Name, ...], Field(min_length=1)]
    sender: Annotated[Name, Field(alias="from")]
    host: Name
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    security: Literal["starttls", "tls"] = "starttls"
    login: bool = True
    days_back: Annotated[int, Field(ge=1, le=366)] = 7  # older days are reported, not mailed


class Cleaning(_Table):
    """Cleaning control: on demand between two DP set points, or on time."""

    mode: Literal["on_demand", "on_time"]
    start_dp: Pressure = trade.START_DP.value
    stop_dp: Pressure = trade.STOP_DP.value
    interval: Seconds = trade.ROW_INTERVAL.value

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.mode == "on_demand" and self.stop_dp >= self.start_dp:
            raise ValueError("stop_dp must be below start_dp")
        return self


class Tag(_Table):
    """One tag of the historian and the role it plays."""

    role: Role
    tag: Name
    unit: str
    sample: Sample = Sample.SNAPSHOT
    compartment: Annotated[int, Field(ge=1)] | None = None
    row: Annotated[int, Field(ge=1)] | None = None
    span: Annotated[tuple[float, float] | None, Field(alias="range")] = None
    scale: Annotated[float, Field(gt=0)] = 1.0  # the kept number times this is in `unit`
    valid_from: date = date.min
    valid_to: date = date.max

    @model_validator(mode="after")
    def _fits(self) -> Self:
        find_unit(self.unit, ROLE_DIMENSIONS[self.role])
        if self.span is not None and self.span[0] >= self.span[1]:
            raise ValueError(f"range {list(self.span)} must rise from low to high")
        if self.valid_from > self.valid_to:
            raise ValueError(
                f"valid_from {self.valid_from} lies after valid_to {self.valid_to}; both days count"
            )
        return self

    def overlaps(self, other: Tag) -> bool:
        """Tell whether both tags claim one place on one day."""
        return (
            (self.role, self.compartment, self.row) == (other.role, other.compartment, other.row)
            and self.valid_from <= other.valid_to
            and other.valid_from <= self.valid_to
        )

    @property
    def outside_unit(self) -> Unit:
        """The unit in which the historian keeps this tag."""
        return find_unit(self.unit)


class Baghouse(_Table):
    """One baghouse: its build, its settings and its tags."""

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")]
    name: Name
    compartments: Annotated[int, Field(ge=1, le=99)]
    rows_per_compartment: Annotated[tuple[int, ...], BeforeValidator(_listed)]
    bags_per_row: Annotated[int, Field(ge=1, le=200)] | None = None
    cloth_area: Area | None = None
    media: Fibre | None = None
    continuous_limit: Temperature | None = None
    surge_limit: Temperature | None = None
    header_volume: Volume | None = None
    pulse_time: Seconds = trade.PULSE_TIME.value
    pulse_pressure: Pressure | None = None
    firing_order: tuple[int, ...] | None = None
    design_flow: Flow | None = None
    running_flow: Flow | None = None
    running_temperature: Temperature | None = None
    gas_moisture: Ratio | None = None
    gas_so3: Ratio | None = None
    residual_dp_limit: Pressure | None = None
    cleaning: Cleaning
    tag: tuple[Tag, ...] = ()

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        listed = self.rows_per_compartment
        if len(listed) not in (1, self.compartments) or min(listed) < 1:
            raise ValueError(
                f"rows_per_compartment {list(listed)} must hold one number for all, or one a "
                f"compartment ({self.compartments} numbers), each 1 or more"
            )
        for index, tag in enumerate(self.tag):
            self._check_place(tag)
            if any(tag.overlaps(other) for other in self.tag[:index]):
                raise ValueError(
                    f"tag {tag.tag!r}: another tag already plays role {tag.role.value} at this "
                    "compartment and row; give each tag its own place, or days of its own with "
                    "valid_from and valid_to"
                )
        order = self.firing_order
        if order is not None and sorted(order) != list(range(1, max(self.rows) + 1)):
            raise ValueError(
                f"firing_order {list(order)} must hold each row from 1 to {max(self.rows)} once"
            )
        return self

    def _check_place(self, tag: Tag) -> None:
        if tag.compartment is not None and tag.compartment > self.compartments:
            raise ValueError(
                f"tag {tag.tag!r}: compartment {tag.compartment} does not exist; "
                f"allowed are 1 to {self.compartments}"
            )
        if tag.row is not None and tag.row > max(self.rows):
            raise ValueError(
                f"tag {tag.tag!r}: row {tag.row} does not exist; allowed are 1 to {max(self.rows)}"
            )
        if tag.row is not None and tag.role not in ROW_ROLES:
            raise ValueError(f"tag {tag.tag!r}: role {tag.role.value} takes no row")

    @property
    def rows(self) -> tuple[int, ...]:
        """Number of rows in each compartment, compartment 1 first."""
        listed = self.rows_per_compartment
        return listed if len(listed) == self.compartments else listed * self.compartments

    def all_rows(self) -> list[tuple[int, int]]:
        """Every (compartment, row), in order."""
        return [(c, r) for c, n in enumerate(self.rows, start=1) for r in range(1, n + 1)]

    def on(self, day: date) -> Baghouse:
        """Return the baghouse with only the tags that are valid on a plant-local day."""
        valid = tuple(tag for tag in self.tag if tag.valid_from <= day <= tag.valid_to)
        return self if len(valid) == len(self.tag) else self.model_copy(update={"tag": valid})

    def tags_of(self, role: Role, compartment: int | None = None) -> list[Tag]:
        """Tags of a role that serve `compartment` (None: any), own ones before shared ones."""
        found = [
            tag
            for tag in self.tag
            if tag.role is role and (compartment is None or tag.compartment in (None, compartment))
        ]
        return sorted(found, key=lambda tag: (tag.compartment is None, tag.compartment, tag.row))

    @property
    def limit_source(self) -> str:
        """Where the temperature limits come from."""
        return "site file" if self.continuous_limit is not None else SOURCE

    def temperature_limits(self) -> tuple[float, float] | None:
        """Continuous and surge limit in Cel: the site file's, else the media table's."""
        listed = LIMITS.get(self.media) if self.media else None
        low = self.continuous_limit or (listed.continuous_c if listed else None)
        high = self.surge_limit or (listed.surge_c if listed else None)
        return None if low is None or high is None else (low, high)


class Site(_Table):
    """A validated site file."""

    plant: Plant
    folders: Folders = Folders()
    take_in: TakeIn = TakeIn()
    mail: Mail | None = None
    rules: dict[str, dict[str, str | int | float]] = {}
    baghouse: tuple[Baghouse, ...]
    base: Annotated[Path, Field(exclude=True)] = Path()

    @model_validator(mode="after")
    def _unique(self) -> Self:
        if not self.baghouse:
            raise ValueError("the site file must hold at least one [[baghouse]] table")
        ids = [baghouse.id for baghouse in self.baghouse]
        if len(set(ids)) < len(ids):
            raise ValueError(f"baghouse ids {ids} must differ from each other")
        return self

    @property
    def inbox(self) -> Path:
        """Folder that the exports arrive in."""
        return self.base / self.folders.inbox

    @property
    def store(self) -> Path:
        """The DuckDB file."""
        return self.base / self.folders.store

    @property
    def reports(self) -> Path:
        """Folder that the nightly reports are written to."""
        return self.base / self.folders.reports
