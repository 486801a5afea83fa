"""What is planted on the air of a baghouse, in one table; sizes span what the trade meets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trials.schedule import Floats

PSI = 6894.757  # Pa
DAY_S = 86_400.0
_RAMP_S = 300.0  # a supply falls and comes back over minutes; chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class AirFault:
    """One line of the table.

    Attributes:
        feed: conductance left of one compartment's feed [-]; 1: sound.
        leak: share of one header's plateau lost to a steady leak [-].
        is_short: the supply is 10-20 psi down for 2-6 h of the judged day.
        days_before: whole days before the judged one on which feed or leak begins.
        is_slow: sound headers that recover only 80-95 % of a drop before their next pulse.
        has_fewer: one row of each compartment has fewer bags, by design.
    """

    name: str
    feed: float = 1.0
    leak: float = 0.0
    is_short: bool = False
    days_before: int = 0
    is_slow: bool = False
    has_fewer: bool = False

    @property
    def is_sound(self) -> bool:
        """Whether nothing is planted."""
        return self.feed == 1.0 and not self.leak and not self.is_short

    @property
    def sound(self) -> AirFault:
        """The same baghouse with nothing planted."""
        return AirFault(name="none", is_slow=self.is_slow, has_fewer=self.has_fewer)


FAULTS = (
    AirFault(name="none"),
    AirFault(name="none, slow headers", is_slow=True),
    AirFault(name="none, rows with fewer bags", has_fewer=True),
    AirFault(name="feed 1/3", feed=1.0 / 3.0),
    AirFault(name="feed 1/2", feed=0.5),
    AirFault(name="supply short", is_short=True),
    AirFault(name="leak 3 %", leak=0.03),
    AirFault(name="leak 5 %", leak=0.05),
    AirFault(name="leak 8 %", leak=0.08),
    AirFault(name="leak 5 %, 3 days old", leak=0.05, days_before=3),
    AirFault(name="feed 1/3 and supply short", feed=1.0 / 3.0, is_short=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """A fault with its place and times drawn.

    Attributes:
        compartment: whose feed or header, from 1.
        from_s: when feed or leak begins [s from the first day].
        short_pa, short_s: depth of the shortage, and its begin and end [s].
    """

    fault: AirFault
    compartment: int
    from_s: float
    short_pa: float = 0.0
    short_s: tuple[float, float] = (0.0, 0.0)

    @property
    def first_s(self) -> float:
        """Before this instant the baghouse is sound."""
        if self.fault.is_sound:
            return np.inf
        return self.short_s[0] if self.fault.feed == 1.0 and not self.fault.leak else self.from_s

    def feed(self, compartment: int, at_s: Floats) -> Floats:
        """Conductance of a compartment's feed as a share of the sound one."""
        share = self.fault.feed if compartment == self.compartment else 1.0
        return np.where(at_s >= self.from_s, share, 1.0)

    def leak(self, compartment: int, at_s: Floats) -> Floats:
        """Share of a header's plateau that a leak takes."""
        share = self.fault.leak if compartment == self.compartment else 0.0
        return np.where(at_s >= self.from_s, share, 0.0)

    def shortage_pa(self, at_s: Floats) -> Floats:
        """What the supply lacks."""
        begin, end = self.short_s
        if not self.short_pa:
            return np.zeros_like(at_s)
        corner_s = (begin, begin + _RAMP_S, end, end + _RAMP_S)
        return np.interp(at_s, corner_s, (0.0, self.short_pa, self.short_pa, 0.0))


def draw_planted(
    rng: np.random.Generator, fault: AirFault, compartments: int, judged_day: int
) -> Planted:
    """Draw place, depth and hours."""
    compartment = int(rng.integers(1, compartments, endpoint=True))
    depth_pa = float(rng.uniform(10.0, 20.0)) * PSI
    lasts_s = 3600.0 * float(rng.uniform(2.0, 6.0))
    begin_s = DAY_S * judged_day + float(rng.uniform(3600.0, DAY_S - lasts_s - 3600.0))
    return Planted(
        fault=fault,
        compartment=compartment,
        from_s=DAY_S * (judged_day - fault.days_before),
        short_pa=depth_pa if fault.is_short else 0.0,
        short_s=(begin_s, begin_s + lasts_s) if fault.is_short else (0.0, 0.0),
    )


def fault_of(name: str) -> AirFault:
    """Return the fault of a name. Raises ValueError with the names there are."""
    for fault in FAULTS:
        if fault.name == name:
            return fault
    names = ", ".join(repr(fault.name) for fault in FAULTS)
    raise ValueError(f"there is no fault {name!r}; there are {names}")
