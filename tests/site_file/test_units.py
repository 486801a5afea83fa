"""Units against two independent unit libraries, published numbers, and their own inverse."""

from __future__ import annotations

import ast
import math
import re
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ucumvert import PintUcumRegistry

import rowcall.diagnosis
import rowcall_rules
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Quantity
from rowcall.site import ROLES, Role
from rowcall.units import UNITS, Dimension, codes, find_unit, parse_quantity, show

# A second reading of each UCUM code, in the words of Pint.
PINT_WORDS = {
    "mm[H2O]": "mmH2O",
    "[in_i'H2O]": "inH2O",
    "[psi]": "psi",
    "[ft_i]3/min": "ft**3/min",
    "[cft_i]/min": "ft**3/min",
    "[cft_i]": "ft**3",
    "[ft_i]2": "ft**2",
    "[ft_i]3": "ft**3",
    "[ft_i]/min": "ft/min",
    "[gr]/[ft_i]3": "grain/ft**3",
    "[ppm]": "ppm",
    "%": "percent",
    "1": "dimensionless",
    "{rev}/min": "1/min",
    "K.min": "K*min",
    "K{difference}": "K",
}
TEMPERATURES = [code for code, unit in UNITS.items() if unit.dimension is Dimension.TEMPERATURE]
# ucumvert takes [in_i'H2O] for the inch at 60 degF (248.84 Pa); UCUM's own table has the
# conventional inch, 249.08891 Pa.
NOT_SAME_INCH = {"[in_i'H2O]"}
# ucumvert takes [cft_i], UCUM's cubic foot, for a hundredth of a foot.
NOT_CUBIC = {"[cft_i]", "[cft_i]/min"}


def in_pint(code: str) -> str:
    """Write a UCUM code as Pint does."""
    return PINT_WORDS.get(code) or re.sub(r"\bm([23])", r"m**\1", code)


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


@pytest.fixture(scope="module")
def ucum() -> PintUcumRegistry:
    return PintUcumRegistry()


@pytest.mark.parametrize("code", sorted(set(UNITS) - set(TEMPERATURES)))
def test_every_factor_is_that_of_pint(code: str, registry: pint.UnitRegistry[float]) -> None:
    unit = UNITS[code]
    expected = registry.Quantity(1.0, in_pint(code)).to(in_pint(unit.dimension.value)).magnitude
    assert unit.to_inside(1.0) == pytest.approx(expected, rel=2e-7)
    assert unit.offset == 0.0


@pytest.mark.parametrize("code", sorted(set(UNITS) - NOT_SAME_INCH - NOT_CUBIC - set(TEMPERATURES)))
def test_every_code_is_ucum_and_has_its_factor(code: str, ucum: PintUcumRegistry) -> None:
    unit = UNITS[code]
    quantity = 1.0 * ucum.from_ucum(code)
    expected = quantity.to(ucum.from_ucum(unit.dimension.value).units).magnitude
    assert unit.to_inside(1.0) == pytest.approx(expected, rel=2e-7)


