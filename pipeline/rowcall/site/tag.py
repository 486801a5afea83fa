"""One tag of the historian: its role, place, unit and the days it is valid for."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from rowcall.site.roles import ROLES, Role
from rowcall.site.sample import Sample, present_word
from rowcall.site.toml_table import Name, Table
from rowcall.units import Unit, find_unit

_PLACEHOLDER = re.compile(r"\{[A-Za-z_]*(?::\w*)?\}")


class Tag(Table):
    """One tag of the historian and its role."""

    role: Role
    """What the tag measures; a word of the table of roles."""
    tag: Name
    """Its name in the exports. `{compartment}` and `{row}`, or `{row:02d}`, write one table out
    for all."""
    unit: str
    """UCUM code of the recorded numbers; `1` for bits and counters."""
    sample: Annotated[Sample, BeforeValidator(present_word)] = Sample.AT_INTERVALS
    """How the historian records it."""
    compartment: Annotated[int, Field(ge=1)] | None = None
    """Where it measures; left out: it serves the whole baghouse."""
    row: Annotated[int, Field(ge=1)] | None = None
    """Of the compartment; for `row_solenoid` only."""
    span: Annotated[tuple[float, float] | None, Field(alias="range")] = None
    """The transmitter's range in `unit`; values outside are not judged."""
    scale: Annotated[float, Field(gt=0)] = 1.0
    """The recorded number times this is in `unit`."""
    numbers: tuple[Annotated[int, Field(ge=0)], ...] | None = None
    """What a step counter shows for each row, row 1 (of compartment 1) first; left out: 1, 2, 3
    ..."""
    valid_from: date = date.min
    """First day of this name, unit or scale; a renamed or rescaled tag has a table for each."""
    valid_to: date = date.max
    """Last day of it; both days count."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        find_unit(self.unit, ROLES[self.role].dimensions)
        if left := _PLACEHOLDER.search(self.tag):
            raise ValueError(
                f"{left[0]} in tag {self.tag!r} stands for nothing; known are {{compartment}} and "
                "{row}, with zeros before them as {row:02d}"
            )
        if self.span is not None and self.span[0] >= self.span[1]:
            raise ValueError(f"range {list(self.span)} must rise from low to high")
        if self.numbers is not None and self.role is not Role.STEP_COUNTER:
            raise ValueError(f"role {self.role.value} takes no numbers; only step_counter does")
        if self.numbers is not None and len(set(self.numbers)) < len(self.numbers):
            raise ValueError(f"numbers {list(self.numbers)} must name each number once")
        if self.valid_from > self.valid_to:
            raise ValueError(
                f"valid_from {self.valid_from} lies after valid_to {self.valid_to}; both days count"
            )
        return self

    @property
    def place(self) -> tuple[Role, int | None, int | None]:
        """What it measures, and where: role, compartment, row."""
        return self.role, self.compartment, self.row

    @property
    def where(self) -> str:
        """The place in words."""
        named = (("compartment", self.compartment), ("row", self.row))
        parts = [f"{name} {number}" for name, number in named if number is not None]
        return " ".join(parts) or "the whole baghouse"

    def shares_days_with(self, other: Tag) -> bool:
        """Return whether both tags are valid on some day."""
        return self.valid_from <= other.valid_to and other.valid_from <= self.valid_to

    @property
    def outside_unit(self) -> Unit:
        """The unit in which the historian records this tag."""
        return find_unit(self.unit)
