"""The chapter about sensors: how alive the tags of the gas and of the headers were."""

from __future__ import annotations

import math

from rowcall.events.sensors.facts_by_role import TAG_FACTS
from rowcall.model import Fact, TagHealth
from rowcall.site import ROLES, Role
from rowcall_reports import wording
from rowcall_reports.prepared import PreparedDay

_HEAD = ("Tag", "What", "Longest at one value", "Noise / resolution", "DP noise", "DP at rest")


def write_sensors(baghouse: PreparedDay) -> str:
    """Return a line for each tag that should be alive, '' without any."""
    tags = (tag for tag in baghouse.day.health if tag.role in TAG_FACTS)
    lines = [line for tag in tags if (line := _line(baghouse, tag))]
    return wording.table(_HEAD, lines, right=range(2, len(_HEAD))) if lines else ""


def _line(baghouse: PreparedDay, tag: TagHealth) -> list[str]:
    facts, about = baghouse.facts, TAG_FACTS[tag.role]
    flat, steps = (facts.of(fact, tag.compartment) for fact in (about.flat, about.steps))
    if math.isnan(flat) and math.isnan(steps):
        return []
    own = (facts.of(fact, tag.compartment) for fact in (Fact.DP_NOISE_PA, Fact.DP_ZERO_PA))
    is_dp = tag.role is Role.DP
    return [
        wording.escape(tag.tag),
        ROLES[tag.role].name,
        wording.measure(flat, "min", 0, 60.0),
        wording.number(steps, 1),
        *(wording.quantity(one, baghouse.day.units.dp) if is_dp else "" for one in own),
    ]