@pytest.mark.parametrize("code", TEMPERATURES)
@pytest.mark.parametrize("value", [-40.0, 0.0, 375.0])
def test_temperatures_are_those_of_ucum(code: str, value: float, ucum: PintUcumRegistry) -> None:
    expected = ucum.Quantity(value, ucum.from_ucum(code).units).to("degC").magnitude
    assert UNITS[code].to_inside(value) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "dimension", "inside", "rel"),
    [
        ("1 [in_i'H2O]", Dimension.PRESSURE, 249.08891, 1e-9),  # UCUM table, conventional inch
        ("4.018647 [in_i'H2O]", Dimension.PRESSURE, 1000.0, 1.1e-3),  # 60 degF inch: 0.1 % apart
        ("12 [in_i'H2O]", Dimension.PRESSURE, 2988.98, 1e-4),  # foot of water at 4 degC
        ("1 mm[H2O]", Dimension.PRESSURE, 9.80665, 1e-12),  # UCUM table
        ("1 [psi]", Dimension.PRESSURE, 0.45359237 * 9.80665 / 0.0254**2, 1e-7),
        ("1 [ft_i]3/min", Dimension.FLOW, 1.69901 / 3600, 1e-5),  # NIST SP 811 foot, 0.3048 m
        ("1 [ft_i]/min", Dimension.VELOCITY, 0.00508, 1e-12),
        ("1 [gr]/[ft_i]3", Dimension.DUST, 2.28835e-3, 1e-5),
        ("400 [degF]", Dimension.TEMPERATURE, 204.444, 1e-5),
        ("273.15 K", Dimension.TEMPERATURE, 0.0, 1e-9),
        ("100 ms", Dimension.TIME, 0.1, 1e-12),
        ("9 %", Dimension.RATIO, 0.09, 1e-12),
    ],
)
def test_published_numbers(text: str, dimension: Dimension, inside: float, rel: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(inside, rel=rel, abs=1e-9)


def test_the_inch_of_water_is_none_of_the_other_two() -> None:
    inch = UNITS["[in_i'H2O]"].factor
    assert abs(inch - 249.082) > 0.005  # 4 degC
    assert abs(inch - 248.84) > 0.2  # 60 degF


@given(
    st.sampled_from(sorted(UNITS)),
    st.floats(min_value=-1e6, max_value=1e6, allow_nan=False),
)
def test_there_and_back(code: str, value: float) -> None:
    unit = UNITS[code]
    back = unit.from_inside(unit.to_inside(value))
    assert math.isclose(back, value, rel_tol=1e-9, abs_tol=1e-6)


@given(st.sampled_from(sorted(UNITS)), st.decimals(-9999, 9999, places=3))
def test_a_written_quantity_is_read_as_written(code: str, value: object) -> None:
    unit = UNITS[code]
    assert parse_quantity(f"{value} {code}", unit.dimension) == unit.to_inside(float(str(value)))


def test_every_dimension_has_its_inside_unit() -> None:
    for dimension in Dimension:
        unit = UNITS[dimension.value]
        assert (unit.dimension, unit.factor, unit.offset) == (dimension, 1.0, 0.0)
        assert unit.code in codes([dimension])


@pytest.mark.parametrize(
    ("code", "dimensions", "words"),
    [
        ("psig", [Dimension.PRESSURE], ["'psig'", "is not known", "did you mean [psi]"]),
        ("PSI", [Dimension.PRESSURE], ["is not known", "allowed: Pa, hPa"]),
        ("[ppmv]", [Dimension.RATIO], ["is not known", "did you mean [ppm]"]),
        ("bar", [Dimension.TEMPERATURE], ["'bar'", "does not fit here", "allowed: Cel, [degF], K"]),
        ("", [Dimension.FLOW], ["is not known", "m3/h"]),
        ("{rpm}", [Dimension.SPEED], ["is not known", "did you mean {rev}/min?"]),
        ("rpm", [Dimension.CURRENT, Dimension.SPEED], ["did you mean {rev}/min?"]),
        ("K", [Dimension.WARMING], ["does not fit here", "did you mean K{difference}?"]),
        ("rpm", [Dimension.PRESSURE], ["is not known (allowed: Pa,"]),
    ],
)
def test_a_wrong_unit_says_what_is_allowed(
    code: str, dimensions: list[Dimension], words: list[str]
) -> None:
    with pytest.raises(ValueError, match="unit") as caught:
        find_unit(code, dimensions)
    assert all(word in str(caught.value) for word in words)


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        ("6", Dimension.PRESSURE, ["the unit is missing", "bar"]),
        (6, Dimension.PRESSURE, ["the unit is missing", "bar"]),
        ("6 s", Dimension.PRESSURE, ["does not fit here", "bar"]),
        ("six bar", Dimension.PRESSURE, ["expected a number and a unit in quotes"]),
        ("1,5 bar", Dimension.PRESSURE, ["expected a number and a unit in quotes"]),
        ("1e999 bar", Dimension.PRESSURE, ["too large"]),
        (True, Dimension.RATIO, ["expected a number"]),
        (None, Dimension.TIME, ["expected a number", "ms"]),
        ("", Dimension.TIME, ["expected a number", "ms"]),
    ],
)
def test_a_wrong_quantity_says_what_is_expected(
    text: object, dimension: Dimension, words: list[str]
) -> None:
    with pytest.raises(ValueError, match=r"expected|unit|large") as caught:
        parse_quantity(text, dimension)
    assert all(word in str(caught.value) for word in words)


