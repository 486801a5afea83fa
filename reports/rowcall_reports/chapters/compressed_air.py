"""The chapter about compressed air: intervals, pulse lengths, pressures and air by header."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence

from rowcall.diagnosis.headers import HOURS_A_YEAR, headers_of
from rowcall.model import BaghouseDay, Fact, FactBook
from rowcall.units import Units
from rowcall_reports import wording

_EVEN = 0.9  # chosen: a round more or less, of a day's rounds, is no unevenness
_NOTE = (
    "Free air is that of an ideal gas at constant temperature and a standard atmosphere; a header "
    "emptied within a tenth of a second cools and gives up to 29 % less."
)


Write = Callable[[FactBook, int, Units], str]  # one number, from the facts of a header


def _quantity(fact: Fact, scale_of: wording.ScaleOf) -> Write:
    return lambda facts, header, units: wording.quantity(facts.of(fact, header), scale_of(units))


def _cycle_loss(facts: FactBook, header: int, units: Units) -> str:
    loss, share = (facts.of(f, header) for f in (Fact.CYCLE_LOSS_PA, Fact.CYCLE_LOSS_SHARE))
    if math.isnan(loss) or math.isnan(share):
        return wording.NO_VALUE
    # Of a header that is back in time only noise is left, of either sign.
    return f"{units.pressure.show(max(loss, 0.0))} ({wording.percent(max(share, 0.0))})"


_COLUMNS: Sequence[tuple[str, Write]] = (
    ("Between pulses", _quantity(Fact.INTERVAL_S, wording.fixed("s", 1))),
    ("Pulse length", _quantity(Fact.PULSE_LENGTH_S, wording.fixed("ms", 0, 1e-3))),
    ("Plateau", _quantity(Fact.PLATEAU_PA, lambda units: units.gauge)),
    ("Shortfall at the next pulse", _quantity(Fact.SHORTFALL_PA, lambda units: units.pressure)),
    ("Pressure loss over a cleaning cycle", _cycle_loss),
    ("Idle", _quantity(Fact.IDLE_PA, lambda units: units.gauge)),
    ("Free air per pulse", _quantity(Fact.FREE_AIR_M3, lambda units: units.air)),
    ("Free air that day", _quantity(Fact.FREE_AIR_DAY_M3, lambda units: units.air)),
)


def write_headers(day: BaghouseDay, facts: FactBook, off: Collection[tuple[int, int]] = ()) -> str:
    """Return the table of the headers and what stands beside it, '' when nothing is known.

    Columns without any value are left out.

    off: rows that were off on purpose.
    """
    headers = headers_of(day)
    units = day.units
    written = [
        (head, [write(facts, header, units) for header in headers]) for head, write in _COLUMNS
    ]
    shown = [column for column in written if set(column[1]) - {wording.NO_VALUE}]
    if not shown:
        return ""
    lines = [
        [str(header) if header else "all", *(cells[n] for _, cells in shown)]
        for n, header in enumerate(headers)
    ]
    table = wording.table(
        ["Header", *(head for head, _ in shown)], lines, right=range(1, len(shown) + 1)
    )
    parts = [
        table,
        _settings(day, facts, off),
        *(_loss(facts, header, units) for header in headers),
    ]
    free_air = (Fact.FREE_AIR_M3, Fact.DECAY_M3_S)
    if any((fact, header, 0) in facts for fact in free_air for header in headers):
        parts.append(_NOTE)
    return "\n\n".join(part for part in parts if part)


def _settings(day: BaghouseDay, facts: FactBook, off: Collection[tuple[int, int]]) -> str:
    """What was found against what the site file sets."""
    house = day.baghouse
    parts = []
    if (Fact.ROW_INTERVAL_S, 0, 0) in facts:
        parts.append(
            f"A row every {wording.measure(facts.of(Fact.ROW_INTERVAL_S), 's', 1)}; set "
            f"{wording.measure(house.cleaning.interval, 's', 1)}."
        )
    if any(fact is Fact.PULSE_LENGTH_S for fact, _, _ in facts):
        parts.append(f"Pulse length set: {wording.measure(house.pulse_time, 'ms', 0, 1e-3)}.")
    if house.pulse_pressure is not None:
        parts.append(f"Pulse pressure set: {day.units.gauge.show(house.pulse_pressure)}.")
    return " ".join([*parts, *_uneven(facts, off)])


def _uneven(facts: FactBook, off: Collection[tuple[int, int]]) -> list[str]:
    """The row that was sent the fewest pulses against its peers."""
    shares = [
        (share, compartment, row)
        for (fact, compartment, row), share in facts.items()
        if fact is Fact.SENT_SHARE and (compartment, row) not in off
    ]
    if not shares:
        return []
    share, compartment, row = min(shares)
    if share >= _EVEN:
        return [f"Every row was sent at least {wording.percent(share)} of a typical row's pulses."]
    return [
        f"Fewest pulses: compartment {compartment}, row {row}, {wording.percent(share)} of a "
        "typical row's."
    ]


def _loss(facts: FactBook, header: int, units: Units) -> str:
    """What a header lost while nothing pulsed."""
    tau, loss = facts.of(Fact.DECAY_TAU_S, header), facts.of(Fact.DECAY_PA_S, header)
    if math.isnan(tau) or math.isnan(loss):
        return ""
    flow, lost = facts.of(Fact.DECAY_M3_S, header), ""
    if math.isfinite(flow):
        yearly = units.air.show(3600 * flow * HOURS_A_YEAR, -1)
        lost = f", {units.air_flow.show(flow, -1)} or {yearly} a year at that rate"
    return (
        f"Header {header or 'of all'} lost pressure while nothing pulsed: "
        f"{units.pressure.show(60 * loss, 1)} a minute at first, time constant "
        f"{wording.duration(tau)}{lost}."
    )
