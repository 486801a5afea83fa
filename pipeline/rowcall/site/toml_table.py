"""What every table of the site file shares: strict keys, and quantities with a unit."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from rowcall.units import Dimension, parse_quantity


class Table(BaseModel):
    """A table whose unknown keys are errors; unchangeable once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


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