@pytest.mark.parametrize("text", ["0.25", 0.25, "25 %", "0.25 1"])
def test_a_ratio_may_leave_its_unit_out(text: object) -> None:
    assert parse_quantity(text, Dimension.RATIO) == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("value", "code", "digits", "text"),
    [
        (1234.0, "kPa", 2, "1.23 kPa"),
        (204.4444, "Cel", 0, "204 °C"),
        (-0.3, "Cel", 0, "0 °C"),
        (0.5, "1", 2, "0.50"),
        (16.0, "m3/h", 0, "57,600 m³/h"),
    ],
)
def test_quantities_are_shown_in_the_unit_asked_for(
    value: float, code: str, digits: int, text: str
) -> None:
    assert show(value, code, digits) == text


def units_of_quantities() -> dict[str, set[str]]:
    """Return, by rule file, every unit that it writes into a `Quantity`."""
    found: dict[str, set[str]] = {}
    folders = (rowcall_rules.__path__, rowcall.diagnosis.__path__)
    for path in sorted(one for folder in folders for one in Path(next(iter(folder))).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == Quantity.__name__:
                named = [word.value for word in node.keywords if word.arg == "unit"]
                for part in [*node.args[2:3], *named]:
                    written = {n.value for n in ast.walk(part) if isinstance(n, ast.Constant)}
                    found.setdefault(path.stem, set()).update(map(str, written))
    return found


QUANTITY_UNITS = units_of_quantities()
RULES = load_rules()


def test_every_rule_puts_numbers_with_units_behind_its_answers() -> None:
    """Its own, or those that the rules on rows share."""
    without = {rule.name for rule in RULES} - set(QUANTITY_UNITS)
    assert without <= {"row_weak"}
    # These say facts, and what a rule lacks of them, in the unit of the fact.
    of_facts = {"diagnose", "dp_tap_plugged", "tags_disagree"}
    assert {name for name, units in QUANTITY_UNITS.items() if not units} == of_facts


@pytest.mark.parametrize("rule", sorted(QUANTITY_UNITS))
def test_every_unit_of_a_rules_numbers_is_known_here_and_to_ucum(
    rule: str, ucum: PintUcumRegistry
) -> None:
    for code in QUANTITY_UNITS[rule]:
        assert find_unit(code).code == code
        assert ucum.Quantity(1.0, ucum.from_ucum(code).units).units is not None


def test_every_unit_of_a_threshold_is_known_here_and_to_ucum(ucum: PintUcumRegistry) -> None:
    for rule in RULES:
        for threshold in rule.thresholds:
            _, _, code = threshold.text.partition(" ")
            assert math.isfinite(parse_quantity(threshold.text, threshold.dimension))
            ucum.from_ucum(code or "1")


@pytest.mark.parametrize("role", list(Role))
def test_every_unit_of_a_role_is_known_here_and_to_ucum(role: Role, ucum: PintUcumRegistry) -> None:
    facts = ROLES[role]
    allowed = codes(facts.dimensions)
    assert allowed
    assert {code for _, code in facts.usual_units} <= set(allowed)
    for code in allowed:
        ucum.from_ucum(code)


# NIST SP 811: a revolution a minute is 1/60 of a revolution a second; a day has 86,400 s.
@pytest.mark.parametrize(
    ("text", "dimension", "inside"),
    [
        ("1480 {rev}/min", Dimension.SPEED, 1480 / 60),
        ("864 Pa/d", Dimension.PRESSURE_RATE, 0.01),
    ],
)
def test_rates_have_a_size(text: str, dimension: Dimension, inside: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(inside, rel=1e-12)
