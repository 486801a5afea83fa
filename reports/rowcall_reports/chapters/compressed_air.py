"""The chapter about compressed air: intervals, pulse lengths, pressures and air by header."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence

from rowcall.diagnosis.headers import HOURS_A_YEAR, headers_of
from rowcall.model import BaghouseDay, Fact, FactBook
from rowcall_reports import wording

_EVEN = 0.9  # chosen: a round more or less, of a day's rounds, is no unevenness
_NOTE = (
    "Free air is that of an ideal gas at constant temperature and 1013 mbar; a header emptied "
    "within a tenth of a second cools and gives up to 29 % less."
)


Write = Callable[[FactBook, int], str]  # one number, from the facts of a header


def _measured(fact: Fact, unit: str, digits: int, scale: float = 1.0) -> Write:
    return lambda facts, header: wording.measure(facts.of(fact, header), unit, digits, scale)


def _cycle_loss(facts: FactBook, header: int) -> str:
    loss, share = (facts.of(f, header) for f in (Fact.CYCLE_LOSS_PA, Fact.CYCLE_LOSS_SHARE))
    if math.isnan(loss) or math.isnan(share):
        return wording.NO_VALUE
    # Of a header that is back in time only noise is left, of either sign.
    return f"{wording.measure(max(loss, 0.0), 'bar', 2, 1e5)} ({wording.percent(max(share, 0.0))})"


_COLUMNS: Sequence[tuple[str, Write]] = (
    ("Between pulses", _measured(Fact.INTERVAL_S, "s", 1)),
    ("Pulse length", _measured(Fact.PULSE_LENGTH_S, "ms", 0, 1e-3)),
    ("Plateau", _measured(Fact.PLATEAU_PA, "bar gauge", 2, 1e5)),
    ("Shortfall at the next pulse", _measured(Fact.SHORTFALL_PA, "bar", 2, 1e5)),
    ("Pressure loss over a cleaning cycle", _cycle_loss),
    ("Idle", _measured(Fact.IDLE_PA, "bar gauge", 2, 1e5)),
    ("Free air per pulse", _measured(Fact.FREE_AIR_M3, "m³", 3)),
    ("Free air that day", _measured(Fact.FREE_AIR_DAY_M3, "m³", 0)),
)


def write_headers(day: BaghouseDay, facts: FactBook, off: Collection[tuple[int, int]] = ()) -> str:
    """Return the table of the headers and what stands beside it, '' when nothing is known.

    Columns without any value are left out.

    off: rows that were off on purpose.
    """
    headers = headers_of(day)
    written = [(head, [write(facts, header) for header in headers]) for head, write in _COLUMNS]
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
    parts = [table, _settings(day, facts, off), *(_loss(facts, header) for header in headers)]
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
        parts.append(f"Pulse pressure set: {wording.bar_gauge(house.pulse_pressure)}.")
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


def _loss(facts: FactBook, header: int) -> str:
    """What a header lost while nothing pulsed."""
    tau, loss = facts.of(Fact.DECAY_TAU_S, header), facts.of(Fact.DECAY_PA_S, header)
    if math.isnan(tau) or math.isnan(loss):
        return ""
    flow = 3600 * facts.of(Fact.DECAY_M3_S, header)
    lost = (
        f", {wording.significant(flow, 2)} m³ of free air an hour or "
        f"{wording.significant(flow * HOURS_A_YEAR, 2)} m³ a year at that rate"
        if math.isfinite(flow)
        else ""
    )
    return (
        f"Header {header or 'of all'} lost pressure while nothing pulsed: "
        f"{wording.measure(60 * loss, 'bar', 3, 1e5)} a minute at first, time constant "
        f"{wording.duration(tau)}{lost}."
    )
