"""Settings of the cleaning controller as found in the data, beside those of the site file."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rowcall.model import BaghouseDay, Fact, FactBook
from rowcall.site import Role
from rowcall.units import Scale

_WHOLE = 0.05  # [-] chosen: of a scan, by which times that fall on scans are off whole ones


@dataclass(frozen=True, slots=True)
class Setting:
    """A setting in words, as found (nan where it cannot be seen), as stated, how it is written.

    fact, header: where earlier days have it.
    """

    words: str
    found: float
    stated: float
    scale: Scale
    fact: Fact
    header: int = 0


def settings_of(day: BaghouseDay, facts: FactBook) -> list[Setting]:
    """Return the settings that facts show; levels of DP only where cleaning goes by them."""
    cleaning, dp = day.baghouse.cleaning, day.units.dp
    headers = range(day.baghouse.compartments + 1)
    own = next((one for one in headers if (Fact.PULSE_LENGTH_S, one, 0) in facts), 0)
    length_s = facts.of(Fact.PULSE_LENGTH_S, own)
    stated = (
        ("time from row to row", Fact.ROW_INTERVAL_S, cleaning.interval, Scale(1.0, "s", 1)),
        ("DP at which cleaning starts", Fact.START_DP_PA, cleaning.start_dp, dp),
        ("DP at which cleaning stops", Fact.STOP_DP_PA, cleaning.stop_dp, dp),
    )
    found = [Setting(words, facts.of(fact), at, scale, fact) for words, fact, at, scale in stated]
    length = Setting(
        "pulse length",
        length_s,
        day.baghouse.pulse_time,
        Scale(1e-3, "ms", 0),
        Fact.PULSE_LENGTH_S,
        own,
    )
    levels = found[1:] if cleaning.mode == "on_demand" else []
    return [found[0], length, *levels]


def is_scanned(day: BaghouseDay, length_s: float) -> bool:
    """Return whether bits were scanned once in a pulse length, so that it is the scan's."""
    offs = [
        np.abs(steps - np.round(steps))
        for (role, *_), bit in day.signals.items()
        if role is Role.ROW_SOLENOID
        for steps in (np.diff(bit.time_s) / length_s,)
    ]
    pooled = np.concatenate(offs) if offs else np.empty(0)
    return bool(pooled.size) and float(np.quantile(pooled, 0.9)) < _WHOLE


def first_day(day: BaghouseDay, setting: Setting, allowed: float) -> tuple[str, float]:
    """Return since when a setting differs as known from facts: in words, and as days ago."""
    days, values = day.history.of(setting.fact, setting.header)
    same = np.flatnonzero(~(np.abs(values - setting.stated) > allowed))
    off = days[int(same[-1]) + 1 :] if same.size else days
    first = off[0] if off else day.day
    words = "on all known days" if off and not same.size else f"since {first.day} {first:%b}"
    return words if days else "", float((day.day - first).days)


def differs(setting: Setting, allowed: float) -> bool:
    """Return whether a setting was found otherwise than stated."""
    return not math.isnan(setting.found) and abs(setting.found - setting.stated) > allowed
