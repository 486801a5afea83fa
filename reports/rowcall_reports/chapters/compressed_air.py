"""The chapter about compressed air: intervals, pulse times, plateau, sag and air of each header."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rowcall.diagnosis.headers import HOURS_A_YEAR, headers_of
from rowcall.model import BaghouseDay
from rowcall_reports import fact_lookup, wording

_EVEN = 0.9  # chosen: a round more or less, of a day's rounds, is no unevenness
_NOTE = (
    "Free air is that of an ideal gas at constant temperature and 1013 mbar; a header emptied "
    "within a tenth of a second cools and gives up to a third less."
)


@dataclass(frozen=True, slots=True)
class _Column:
    """One number of each header: its heading, and how it is written from the facts of a place."""

    head: str
    write: Callable[[fact_lookup.Facts, int], str]


def _measured(name: str, unit: str, digits: int, scale: float = 1.0) -> Callable[..., str]:
    return lambda now, header: wording.measure(now.get((name, header, 0)), unit, digits, scale)


def _sag(now: fact_lookup.Facts, header: int) -> str:
    sag, share = (now.get((name, header, 0)) for name in ("sag_pa", "sag_share"))
    if sag is None or share is None:
        return wording.NO_VALUE
    # Of a header that is back in time only noise is left, of either sign.
    return f"{wording.measure(max(sag, 0.0), 'bar', 2, 1e5)} ({wording.percent(max(share, 0.0))})"


_COLUMNS: Sequence[_Column] = (
    _Column("Between pulses", _measured("interval_s", "s", 1)),
    _Column("95 % made good in", _measured("recovery_s", "s", 1)),
    _Column("On-time of bits", _measured("pulse_time_s", "ms", 0, 1e-3)),
    _Column("Plateau", _measured("plateau_pa", "bar gauge", 2, 1e5)),
    _Column("Missing at next pulse", _measured("left_pa", "bar", 2, 1e5)),
    _Column("Sag along a bout", _sag),
    _Column("Resting", _measured("rest_pa", "bar gauge", 2, 1e5)),
    _Column("Free air a pulse", _measured("free_air_m3", "m³", 3)),
    _Column("Free air that day", _measured("free_air_day_m3", "m³", 0)),
)


def write_headers(day: BaghouseDay) -> str:
    """Return the table of the headers and what stands beside it, '' when nothing is known.

    Columns without any value are left out.
    """
    now, headers = fact_lookup.today(day), headers_of(day)
    written = [[column.write(now, header) for header in headers] for column in _COLUMNS]
    shown = [
        (column.head, cells)
        for column, cells in zip(_COLUMNS, written, strict=True)
        if any(cell != wording.NO_VALUE for cell in cells)
    ]
    if not shown:
        return ""
    lines = [
        [str(header) if header else "all", *(cells[n] for _, cells in shown)]
        for n, header in enumerate(headers)
    ]
    table = wording.table(
        ["Header", *(head for head, _ in shown)], lines, right=range(1, len(shown) + 1)
    )
    parts = [table, _settings(day, now), *(_leak(now, header) for header in headers)]
    if any(
        (name, header, 0) in now for name in ("free_air_m3", "decay_m3_s") for header in headers
    ):
        parts.append(_NOTE)
    return "\n\n".join(part for part in parts if part)


def _settings(day: BaghouseDay, now: fact_lookup.Facts) -> str:
    """What was found against what the site file sets."""
    house = day.baghouse
    found = now.get(("row_interval_s", 0, 0))
    parts = []
    if found is not None:
        parts.append(
            f"A row every {wording.measure(found, 's', 1)}; set "
            f"{wording.measure(house.cleaning.interval, 's', 1)}."
        )
    if any(name == "pulse_time_s" for name, _, _ in now):
        parts.append(f"Pulse time set: {wording.measure(house.pulse_time, 'ms', 0, 1e-3)}.")
    if house.pulse_pressure is not None:
        parts.append(f"Pulse pressure set: {wording.bar_gauge(house.pulse_pressure)}.")
    return " ".join([*parts, *_uneven(now)])


def _uneven(now: fact_lookup.Facts) -> list[str]:
    """The row that was called least against its peers."""
    calls = [
        (share, compartment, row)
        for (name, compartment, row), share in now.items()
        if name == "called_share"
    ]
    if not calls:
        return []
    share, compartment, row = min(calls)
    if share >= _EVEN:
        return [f"Every row had at least {wording.percent(share)} of the calls of a usual row."]
    return [
        f"Called least: compartment {compartment}, row {row}, {wording.percent(share)} of the "
        "calls of a usual row."
    ]


def _leak(now: fact_lookup.Facts, header: int) -> str:
    """What a header lost while nothing fired."""
    tau, loss = (now.get((name, header, 0)) for name in ("decay_tau_s", "decay_pa_s"))
    if tau is None or loss is None:
        return ""
    flow = now.get(("decay_m3_s", header, 0), math.nan)
    lost = (
        f", {flow * 3600:.2g} m³ of free air an hour or "
        f"{float(f'{flow * 3600 * HOURS_A_YEAR:.2g}'):,.0f} m³ a year at that rate"
        if math.isfinite(flow)
        else ""
    )
    return (
        f"Header {header or 'of all'} lost pressure while nothing fired: "
        f"{wording.measure(60 * loss, 'bar', 3, 1e5)} a minute at first, time constant "
        f"{wording.duration(tau)}{lost}."
    )
