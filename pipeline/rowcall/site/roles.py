"""What a tag may tell, in which kind of unit, and how the historian kept it."""

from __future__ import annotations

from enum import StrEnum

from rowcall.units import Dimension


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
