"""What a tag may measure: one table of all that is a fact of a role, whatever the plant.

Whoever needs to know something of a role (its units, what is possible, its name for people, the
words that suggest it) reads it here. How the historian records a tag is in `sample`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from rowcall.units import Dimension


class Role(StrEnum):
    """What a tag measures; the value is the word of the site file, the order that of a draft."""

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
    AMBIENT_TEMPERATURE = "ambient_temperature"
    GAS_MOISTURE = "gas_moisture"
    SO2 = "so2"
    SO3 = "so3"


class Serves(StrEnum):
    """What one tag of a role usually serves."""

    BAGHOUSE = "baghouse"
    COMPARTMENT = "compartment"
    ROW = "row"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleFacts:
    """The facts of one role.

    Attributes:
        name: the role in words.
        dimensions: what its unit may measure.
        serves: what one tag of it usually serves.
        without: what is lost where no tag has the role; empty where rules say so themselves.
        instead: roles of which one does as well.
        possible: lowest and highest value that is physically possible [inside unit of its first
            dimension], for where the site file states no range. Chosen wide on purpose: a value
            outside is a transmitter fault, whatever the plant. None: any value is possible.
        never_still: a live signal of it never repeats one value to the last digit for long.
        minute_column: its column of the minute table, the inside unit in the name.
        letters: of ANSI/ISA-5.1, in the names of its tags.
        words: in the names of its tags, lower case.
        shares_letters_with: the role that letters suggest at first; `words` make it this one.
        words_suffice: `words` suggest the role even where nothing suggests the other one.
        usual_units: UCUM codes common in the trade, each from the median value on from which it
            is the likelier one, highest first; chosen. Empty: bits and counters, of unit 1.
    """

    name: str
    dimensions: tuple[Dimension, ...] = (Dimension.RATIO,)
    serves: Serves = Serves.BAGHOUSE
    without: str = ""
    instead: tuple[Role, ...] = ()
    possible: tuple[float, float] | None = None
    never_still: bool = False
    minute_column: str | None = None
    letters: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    shares_letters_with: Role | None = None
    words_suffice: bool = True
    usual_units: tuple[tuple[float, str], ...] = ()


_POSSIBLE_C = (-60.0, 1200.0)
_POSSIBLE_PA = (-1e4, 2e6)  # of compressed air
_AIR_UNITS = ((150.0, "kPa"), (20.0, "[psi]"), (0.0, "bar"))

# A tag's name is compared with the words in this order, so roles of clearer words come first.
ROLES: Mapping[Role, RoleFacts] = {
    Role.DP: RoleFacts(
        name="DP",
        dimensions=(Dimension.PRESSURE,),
        without="no cleaning cycles, no residual DP and no trend of it",
        possible=(-5e3, 25e3),
        never_still=True,
        minute_column="dp_pa",
        letters=("PDT", "PDI", "PDIT", "DPT", "DP"),
        words=("dp", "differential", "diff", "delta", "deltap", "differenzdruck"),
        usual_units=((100.0, "Pa"), (8.0, "mbar"), (3.0, "[in_i'H2O]"), (0.0, "kPa")),
    ),
    Role.INLET_TEMPERATURE: RoleFacts(
        name="inlet temperature",
        dimensions=(Dimension.TEMPERATURE,),
        without="temperatures are not compared with the limits of the media",
        possible=_POSSIBLE_C,
        never_still=True,
        minute_column="inlet_temperature_c",
        letters=("TT", "TI", "TIT", "TE"),
        words=("temp", "temperature", "temperatur"),
        usual_units=((0.0, "Cel"),),
    ),
    Role.OUTLET_TEMPERATURE: RoleFacts(
        name="outlet temperature",
        dimensions=(Dimension.TEMPERATURE,),
        possible=_POSSIBLE_C,
        never_still=True,
        minute_column="outlet_temperature_c",
        words=("outlet", "out", "stack", "discharge", "austritt", "reingas"),
        shares_letters_with=Role.INLET_TEMPERATURE,
        words_suffice=False,
        usual_units=((0.0, "Cel"),),
    ),
    Role.AMBIENT_TEMPERATURE: RoleFacts(
        name="ambient temperature",
        dimensions=(Dimension.TEMPERATURE,),
        without="air that leaks in is looked for only on days on which the unit stood for hours",
        possible=(-60.0, 60.0),
        words=("ambient", "outdoor", "umgebung", "aussen"),
        shares_letters_with=Role.INLET_TEMPERATURE,
        usual_units=((0.0, "Cel"),),
    ),
    Role.OPACITY: RoleFacts(
        name="opacity",
        possible=(-0.05, 1.0),
        minute_column="opacity",
        letters=("AT", "AI", "AIT"),
        words=("opacity",),
        usual_units=((0.0, "%"),),
    ),
    Role.DUST_SIGNAL: RoleFacts(
        name="dust signal",
        dimensions=(Dimension.DUST, Dimension.RATIO),
        words=("dust", "particulate", "emission", "staub", "staubgehalt"),
        shares_letters_with=Role.OPACITY,
        usual_units=((0.0, "%"),),
    ),
    Role.GAS_MOISTURE: RoleFacts(
        name="gas moisture",
        without="dew points rest on `gas_moisture` of the site file, one number for all loads",
        possible=(0.0, 0.9),
        words=("moisture", "humidity", "h2o", "feuchte"),
        shares_letters_with=Role.OPACITY,
        usual_units=((0.0, "%"),),
    ),
    Role.SO3: RoleFacts(
        name="SO3",
        without="the acid dew point rests on `gas_so3` of the site file, one number for all loads",
        instead=(Role.SO2,),
        possible=(0.0, 0.1),
        words=("so3",),
        shares_letters_with=Role.OPACITY,
        usual_units=((0.0, "[ppm]"),),
    ),
    Role.SO2: RoleFacts(
        name="SO2",
        possible=(0.0, 0.2),
        words=("so2",),
        shares_letters_with=Role.OPACITY,
        usual_units=((0.0, "[ppm]"),),
    ),
    Role.SUPPLY_PRESSURE: RoleFacts(
        name="supply pressure",
        dimensions=(Dimension.PRESSURE,),
        without="a slow refill is not compared with the supply of compressed air",
        possible=_POSSIBLE_PA,
        minute_column="supply_pressure_pa",
        words=("supply", "compressor", "netz", "druckluftnetz"),
        shares_letters_with=Role.HEADER_PRESSURE,
        usual_units=_AIR_UNITS,
    ),
    Role.STEP_COUNTER: RoleFacts(
        name="step counter",
        serves=Serves.COMPARTMENT,
        possible=(-1e6, 1e6),
        without="pulses and their rows are estimated from header pressure",
        instead=(Role.ROW_SOLENOID,),
        letters=("YI",),
        words=("step", "sequence", "counter", "schritt"),
    ),
    Role.CLEANING_ON: RoleFacts(
        name="cleaning on",
        without="cleaning cycles are found from pulses only",
        letters=("HS", "XS"),
        words=("cleaning", "pulsing", "abreinigung"),
    ),
    Role.COMPARTMENT_ON_LINE: RoleFacts(
        name="compartment on line",
        serves=Serves.COMPARTMENT,
        without="every compartment counts as on line at all times",
        letters=("ZS",),
        words=("online", "damper", "isolation"),
    ),
    Role.HEADER_PRESSURE: RoleFacts(
        name="header pressure",
        dimensions=(Dimension.PRESSURE,),
        serves=Serves.COMPARTMENT,
        without="no pressure drops, so no verdict on valves, refill or leaks of any row or header",
        possible=_POSSIBLE_PA,
        never_still=True,
        letters=("PT", "PI", "PIT"),
        words=("header", "manifold"),
        usual_units=_AIR_UNITS,
    ),
    Role.FAN_SIGNAL: RoleFacts(
        name="fan signal",
        dimensions=(Dimension.CURRENT, Dimension.SPEED, Dimension.RATIO),
        without="whether gas moves is estimated from DP",
        instead=(Role.GAS_FLOW,),
        minute_column="fan_signal",
        letters=("JT", "IT", "JI", "II"),
        words=("fan", "amps", "current", "ventilator"),
        usual_units=((400.0, "{rev}/min"), (0.0, "A")),
    ),
    Role.GAS_FLOW: RoleFacts(
        name="gas flow",
        dimensions=(Dimension.FLOW,),
        without="residual DP is not corrected for flow",
        never_still=True,
        minute_column="gas_flow_m3_s",
        letters=("FT", "FI", "FIT"),
        words=("flow", "volumenstrom"),
        usual_units=((1000.0, "m3/h"), (0.0, "m3/s")),
    ),
    Role.ROW_SOLENOID: RoleFacts(
        name="row solenoid",
        serves=Serves.ROW,
        without="pulses and their rows are estimated from header pressure",
        instead=(Role.STEP_COUNTER,),
        letters=("YS", "SV"),
        words=("solenoid", "valve", "row", "magnetventil"),
    ),
}
