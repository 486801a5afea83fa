"""What every table of the site file shares: strict keys, and quantities with a unit."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from rowcall.units import Dimension, find_unit, parse_quantity


class Table(BaseModel):
    """A table whose unknown keys are errors; unchangeable once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


KeyPath = tuple[str | int, ...]  # within a table, such as ("tag", 2)


class TableError(ValueError):
    """Several things that are wrong within one table.

    Attributes:
        found: of each, its place within the table and what is wrong.
    """

    def __init__(self, found: Iterable[tuple[KeyPath, str]]) -> None:
        self.found = tuple(found)
        super().__init__("; ".join(text for _, text in self.found))


@dataclass(frozen=True, slots=True)
class Written:
    """How a value is written in the site file, where its type does not say so.

    Attributes:
        shown: writes a default that way.
    """

    text: str
    shown: Callable[[Any], str] = str


@dataclass(frozen=True)
class Between(AfterValidator):
    """A check of a range, with its limits as a person writes them."""

    low: str
    high: str


def between(low: str, high: str) -> Between:
    """Refuse quantities that no baghouse has: a slip of the unit or of a digit."""
    lowest, highest = (_inside(text) for text in (low, high))

    def check(value: float) -> float:
        if not lowest <= value <= highest:
            raise ValueError(f"no baghouse has this; allowed is {low} to {high}: check the unit")
        return value

    return Between(check, low, high)


def _inside(text: str) -> float:
    return parse_quantity(text, find_unit(text.partition(" ")[2]).dimension)


def _quantity(dimension: Dimension) -> BeforeValidator:
    return BeforeValidator(lambda text: parse_quantity(text, dimension))


# The dimension stands beside the check for the reference of the site file.
Pressure = Annotated[float, Dimension.PRESSURE, _quantity(Dimension.PRESSURE)]
Temperature = Annotated[float, Dimension.TEMPERATURE, _quantity(Dimension.TEMPERATURE)]
Flow = Annotated[float, Dimension.FLOW, _quantity(Dimension.FLOW), Field(gt=0)]
Seconds = Annotated[float, Dimension.TIME, _quantity(Dimension.TIME), Field(gt=0)]
Area = Annotated[float, Dimension.AREA, _quantity(Dimension.AREA), Field(gt=0)]
Volume = Annotated[float, Dimension.VOLUME, _quantity(Dimension.VOLUME), Field(gt=0)]
Ratio = Annotated[float, Dimension.RATIO, _quantity(Dimension.RATIO), Field(ge=0)]
MolarEnergy = Annotated[float, Dimension.MOLAR_ENERGY, _quantity(Dimension.MOLAR_ENERGY)]
Name = Annotated[str, Field(min_length=1, max_length=120)]
