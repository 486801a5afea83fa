"""The chapters about one baghouse: header recovery, DP, temperature."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from rowcall.model import Fact, FactBook
from rowcall.site import Baghouse
from rowcall.units import Scale
from rowcall_reports import wording
from rowcall_reports.inlet import InletTag
from rowcall_reports.prepared import PreparedDay


def write_recovery(baghouse: PreparedDay) -> str:
    """Return the header-recovery table, '' when no compartment's header shows pulses."""
    head = [
        "Compartment",
        "95 % recovered in",
        "7-day median",
        "Slowest row, 63 % recovered in",
        "Pressure before a pulse",
        "Pulses",
    ]
    facts, lines = baghouse.facts, []
    for compartment in range(1, baghouse.day.baghouse.compartments + 1):
        recovery = _of_header(Fact.RECOVERY_S, facts, compartment)
        before = facts.of(Fact.BEFORE_PA, compartment)
        if math.isnan(recovery) and math.isnan(before):
            continue
        lines.append(
            [
                str(compartment),
                wording.measure(recovery, "s", 1),
                wording.measure(_of_header(Fact.RECOVERY_S, baghouse.usual, compartment), "s", 1),
                _slowest(baghouse, compartment),
                wording.quantity(before, baghouse.day.units.gauge),
                wording.number(facts.of(Fact.N_PULSES, compartment)),
            ]
        )
    return wording.table(head, lines, right=(0, 1, 2, 4, 5)) if lines else ""


def _of_header(fact: Fact, facts: FactBook, compartment: int) -> float:
    """A fact of the header that serves a compartment."""
    own = facts.of(fact, compartment)
    return facts.of(fact) if math.isnan(own) else own


def _slowest(baghouse: PreparedDay, compartment: int) -> str:
    taus = [
        (tau, row)
        for (fact, place, row), tau in baghouse.facts.items()
        if fact is Fact.TAU_S and place == compartment and row
    ]
    if not taus:
        return wording.NO_VALUE
    tau, row = max(taus)
    return f"{baghouse.day.row_word(compartment)} {row}: {wording.measure(tau, 's', 1)}"


_DP_LINES: Sequence[tuple[Fact, str, wording.ScaleOf]] = (
    (
        Fact.RESIDUAL_DP_PA,
        "Residual DP (just after cleaning, not corrected for flow)",
        lambda units: units.dp,
    ),
    (Fact.PEAK_DP_PA, "Peak DP (just before cleaning)", lambda units: units.dp),
    (
        Fact.RESIDUAL_DRAG,
        "Residual drag (residual DP / face velocity)",
        lambda units: units.drag,
    ),
    (Fact.CYCLE_TIME_S, "Cycle time (clean to clean)", wording.fixed("min", 1, 60.0)),
    (Fact.N_CYCLES, "Cleaning cycles", wording.fixed("", 0)),
    (Fact.FLOW_M3_S, "Gas flow", lambda units: units.gas_flow),
    (Fact.RUNNING_MIN, "Time running", wording.fixed("h", 1, 60.0)),
    (Fact.N_STARTS, "Starts", wording.fixed("", 0)),
    (Fact.COLD_GAS_MIN, "Gas below the water dew point", wording.fixed("min", 0)),
    (Fact.ACID_GAS_MIN, "Gas below the acid dew point", wording.fixed("min", 0)),
)


def _clean_drag(facts: FactBook, baghouse: Baghouse) -> float:
    return facts.of(Fact.CLEAN_DP_PER_FLOW) * (baghouse.cloth_area or math.nan)


def _gain_an_hour(facts: FactBook, _: Baghouse) -> float:
    """What cake adds to DP in an hour at the day's flow [Pa]."""
    return facts.of(Fact.DP_PER_FLOW_GROWTH) * facts.of(Fact.FLOW_M3_S) ** 2 * 3600.0


_DERIVED_LINES: Sequence[tuple[str, Callable[[FactBook, Baghouse], float], wording.ScaleOf]] = (
    (
        "Drag just after cleaning, at the viscosity of gas of 20 °C",
        _clean_drag,
        lambda units: units.drag,
    ),
    ("DP that an hour of gas adds between cleanings", _gain_an_hour, lambda units: units.dp),
)


def write_dp(baghouse: PreparedDay) -> str:
    """Return the DP numbers of the day against the week before, '' without any."""
    lines = []
    for fact, words, scale_of in _DP_LINES:
        now, before = baghouse.facts.of(fact), baghouse.usual.of(fact)
        if math.isnan(now):
            continue
        lines.append(_dp_line(words, now, before, scale_of(baghouse.day.units)))
    for words, of, scale_of in _DERIVED_LINES:
        now, before = (of(side, baghouse.day.baghouse) for side in (baghouse.facts, baghouse.usual))
        if not math.isnan(now):
            lines.append(_dp_line(words, now, before, scale_of(baghouse.day.units)))
    if not lines:
        return ""
    return wording.table(["Of the day", "Today", "7-day median", "Change"], lines, right=(1, 2, 3))


def _dp_line(words: str, now: float, before: float, scale: Scale) -> list[str]:
    shown = [wording.quantity(side, scale) for side in (now, before)]
    return [words, *shown, wording.change(now, before)]


def write_temperature(baghouse: PreparedDay) -> str:
    """Return the inlet temperature by tag against the limits, '' when there is none."""
    tags, limits = baghouse.inlet, baghouse.day.baghouse.temperature_limits()
    scale = baghouse.day.units.temperature
    if not tags:
        return ""
    head = ["Inlet temperature", "Compartment", "Highest 1-minute average"]
    named = zip(("continuous", "surge"), limits or (), strict=False)
    head += [f"Above {words} limit {scale.show(limit)}" for words, limit in named]
    lines = [_temperature_line(one, limits or (), scale) for one in tags]
    table = wording.table(head, lines, right=range(2, len(head)))
    if limits is None:
        note = (
            "The site file states neither the fibre of the bags nor their limits, so there is "
            "nothing to compare with."
        )
    else:
        note = (
            "Time above a limit counts 1-minute averages. Limits from: "
            f"{wording.escape(baghouse.day.baghouse.limit_source)}. The bag maker's data sheet "
            "decides."
        )
    return f"{table}\n\n{note}"


def _temperature_line(one: InletTag, limits: Sequence[float], scale: Scale) -> list[str]:
    above = [wording.measure(one.minutes_above(limit), "min", 0) for limit in limits]
    place = str(one.compartment) if one.compartment else "all"
    return [wording.escape(one.tag), place, scale.show(one.highest_c), *above]
