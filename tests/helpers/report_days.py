"""A judged day for the tests of the reports: an invented plant with known faults.

Kiln baghouse BH1 (2 compartments of 12 rows): row 4 of compartment 1 silent for 9 days, row 9 of
compartment 2 closing late since yesterday, residual DP rising, inlet briefly over its continuous
limit, compartment 2 slow in the afternoon, row 11 of both compartments not judged. Mill baghouse
BH2 (1 compartment of 8 rows): all clear.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from typing import Any

import polars as pl
from helpers.report_answers import findings, other_marks, rules, unjudged
from helpers.report_facts import (
    CLOSES_LATE,
    DAY,
    OTHER_FACTS,
    SILENT,
    START,
    Scatter,
    cycles,
    fact_table,
    facts_of_day,
    history_of,
    hours,
    inlet,
    minutes,
    other_stacks,
    stacks,
    with_facts,
)

from rowcall.day_report import DayReport
from rowcall.file_note import FileNote
from rowcall.model import (
    BaghouseDay,
    Case,
    Event,
    Finding,
    History,
    Limits,
    News,
    State,
    Subject,
    TagHealth,
    Verdict,
)
from rowcall.site import Role, Site
from rowcall.units import parse_quantity

ODD_NAME = "a|b<script>"


def site(**plant: str) -> Site:
    """Return the site of the invented plant."""
    kiln: dict[str, Any] = {
        "id": "BH1",
        "name": "Kiln baghouse",
        "compartments": 2,
        "rows_per_compartment": 12,
        "media": "polyester",
        "residual_dp_limit": "1.6 kPa",
        "cleaning": {"mode": "on_demand", "start_dp": "1.5 kPa", "stop_dp": "1.2 kPa"},
    }
    mill: dict[str, Any] = {
        "id": "BH2",
        "name": "Mill baghouse",
        "compartments": 1,
        "rows_per_compartment": 8,
        "cleaning": {"mode": "on_time", "interval": "20 s"},
    }
    return Site.model_validate(
        {
            "plant": {"name": "Ondravel Lime", "time_zone": "Europe/Vienna", **plant},
            "baghouse": [kiln, mill],
        }
    )


def _health() -> tuple[TagHealth, ...]:
    good: dict[str, Any] = {"n_bad": 0, "n_out_of_range": 0, "coverage_frac": 1.0}
    tags = [
        TagHealth("LK.BH1.PDT_01", Role.DP, 0, 0, n_points=17280, step_s=5.0, **good),
        *(
            TagHealth(
                f"LK.BH1.TT_0{n}", Role.INLET_TEMPERATURE, n, 0, n_points=1440, step_s=60.0, **good
            )
            for n in (1, 2)
        ),
        TagHealth("LK.BH1.PT_01", Role.HEADER_PRESSURE, 1, 0, n_points=86390, step_s=1.0, **good),
        TagHealth("LK.BH1.PT_02", Role.HEADER_PRESSURE, 2, 0, n_points=86391, step_s=1.0, **good),
    ]
    for compartment in (1, 2):
        for row in range(1, 13):
            dead = row == 11
            tags.append(
                TagHealth(
                    f"LK.BH1.YS_{compartment}{row:02d}",
                    Role.ROW_SOLENOID,
                    compartment,
                    row,
                    n_points=12 if dead else 480,
                    n_bad=468 if dead else 0,
                    n_out_of_range=0,
                    coverage_frac=0.03 if dead else 1.0,
                    step_s=180.0,
                    problem="468 of 480 points are bad" if dead else "",
                )
            )
    return tuple(tags)


def baghouse_day(the_site: Site, index: int, days: int = 90) -> BaghouseDay:
    """Return the day of one baghouse, with `days` days of history."""
    scatter = Scatter(1000 * index)
    house, is_kiln = the_site.baghouse[index], index == 0
    history = history_of(scatter, house.rows, days)
    good: dict[str, Any] = {"n_bad": 0, "n_out_of_range": 0, "coverage_frac": 1.0}
    own = (TagHealth("LK.BH2.PDT_01", Role.DP, 0, 0, n_points=1440, step_s=60.0, **good),)
    return BaghouseDay(
        day=DAY,
        start=START,
        end=START + timedelta(days=1),
        baghouse=house,
        signals={(Role.INLET_TEMPERATURE, n, 0): inlet(n) for n in (1, 2)} if is_kiln else {},
        health=_health() if is_kiln else own,
        minutes=minutes(scatter),
        pulses=pl.DataFrame(),
        cycles=cycles(),
        facts=fact_table(facts_of_day(scatter, house.rows, 0)),
        history=history,
        hours=hours(scatter, house.compartments),
        stacks=stacks(scatter, house.rows) if is_kiln else pl.DataFrame(),
        zone=the_site.plant.zone,
    )


def limits() -> Mapping[str, Limits]:
    """Return the limits in force: the defaults, one of them changed."""
    out: dict[str, Limits] = {}
    for rule in rules():
        out[rule.name] = {t.key: parse_quantity(t.text, t.dimension) for t in rule.thresholds}
    return {**out, "row_silent": {"share_judged": 0.4}}


OPENED = {
    ("row_silent", Subject("BH1", *SILENT)): date(2026, 11, 16),
    ("rising_residual_dp", Subject("BH1")): date(2026, 11, 10),
    ("row_closes_late", Subject("BH1", *CLOSES_LATE)): date(2026, 11, 23),
}


def cases_of(findings: Iterable[Finding]) -> tuple[Case, ...]:
    """Return a case for each thing found, of the day or open since `OPENED`."""
    return tuple(
        Case(
            id=f"{finding.rule}-{n}",
            family="valve",
            title="Valve of a row",
            subject=finding.answer.subject,
            state=State.OPEN,
            opened=(opened := OPENED.get((finding.rule, finding.answer.subject), DAY)),
            last_found=DAY,
            urgency=finding.answer.urgency,
            findings=(finding,),
            found_today=True,
            news=(News.OPENED,) if opened == DAY else (),
            history=(Event(opened, News.OPENED, ""),),
        )
        for n, finding in enumerate(findings)
        if finding.answer.verdict is Verdict.FOUND
    )


@cache
def report(**plant: str) -> DayReport:
    """Return the whole judged day, the same object for the same plant."""
    the_site = site(**plant)
    note = FileNote(
        name="LK_2026-11-24.csv",
        sha256="3f5a" * 16,
        rows_read=201_000,
        stored=200_000,
        replaced=0,
        unchanged=880,
        set_aside=120,
        first=START,
        last=START + timedelta(hours=24),
    )
    return DayReport(
        site=the_site,
        day=DAY,
        baghouses=tuple(baghouse_day(the_site, n) for n in range(len(the_site.baghouse))),
        findings=findings(),
        rules=rules(),
        limits=limits(),
        cases=cases_of(findings()),
        files=(note,),
    )


def sample() -> DayReport:
    """Return the judged day with one row of every mark."""
    full, more = report(), other_marks()
    marked = {(found.rule, found.answer.subject) for found in more}
    others = [f for f in full.findings if (f.rule, f.answer.subject) not in marked]
    kiln, mill = full.baghouses
    facts = with_facts(kiln.facts, OTHER_FACTS)
    kiln = replace(kiln, facts=facts, stacks=other_stacks(kiln.stacks))
    found = (*others, *more)
    return replace(full, baghouses=(kiln, mill), findings=found, cases=cases_of(found))


def empty_report() -> DayReport:
    """Return a day on which no tag brought a point."""
    full = report()
    days = tuple(
        replace(
            day,
            health=tuple(
                replace(
                    tag,
                    n_points=0,
                    n_bad=0,
                    coverage_frac=0.0,
                    step_s=float("nan"),
                    problem="no points",
                )
                for tag in day.health
            ),
            signals={},
            minutes=pl.DataFrame(),
            cycles=pl.DataFrame(),
            facts=day.facts.clear(),
            history=History(),
            hours=day.hours.clear(),
        )
        for day in full.baghouses
    )
    unknown = tuple(
        unjudged("row_silent", Subject("BH1", c, r), "no data for this day")
        for c in (1, 2)
        for r in range(1, 13)
    )
    return replace(full, baghouses=days, findings=unknown, files=(), cases=())
