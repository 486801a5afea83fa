"""What every table of the site file shares: strict keys, and quantities with a unit."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from rowcall.units import Dimension, find_unit, parse_quantity


class Table(BaseModel):
    """A table whose unknown keys are errors; unchangeable once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class TableError(ValueError):
    """Several things that are wrong within one table.

    Attributes:
        found: of each, its place within the table (`("tag", 2)`) and what is wrong.
    """

    def __init__(self, found: Iterable[tuple[tuple[str | int, ...], str]]) -> None:
        self.found = tuple(found)
        super().__init__("; ".join(text for _, text in self.found))


def between(low: str, high: str) -> AfterValidator:
    """Refuse quantities that no baghouse has: a slip of the unit or of a digit."""
    lowest, highest = (_inside(text) for text in (low, high))

    def check(value: float) -> float:
        if not lowest <= value <= highest:
            raise ValueError(f"no baghouse has this; allowed is {low} to {high}: check the unit")
        return value

    return AfterValidator(check)


def _inside(text: str) -> float:
    return parse_quantity(text, find_unit(text.partition(" ")[2]).dimension)


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
