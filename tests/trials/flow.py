"""Flow of air through an opening, and the valve that opens it: closed forms only.

Isentropic nozzle with the downstream at the atmosphere: choked below the critical ratio
(2/(g+1))^(g/(g-1)) = 0.528, else after de Saint-Venant and Wantzel. Pressures absolute.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import constants

from trials.schedule import Floats

GAMMA = 1.4  # dry air, ideal gas
AIR_KG_MOL = 0.02896442  # ISO 2533 standard atmosphere
R_AIR = constants.R / AIR_KG_MOL  # CODATA R
ATMOSPHERE_PA = constants.atm
CRITICAL = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))
CHOKED = float(np.sqrt(GAMMA / R_AIR * (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (GAMMA - 1.0))))
_PEAK = (CRITICAL ** (2.0 / GAMMA) - CRITICAL ** ((GAMMA + 1.0) / GAMMA)) ** 0.5


def outflow_kg_s_m2(pressure_pa: Floats, kelvin: Floats) -> Floats:
    """Mass flow to the atmosphere per effective area (Cd A)."""
    flow: Floats = CHOKED * pressure_pa / np.sqrt(kelvin)
    slow = pressure_pa * CRITICAL < ATMOSPHERE_PA
    if slow.any():
        ratio = np.minimum(ATMOSPHERE_PA / pressure_pa[slow], 1.0)
        flow[slow] *= np.sqrt(ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA)) / _PEAK
    return flow


@dataclass(frozen=True, slots=True)
class Valve:
    """A spool that follows its signal with a first-order lag, quicker open than shut."""

    signal_s: float = 0.1
    opens_s: float = 0.02
    closes_s: float = 0.06

    def opening(self, since_s: float | Floats, late_s: Floats, late_flow: Floats) -> Floats:
        """Open share at a time since the call; hangs at late_flow for late_s after the signal."""
        at_end = 1.0 - np.exp(-self.signal_s / self.opens_s)
        into_s = np.maximum(np.asarray(since_s) - self.signal_s, 0.0)
        hung_s = np.minimum(into_s, late_s)
        hanging = late_flow + (at_end - late_flow) * np.exp(-hung_s / self.closes_s)
        closing = hanging * np.exp(-(into_s - hung_s) / self.closes_s)
        opening = 1.0 - np.exp(-np.minimum(since_s, self.signal_s) / self.opens_s)
        shut: Floats = np.where(np.asarray(since_s) <= self.signal_s, opening, closing)
        return shut

    @property
    def open_s(self) -> float:
        """Integral of the open share over one sound pulse [s]."""
        at_end = 1.0 - float(np.exp(-self.signal_s / self.opens_s))
        return self.signal_s - self.opens_s * at_end + self.closes_s * at_end


def area_for_drop(
    drop_share: Floats, volume_m3: float, n: float, kelvin: float, open_s: float
) -> Floats:
    """Effective area that lets a choked, closed vessel lose a share of its absolute pressure.

    From m' = -CHOKED A p / sqrt(T) with p ~ m^n: p/p0 = (1 + (n-1)/2 q)^(-2n/(n-1)), for n = 1
    exp(-q), with q = CHOKED R sqrt(T0) A open_s / V.
    """
    left = 1.0 - drop_share
    bend = (n - 1.0) / 2.0
    q = -np.log(left) if bend == 0.0 else (left ** (-bend / n) - 1.0) / bend
    area: Floats = q * volume_m3 / (CHOKED * R_AIR * np.sqrt(kelvin) * open_s)
    return area
