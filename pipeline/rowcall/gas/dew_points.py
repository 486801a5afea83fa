"""Dew points of water and of sulphuric acid in flue gas.

The acid's is known from published correlations only, which lie some kelvin apart; all of them are
kept, so that whoever states one can state their spread.
"""

from __future__ import annotations

import math

from rowcall import trade

# Magnus formula over water, -45 to 60 degC: Sonntag 1990, as in WMO-No. 8 (value from memory).
_MAGNUS_PA, _MAGNUS_FACTOR, _MAGNUS_C = 611.2, 17.62, 243.12
_KELVIN = 273.15
_MMHG_PA = 101325 / 760  # exact by definition of the standard atmosphere
_MIN_OKKES_ATM = 1e-8  # the correlation's own pole


def water_dew_point_c(moisture_frac: float, pressure_pa: float | None = None) -> float:
    """Return the water dew point [degC] of a gas with a volume share of water vapour.

    Args:
        moisture_frac: water vapour over all gas, by volume, above 0.
        pressure_pa: absolute pressure of the gas, 1 atm where it is not given.
    """
    log = math.log(moisture_frac * (pressure_pa or trade.ATMOSPHERE.value) / _MAGNUS_PA)
    return _MAGNUS_C * log / (_MAGNUS_FACTOR - log)


def acid_dew_points_c(
    moisture_frac: float, so3_frac: float, pressure_pa: float | None = None
) -> dict[str, float]:
    """Return the dew point of sulphuric acid [degC] by each published correlation, by its name.

    Args:
        moisture_frac, so3_frac: water vapour and sulphur trioxide over all gas, by volume, above 0.
        pressure_pa: absolute pressure of the gas, 1 atm where it is not given.

    Sources: Verhoff and Banchero, Chem. Eng. Prog. 70(8), 1974; Okkes, Hydrocarbon Process., July
    1987; ZareNezhad 2009; all as seen in secondary sources. None of them lies below the water dew
    point: there the film is water.
    """
    pressure = pressure_pa or trade.ATMOSPHERE.value
    water_pa, acid_pa = moisture_frac * pressure, so3_frac * pressure
    water_c = water_dew_point_c(moisture_frac, pressure)
    found = {
        "Verhoff and Banchero 1974": _verhoff_banchero(water_pa / _MMHG_PA, acid_pa / _MMHG_PA),
        "ZareNezhad 2009": _zare_nezhad(water_pa / _MMHG_PA, acid_pa / _MMHG_PA),
    }
    if (acid_atm := acid_pa / 101325) > _MIN_OKKES_ATM:
        found["Okkes 1987"] = _okkes(water_pa / 101325, acid_atm)
    return {name: max(celsius, water_c) for name, celsius in found.items()}


def _verhoff_banchero(water_mmhg: float, acid_mmhg: float) -> float:
    water, acid = math.log(water_mmhg), math.log(acid_mmhg)
    return 1000 / (2.276 - 0.02943 * water - 0.0858 * acid + 0.0062 * water * acid) - _KELVIN


def _okkes(water_atm: float, acid_atm: float) -> float:
    water, acid = math.log10(water_atm), math.log10(acid_atm)
    return 203.25 + 27.6 * water + 10.83 * acid + 1.06 * math.pow(acid + 8, 2.19)


def _zare_nezhad(water_mmhg: float, acid_mmhg: float) -> float:
    water, acid = math.log(water_mmhg), math.log(acid_mmhg)
    return 150 + 11.664 * acid + 8.1328 * water - 0.383226 * acid * water
