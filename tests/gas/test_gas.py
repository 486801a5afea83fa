"""Dew points and viscosity against reference libraries and published worked examples."""

from __future__ import annotations

import pytest
from iapws import IAPWS97
from iapws.humidAir import Air

from rowcall.gas.dew_points import acid_dew_points_c, water_dew_point_c
from rowcall.gas.viscosity import REFERENCE_C, viscosity_ratio

ATM = 101325.0
MMHG = ATM / 760
VERHOFF = "Verhoff and Banchero 1974"


# Saturation temperature of water: IAPWS-IF97, by the package iapws.
@pytest.mark.parametrize("share", [0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.6])
@pytest.mark.parametrize("pressure", [90_000.0, ATM])
def test_the_water_dew_point_is_that_of_the_reference(share: float, pressure: float) -> None:
    celsius = IAPWS97(P=share * pressure / 1e6, x=0).T - 273.15
    assert water_dew_point_c(share, pressure) == pytest.approx(celsius, abs=0.4)


# Viscosity of air at 1 atm: Lemmon and Jacobsen 2004, by the package iapws.
@pytest.mark.parametrize("celsius", [0.0, 50.0, 100.0, 150.0, 200.0, 260.0])
def test_viscosity_follows_temperature_as_that_of_air(celsius: float) -> None:
    at, reference = (Air(T=one + 273.15, P=ATM / 1e6).mu for one in (celsius, REFERENCE_C))
    assert float(viscosity_ratio(celsius)) == pytest.approx(at / reference, rel=0.013)


# Worked examples of Verhoff and Banchero, printed with pressures in mmHg (seen in secondary
# sources, with 0.0294 for the first coefficient, which moves them by 0.02 K).
@pytest.mark.parametrize(
    ("water_mmhg", "acid_mmhg", "kelvin"),
    [(93.44, 0.0024917, 401.88), (38.1103549, 0.00097421, 383.525)],
)
def test_the_acid_dew_point_is_that_of_the_worked_examples(
    water_mmhg: float, acid_mmhg: float, kelvin: float
) -> None:
    found = acid_dew_points_c(water_mmhg * MMHG / ATM, acid_mmhg * MMHG / ATM)
    assert found[VERHOFF] + 273.15 == pytest.approx(kelvin, abs=0.05)


# Computed from the published forms; shares of water vapour [%] and of SO3 [ppm].
@pytest.mark.parametrize(
    ("water", "acid", "celsius"),
    [
        (5, 5, (123.45, 122.35, 119.26)),
        (10, 1, (115.66, 113.37, 115.51)),
        (10, 10, (137.33, 136.40, 133.25)),
        (10, 100, (161.55, 159.44, 154.40)),
        (20, 10, (144.42, 143.34, 141.56)),
    ],
)
def test_the_correlations_keep_their_spread(
    water: float, acid: float, celsius: tuple[float, ...]
) -> None:
    found = acid_dew_points_c(water / 100, acid / 1e6)
    assert tuple(found.values()) == pytest.approx(celsius, abs=0.02)


def test_pressure_moves_the_acid_dew_point_as_published() -> None:
    """Okkes 1987: 200 mm of water column shift it by 0.4 K."""
    low, high = (acid_dew_points_c(0.1, 10e-6, one) for one in (ATM, ATM + 200 * 9.80665))
    assert high["Okkes 1987"] - low["Okkes 1987"] == pytest.approx(0.4, abs=0.02)


def test_hardly_any_acid_leaves_the_dew_point_of_water() -> None:
    """One correlation has a pole there and is left out; no film is drier than water's."""
    found = acid_dew_points_c(0.2, 5e-9)
    assert set(found) == {VERHOFF, "ZareNezhad 2009"}
    assert min(found.values()) >= water_dew_point_c(0.2)
