"""Viscosity of the gas, which carries the pressure drop through cake and cloth."""

from __future__ import annotations

import numpy as np

from rowcall.model import Floats

# Sutherland's law for air (values from memory); flue gas follows it within a few per cent.
_SUTHERLAND_K = 110.4
_KELVIN = 273.15
REFERENCE_C = 20.0  # chosen: drag is stated as that with gas of this temperature


def viscosity_ratio(temperature_c: Floats | float) -> Floats:
    """Return the viscosity of gas over that at `REFERENCE_C`, in the shape of the temperature."""
    kelvin, at_k = np.asarray(temperature_c) + _KELVIN, REFERENCE_C + _KELVIN
    ratio: Floats = (kelvin / at_k) ** 1.5 * (at_k + _SUTHERLAND_K) / (kelvin + _SUTHERLAND_K)
    return ratio
