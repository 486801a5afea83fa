"""Days of facts that rules of sensors look at: no signals, no files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import polars as pl
from helpers.scenes import history_of

from rowcall.model import FACT_COLUMNS, VERDICT_COLUMNS, BaghouseDay, Fact, History
from rowcall.site import Baghouse, Cleaning, Role, Sample, Tag

DAY = date(2026, 11, 26)
UNITS = {
    Role.DP: "Pa",
    Role.GAS_FLOW: "m3/h",
    Role.INLET_TEMPERATURE: "Cel",
    Role.OUTLET_TEMPERATURE: "Cel",
    Role.HEADER_PRESSURE: "bar",
    Role.SUPPLY_PRESSURE: "bar",
}


def tag(role: Role, compartment: int | None = None, sample: Sample = Sample.AT_INTERVALS) -> Tag:
    """Return a tag named after its role and place."""
    name = f"{role.name}-{compartment or 0}"
    return Tag(role=role, tag=name, unit=UNITS[role], compartment=compartment, sample=sample)


def house(*tags: Tag, compartments: int = 2) -> Baghouse:
    """Return a baghouse with these tags."""
    return Baghouse(
        id="BH1",
        name="Kiln filter",
        compartments=compartments,
        rows_per_compartment=(6,),
        cleaning=Cleaning(mode="on_time"),
        tag=tags,
    )


def fact_day(
    baghouse: Baghouse,
    today: Mapping[tuple[Fact, int], float],
    past: Mapping[tuple[Fact, int], Sequence[float]] | None = None,
) -> BaghouseDay:
    """Return a day of facts by (fact, compartment), and those of the days before, oldest first."""
    lines = [(place, 0, fact.column, value) for (fact, place), value in today.items()]
    before = [
        history_of({fact: values}, DAY, (place, 0)).facts
        for (fact, place), values in (past or {}).items()
    ]
    empty = pl.DataFrame()
    return BaghouseDay(
        day=DAY,
        start=datetime(2026, 11, 26, tzinfo=UTC),
        end=datetime(2026, 11, 27, tzinfo=UTC),
        baghouse=baghouse,
        signals={},
        health=(),
        minutes=empty,
        pulses=empty,
        cycles=empty,
        facts=pl.DataFrame(lines, schema=FACT_COLUMNS, orient="row"),
        history=History(pl.concat(before)) if before else History(),
    )


def found_before(
    day: BaghouseDay, rule: str, days_ago: Sequence[int], compartment: int = 0
) -> BaghouseDay:
    """Return the day with findings of a rule on days before; compartment 0: the whole baghouse."""
    lines = [(DAY - timedelta(days=n), rule, compartment, 0, "found", "now") for n in days_ago]
    verdicts = pl.DataFrame(lines, schema=VERDICT_COLUMNS, orient="row")
    return replace(day, history=replace(day.history, verdicts=verdicts))
