"""The chapter on cleaning control: settings as found beside those of the site file."""

from __future__ import annotations

import math

from rowcall.model import Fact
from rowcall.units import Scale
from rowcall_reports import wording
from rowcall_reports.prepared import PreparedDay


def write_settings_found(baghouse: PreparedDay) -> str:
    """Return the settings of the controller as found in the data, '' where none can be seen."""
    lines = [
        [words, wording.quantity(found, scale), scale.show(stated)]
        for words, found, stated, scale in _settings(baghouse)
        if not math.isnan(found)
    ]
    head = ["Setting", "As found", "Site file"]
    return wording.table(head, lines, right=(1, 2)) if lines else ""


def _settings(baghouse: PreparedDay) -> list[tuple[str, float, float, Scale]]:
    """Return each setting in words, as found, as stated, and how it is written."""
    house, facts, units = baghouse.day.baghouse, baghouse.facts, baghouse.day.units
    cleaning, dp = house.cleaning, units.dp
    pulses = (facts.of(Fact.PULSE_LENGTH_S, header) for header in range(house.compartments + 1))
    pulse_s = next((one for one in pulses if not math.isnan(one)), math.nan)
    found = [
        (
            "Time from row to row",
            facts.of(Fact.ROW_INTERVAL_S),
            cleaning.interval,
            wording.fixed("s", 1)(units),
        ),
        ("Pulse length", pulse_s, house.pulse_time, wording.fixed("ms", 0, 1e-3)(units)),
    ]
    if cleaning.mode == "on_demand":
        found += [
            ("DP at which cleaning starts", facts.of(Fact.START_DP_PA), cleaning.start_dp, dp),
            ("DP at which cleaning stops", facts.of(Fact.STOP_DP_PA), cleaning.stop_dp, dp),
        ]
    return found
