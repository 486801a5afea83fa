"""The chapter about dust after the filter."""

from __future__ import annotations

from rowcall.diagnosis.dust_words import NO_RECORD, dust_role, name_of, show_dust
from rowcall.model import Fact
from rowcall.site import Role
from rowcall_reports import wording
from rowcall_reports.prepared import PreparedDay

_BASES = {
    Role.OPACITY: (Fact.OPACITY_BASE, Fact.OPACITY_BASE_ERROR),
    Role.DUST_SIGNAL: (Fact.DUST_BASE, Fact.DUST_BASE_ERROR),
}


def write_dust(baghouse: PreparedDay) -> str:
    """Return what is known of dust, '' where nothing is."""
    day, facts = baghouse.day, baghouse.facts
    lines = [
        f"- {name_of(role).capitalize()} between pulses: {show_dust(day, role, facts.of(base))} "
        f"(standard error {show_dust(day, role, facts.of(error))})."
        for role, (base, error) in _BASES.items()
        if (base, 0, 0) in facts
    ]
    if (Fact.PUFF, 0, 0) in facts:
        puff = show_dust(day, dust_role(facts), facts.of(Fact.PUFF))
        lines.append(
            f"- Puff after a pulse, median row: {puff}, "
            f"{wording.measure(facts.of(Fact.PUFF_DELAY_S), 's', 0)} after it, for "
            f"{wording.measure(facts.of(Fact.PUFF_WIDTH_S), 's', 0)}."
        )
    return "\n".join([*lines, f"\n{NO_RECORD}."]) if lines else ""
