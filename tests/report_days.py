"""A judged day for the tests of the reports: an invented plant with known faults.

Kiln baghouse BH1 (2 compartments of 12 rows): row 4 of compartment 1 silent for 9 days, row 9 of
compartment 2 drawn out since yesterday, residual DP rising, inlet briefly over its continuous
limit, compartment 2 slow in the afternoon, row 11 of both compartments not judged. Mill baghouse
BH2 (1 compartment of 8 rows): all clear.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from rowcall.day_report import DayReport, FileNote
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Finding,
    Limits,
    Quantity,
    Rule,
    Subject,
    TagHealth,
    Threshold,
    Urgency,
    Verdict,
)
from rowcall.site import Role, Site
from rowcall.units import Dimension, parse_quantity

DAY = date(2026, 11, 24)
START = datetime(2026, 11, 23, 23, tzinfo=UTC)  # midnight in Vienna
ODD_NAME = "a|b<script>"
SILENT, DRAWN_OUT = (1, 4), (2, 9)
FACT_SCHEMA = {"compartment": pl.Int64, "row": pl.Int64, "name": pl.String, "value": pl.Float64}
HISTORY_SCHEMA = {"day": pl.Date, **FACT_SCHEMA}
Fact = tuple[int, int, str, float]


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
            "plant": {"name": "Larkfield Lime", "time_zone": "Europe/Vienna", **plant},
            "baghouse": [kiln, mill],
        }
    )


def _never(day: BaghouseDay, limits: Limits) -> list[Answer]:
    raise AssertionError("reports must not judge")


def _rule(name: str, title: str, *thresholds: Threshold, **more: Any) -> Rule:
    defaults: dict[str, Any] = {
        "looks_for": title,
        "needs": (),
        "check_first": ("listen to the row on a manual step", "swap the coil with its neighbour"),
        "confused_with": "a row that was not called",
        "cautions": (Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT),
        "references": (),
        "judge": _never,
    }
    return Rule(name=name, title=title, thresholds=thresholds, **{**defaults, **more})


def rules() -> tuple[Rule, ...]:
    """Return rules with the names of the real ones and judges that must not be called."""
    common = "common practice, no source"
    return (
        _rule(
            "row_silent",
            "Row does not fire",
            Threshold("share_heard", "50 %", Dimension.RATIO, "least share of calls", common),
        ),
        _rule("row_drawn_out", "Row's valve closes late"),
        _rule(
            "slow_header_recovery",
            "Header refills slowly",
            Threshold("longest", "15 s", Dimension.TIME, "95 % made good within", common),
            confused_with="",
            check_first=("drain the header", "read the regulator"),
        ),
        _rule(
            "temperature_excursion",
            "Inlet over the limit of the bags",
            cautions=(Caution.HOT,),
        ),
        _rule("rising_baseline_dp", "Residual DP rises", cautions=(Caution.BREATHING,)),
    )


def _answers_of_rows(baghouse: str, places: list[tuple[int, int]]) -> list[Finding]:
    out = []
    for compartment, row in places:
        for rule, bad in (("row_silent", SILENT), ("row_drawn_out", DRAWN_OUT)):
            subject = Subject(baghouse, compartment, row)
            if baghouse == "BH1" and (compartment, row) == bad:
                continue
            if baghouse == "BH1" and row == 11:
                answer = Answer.cannot_tell(subject, "only 12 of its 240 pulses were heard")
            else:
                answer = Answer.clear(subject, "Drop as its peers.")
            out.append(Finding(DAY, rule, answer))
    return out


def findings() -> tuple[Finding, ...]:
    """Return every answer of the day."""
    found = [
        _found(
            "rising_baseline_dp",
            Subject("BH1"),
            Urgency.WATCH,
            "Residual DP rose by 0.24 kPa in 30 days at the same gas flow.",
            "Plan a bag sample; mend silent rows first and watch a day.",
        ),
        _found(
            "row_silent",
            Subject("BH1", *SILENT),
            Urgency.NOW,
            "No drop after any of 240 calls; its neighbours drop 1.6 bar.",
            "Step row 4 by hand; check coil and wire, then both diaphragms.",
        ),
        _found(
            "row_drawn_out",
            Subject("BH1", *DRAWN_OUT),
            Urgency.NEXT_OUTAGE,
            "Drop 158 % of its peers and lowest 0.9 s after the call (peers 0.2 s).",
            "Renew both diaphragms of row 9 and clean the seat.",
        ),
        _found(
            "temperature_excursion",
            Subject("BH1"),
            Urgency.NOW,
            "Inlet 22 min above the continuous limit of 135 °C, highest 148 °C.",
            "Ask the kiln what happened at 14:00; look for shrunken or stiff bags.",
        ),
        _untold(
            "slow_header_recovery",
            Subject("BH1", 1),
            "only 12 pulses to follow",
        ),
        _clear("slow_header_recovery", Subject("BH1", 2)),
        _clear("slow_header_recovery", Subject("BH2", 1)),
        _clear("rising_baseline_dp", Subject("BH2")),
    ]
    kiln = [(c, r) for c in (1, 2) for r in range(1, 13)]
    mill = [(1, r) for r in range(1, 9)]
    return (*found, *_answers_of_rows("BH1", kiln), *_answers_of_rows("BH2", mill))


def _found(rule: str, subject: Subject, urgency: Urgency, text: str, action: str) -> Finding:
    return Finding(
        DAY,
        rule,
        Answer(
            subject=subject,
            verdict=Verdict.FOUND,
            text=text,
            action=action,
            urgency=urgency,
            start=START + timedelta(hours=2),
            end=START + timedelta(hours=20),
            values=(Quantity("drop_pa", 1234.5, "Pa"), Quantity("ratio", float("nan"), "1")),
        ),
    )


def _clear(rule: str, subject: Subject) -> Finding:
    return Finding(DAY, rule, Answer.clear(subject, "As usual."))


def _untold(rule: str, subject: Subject, text: str) -> Finding:
    return Finding(DAY, rule, Answer.cannot_tell(subject, text))


def _minutes(rng: np.random.Generator, heat: bool) -> pl.DataFrame:
    minute = np.arange(1440)
    dp = 1200 + 300 * ((minute % 22) / 22) + rng.normal(0, 12, 1440)
    stopped = (minute >= 360) & (minute < 420)
    dp[stopped] = 15.0
    columns: dict[str, Any] = {
        "minute": minute,
        "state": np.where(stopped, "idle", "running"),
        "dp_pa": dp,
    }
    if heat:
        bump = 27 * np.exp(-(((minute - 840) / 14) ** 2))
        columns["inlet_temperature_c"] = 124 + 4 * np.sin(minute / 200) + bump
    return pl.DataFrame(columns).with_columns(pl.col("minute").cast(pl.Int64))


def _cycles() -> pl.DataFrame:
    start = np.arange(0, 86400 - 1320, 1320.0)
    start = start[(start < 20000) | (start > 25200)]
    n = len(start)
    return pl.DataFrame(
        {
            "start_s": start,
            "end_s": start + 1320,
            "residual_dp_pa": 1200 + 20 * np.sin(np.arange(n)),
            "peak_dp_pa": np.full(n, 1500.0),
            "cycle_time_s": np.full(n, 1320.0),
            "n_pulses": np.full(n, 24),
            "flow_m3_s": np.full(n, 42.0),
            "state_running": np.full(n, True),
        }
    )


def _facts(rng: np.random.Generator, rows: tuple[int, ...], ago: int) -> list[Fact]:
    """Return the facts of one day, `ago` days before the reported one."""
    whole = {
        "residual_dp_pa": 1440.0 - 2.6 * ago + rng.normal(0, 12),
        "peak_dp_pa": 1500.0,
        "cycle_time_s": 1320.0 + 4 * ago,
        "n_cycles": 62.0,
        "n_pulses": 1490.0,
        "flow_m3_s": 42.0,
        "residual_drag": 79000.0 - 150 * ago,
        "running_min": 1380.0,
    }
    out: list[Fact] = [(0, 0, name, float(value)) for name, value in whole.items()]
    for compartment, n_rows in enumerate(rows, start=1):
        out += [(compartment, 0, "tau_s", 1.9), (compartment, 0, "before_pa", 5.9e5)]
        out += [(compartment, 0, "n_pulses", 730.0), (compartment, 0, "clock_offset_s", 1.4)]
        for hour in range(24):
            slow = 2.4 if compartment == 2 and 12 <= hour <= 17 else 0.0
            tau = 1.9 + slow + rng.normal(0, 0.08)
            out.append((compartment, 0, f"tau_s_h{hour:02d}", float(tau)))
        for row in range(1, n_rows + 1):
            out += _row_facts(rng, compartment, row, ago, n_rows)
    return out


def _row_facts(
    rng: np.random.Generator, compartment: int, row: int, ago: int, n_rows: int
) -> list[Fact]:
    ratio, answered, delay = 1 + rng.normal(0, 0.04), 240.0, 0.2
    if n_rows == 12 and (compartment, row) == SILENT and ago < 9:
        ratio, answered = 0.0, 0.0
    if n_rows == 12 and (compartment, row) == DRAWN_OUT:
        ratio, delay = (1.58, 0.9) if ago < 2 else (1.0 + 0.02 * max(0, 15 - ago), 0.2)
    if n_rows == 12 and (compartment, row) == (2, 2):
        ratio = 0.62 + 0.012 * ago
    if row == 11 and ago < 5:
        ratio = float("nan")
    numbers = {
        "n_called": 240.0,
        "n_heard": 240.0,
        "n_answered": answered,
        "drop_pa": 1.6e5 * ratio,
        "drop_ratio": ratio,
        "min_delay_s": delay,
        "tau_s": 1.9 + 0.02 * row,
    }
    return [(compartment, row, name, float(value)) for name, value in numbers.items()]


def _history(rng: np.random.Generator, rows: tuple[int, ...], days: int) -> pl.DataFrame:
    lines: list[tuple[date, int, int, str, float]] = []
    for ago in range(days, 0, -1):
        when = DAY - timedelta(days=ago)
        if ago == 20:  # the unit stood still for a day
            continue
        facts = [fact for fact in _facts(rng, rows, ago) if ago <= 30 or fact[1] == 0]
        lines += [(when, *fact) for fact in facts]
        for compartment, n_rows in enumerate(rows, start=1):
            for row in range(1, n_rows + 1):
                lines += _past_verdicts(when, compartment, row, ago, n_rows)
    return pl.DataFrame(lines, schema=HISTORY_SCHEMA, orient="row")


def _past_verdicts(
    when: date, compartment: int, row: int, ago: int, n_rows: int
) -> list[tuple[date, int, int, str, float]]:
    silent = n_rows == 12 and (compartment, row) == SILENT and ago < 9
    drawn = n_rows == 12 and (compartment, row) == DRAWN_OUT and ago < 2
    unknown = row == 11 and ago < 5
    verdicts = {"verdict_silent": silent, "verdict_drawn_out": drawn}
    return [
        (when, compartment, row, name, float("nan") if unknown else float(found))
        for name, found in verdicts.items()
    ]


def _health() -> tuple[TagHealth, ...]:
    good: dict[str, Any] = {"n_bad": 0, "n_out_of_range": 0, "coverage_frac": 1.0}
    tags = [
        TagHealth("LK.BH1.PDT_01", Role.DP, 0, 0, n_points=17280, step_s=5.0, **good),
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
    rng = np.random.default_rng(20261124 + index)
    house = the_site.baghouse[index]
    history = _history(rng, house.rows, days)
    facts = pl.DataFrame(_facts(rng, house.rows, 0), schema=FACT_SCHEMA, orient="row")
    good: dict[str, Any] = {"n_bad": 0, "n_out_of_range": 0, "coverage_frac": 1.0}
    own = (TagHealth("LK.BH2.PDT_01", Role.DP, 0, 0, n_points=1440, step_s=60.0, **good),)
    return BaghouseDay(
        day=DAY,
        start=START,
        end=START + timedelta(days=1),
        baghouse=house,
        signals={},
        health=_health() if index == 0 else own,
        minutes=_minutes(rng, heat=index == 0),
        pulses=pl.DataFrame(),
        cycles=_cycles(),
        facts=facts,
        history=history,
    )


def limits() -> Mapping[str, Limits]:
    """Return the limits in force: the defaults, one of them changed."""
    out: dict[str, Limits] = {}
    for rule in rules():
        out[rule.name] = {t.key: parse_quantity(t.text, t.dimension) for t in rule.thresholds}
    return {**out, "row_silent": {"share_heard": 0.4}}


def report(**plant: str) -> DayReport:
    """Return the whole judged day."""
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
        open_since={
            ("row_silent", Subject("BH1", *SILENT)): date(2026, 11, 16),
            ("rising_baseline_dp", Subject("BH1")): date(2026, 11, 10),
            ("row_drawn_out", Subject("BH1", *DRAWN_OUT)): date(2026, 11, 23),
        },
        files=(note,),
    )


def empty_report() -> DayReport:
    """Return a day on which no tag brought a point."""
    full = report()
    silence: dict[str, Any] = {
        "n_points": 0,
        "n_bad": 0,
        "coverage_frac": 0.0,
        "step_s": float("nan"),
    }
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
            minutes=pl.DataFrame(),
            cycles=pl.DataFrame(),
            facts=pl.DataFrame(schema=FACT_SCHEMA),
            history=pl.DataFrame(schema=HISTORY_SCHEMA),
        )
        for day in full.baghouses
    )
    untold = tuple(
        _untold("row_silent", Subject("BH1", c, r), "no data for this day")
        for c in (1, 2)
        for r in range(1, 13)
    )
    return replace(full, baghouses=days, findings=untold, files=(), open_since={})
