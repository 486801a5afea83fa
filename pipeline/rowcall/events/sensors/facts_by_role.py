"""The facts of tags, by the role of the tag."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rowcall.model import Fact
from rowcall.site import Role


@dataclass(frozen=True, slots=True)
class TagFacts:
    """The facts of one role.

    Attributes:
        flat: longest run of one value while the tag should have been alive [s].
        tied: longest such run while what the tag is tied to moved [s].
        steps: noise over resolution [-].
    """

    flat: Fact
    tied: Fact
    steps: Fact


TAG_FACTS: Mapping[Role, TagFacts] = {
    Role.DP: TagFacts(Fact.DP_FLAT_S, Fact.DP_TIED_FLAT_S, Fact.DP_NOISE_STEPS),
    Role.GAS_FLOW: TagFacts(Fact.FLOW_FLAT_S, Fact.FLOW_TIED_FLAT_S, Fact.FLOW_NOISE_STEPS),
    Role.INLET_TEMPERATURE: TagFacts(
        Fact.INLET_FLAT_S, Fact.INLET_TIED_FLAT_S, Fact.INLET_NOISE_STEPS
    ),
    Role.OUTLET_TEMPERATURE: TagFacts(
        Fact.OUTLET_FLAT_S, Fact.OUTLET_TIED_FLAT_S, Fact.OUTLET_NOISE_STEPS
    ),
    Role.HEADER_PRESSURE: TagFacts(
        Fact.HEADER_FLAT_S, Fact.HEADER_TIED_FLAT_S, Fact.HEADER_NOISE_STEPS
    ),
}
