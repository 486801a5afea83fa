"""One baghouse: its build, its settings and its tags."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from rowcall import trade
from rowcall.media import SOURCE, Fibre, limits_c
from rowcall.site.roles import ROLES, Serves
from rowcall.site.tag import Tag
from rowcall.site.toml_table import (
    Area,
    Flow,
    Name,
    Pressure,
    Ratio,
    Seconds,
    Table,
    Temperature,
    Volume,
)


def _listed(value: object) -> object:
    return value if isinstance(value, (list, tuple)) else [value]


class Cleaning(Table):
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


class Baghouse(Table):
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
                    f"tag {tag.tag!r}: another tag already has role {tag.role.value} at this "
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
        if tag.row is not None and ROLES[tag.role].serves is not Serves.ROW:
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

    @property
    def limit_source(self) -> str:
        """Where the temperature limits come from."""
        return "site file" if self.continuous_limit is not None else SOURCE

    def temperature_limits(self) -> tuple[float, float] | None:
        """Continuous and surge limit in Cel: the site file's, else the media table's."""
        listed = limits_c(self.media) if self.media else (None, None)
        low, high = self.continuous_limit or listed[0], self.surge_limit or listed[1]
        return None if low is None or high is None else (low, high)
