"""The units that a site file asks for: each kind of quantity in each of them, against Pint."""

from __future__ import annotations

import re
from typing import get_args

import pint
import pytest
from helpers.scenes import site_of
from helpers.site_texts import FULL
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from rowcall.media import LIMITS_DEGF, Fibre, limits_c
from rowcall.site import UnitsTable
from rowcall.site.meaning import changes_of_meaning, meaning_of, settings_of
from rowcall.units import Dimension, Scale, Units, parse_quantity

# Kind of quantity, and what each allowed code and each inside unit is in the words of Pint 0.25.
PINT = {
    "dp": {"kPa": "kPa", "Pa": "Pa", "mbar": "mbar", "[in_i'H2O]": "inH2O"},
    "pressure": {"bar": "bar", "kPa": "kPa", "[psi]": "psi"},
    "temperature": {"Cel": "degC", "[degF]": "degF"},
    "gas_flow": {"m3/h": "m**3/h", "m3/s": "m**3/s", "[cft_i]/min": "ft**3/min"},
    "air": {"m3": "m**3", "[cft_i]": "ft**3"},
}
INSIDE = {
    "dp": (1234.5, "Pa"),
    "pressure": (6.02e5, "Pa"),
    "temperature": (204.4, "degC"),
    "gas_flow": (16.4, "m**3/s"),
    "air": (1.313, "m**3"),
}
US = UnitsTable(
    dp="[in_i'H2O]",
    pressure="[psi]",
    temperature="[degF]",
    gas_flow="[cft_i]/min",
    air="[cft_i]",
).scales
METRIC = UnitsTable().scales
KINDS = [(kind, code) for kind, allowed in PINT.items() for code in allowed]
SCALES = [getattr(units, kind) for units in (METRIC, US) for kind in Units.__slots__]


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


def test_every_allowed_unit_is_compared() -> None:
    allowed = {
        kind: set(get_args(field.annotation)) for kind, field in UnitsTable.model_fields.items()
    }
    assert allowed == {kind: set(words) for kind, words in PINT.items()}


@pytest.mark.parametrize(("kind", "code"), KINDS)
def test_every_kind_is_shown_in_every_unit(
    kind: str, code: str, registry: pint.UnitRegistry[float]
) -> None:
    scale: Scale = getattr(UnitsTable.model_validate({kind: code}).scales, kind)
    value, inside = INSIDE[kind]
    expected = registry.Quantity(value, inside).to(PINT[kind][code]).magnitude
    shown = float(scale.number(value).replace(",", ""))
    assert scale.of(value) == pytest.approx(expected, rel=2e-7)
    assert shown == pytest.approx(expected, rel=5e-3)  # two significant digits at least


@pytest.mark.parametrize("dp", PINT["dp"])
@pytest.mark.parametrize("gas_flow", PINT["gas_flow"])
def test_drag_is_dp_over_face_velocity(
    dp: str, gas_flow: str, registry: pint.UnitRegistry[float]
) -> None:
    drag = UnitsTable.model_validate({"dp": dp, "gas_flow": gas_flow}).scales.drag
    velocity = "ft/min" if "ft" in gas_flow else "m/s"
    expected = registry.Quantity(6e4, "Pa*s/m").to(f"{PINT['dp'][dp]}/({velocity})").magnitude
    assert drag.of(6e4) == pytest.approx(expected, rel=2e-7)


@pytest.mark.parametrize("dp", PINT["dp"])
def test_a_slope_of_dp_is_that_of_pint(dp: str, registry: pint.UnitRegistry[float]) -> None:
    slope = UnitsTable.model_validate({"dp": dp}).scales.dp_a_day
    unit = "Pa" if dp == "kPa" else dp
    expected = registry.Quantity(3.21, "Pa").to(PINT["dp"][unit]).magnitude
    assert slope.of(3.21) == pytest.approx(expected, rel=2e-7)


def test_flows_of_free_air_are_those_of_scipy() -> None:
    assert METRIC.air_flow.of(0.01) == pytest.approx(0.01 * constants.hour)
    assert US.air_flow.of(0.01) == pytest.approx(0.01 * constants.minute / constants.foot**3)


def test_a_temperature_is_no_difference_of_temperatures() -> None:
    ten_c = constants.convert_temperature(10.0, "Celsius", "Fahrenheit")
    assert US.temperature.of(10.0) == pytest.approx(ten_c) == pytest.approx(50.0)
    assert (METRIC.warming.show(10.0), US.warming.show(10.0)) == ("10 K", "18 °F")
    assert US.heat_dose.show(10.0) == "18 °F-minutes"
    assert METRIC.heat_dose.show(10.0) == "10 degree-minutes"


@pytest.mark.parametrize(
    ("units", "words"),
    [
        (
            METRIC,
            "1.23 kPa; -3.2 Pa a day; 60.1 kPa·s/m; 6.02 bar gauge; 0.31 bar; 204 °C; "
            "57,600 m³/h; 0.131 m³; 12.2 m³ of free air an hour",
        ),
        (
            US,
            "4.95 in. w.c.; -0.013 in. w.c. a day; 1.23 in. w.c./(ft/min); 87.3 psig; 4.5 psi; "
            "400 °F; 33,902 acfm; 4.63 ft³; 7.20 ft³ of free air a minute",
        ),
    ],
)
def test_quantities_read_as_people_write_them(units: Units, words: str) -> None:
    shown = (
        units.dp.show(1234.0),
        units.dp_a_day.show(-3.21),
        units.drag.show(60_123.0),
        units.gauge.show(6.02e5),
        units.pressure.show(31_234.0),
        units.temperature.show(204.4444),
        units.gas_flow.show(16.0),
        units.air.show(0.1312),
        units.air_flow.show(0.0034),
    )
    assert "; ".join(shown) == words


@given(value=st.floats(-1e7, 1e7), scale=st.sampled_from(SCALES))
def test_no_number_has_an_exponent_or_is_minus_zero(value: float, scale: Scale) -> None:
    for finer in (-1, 0, 1):
        text = scale.number(value, finer)
        assert re.fullmatch(r"-?\d{1,3}(,\d{3})*(\.\d+)?", text)
        assert not re.fullmatch(r"-0(\.0*)?", text)


def test_a_signed_number_has_its_sign_and_zero_none_below() -> None:
    shown = [METRIC.dp_a_day.number(value, signed=True) for value in (3.21, -3.21, -0.001)]
    assert shown == ["+3.2", "-3.2", "+0.0"]


@pytest.mark.parametrize("fibre", list(Fibre))
def test_limits_of_media_are_those_that_a_site_file_gives_in_the_same_unit(fibre: Fibre) -> None:
    """To the last bit: a reading of exactly the limit is not above it."""
    printed = [f"{limit} [degF]" for limit in LIMITS_DEGF[fibre]]
    assert limits_c(fibre) == tuple(parse_quantity(one, Dimension.TEMPERATURE) for one in printed)


def test_a_changed_setting_is_shown_with_the_unit_that_it_is_kept_in() -> None:
    before = site_of(FULL)
    now = before.model_copy(update={"pulse_time": 0.2, "running_flow": 5.0})
    changes = changes_of_meaning(meaning_of(before), meaning_of(now))
    assert changes == [
        "pulse_time 0.1 s became 0.2 s",
        "running_flow none became 5 m3/s",
    ]
    assert settings_of(now)["cleaning: interval"].endswith(" s")
