"""What becomes of a baghouse-day: studied, judged and reported, or how that failed."""

from __future__ import annotations

import traceback
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from random import Random

import polars as pl
from helpers.day_pages import all_pages
from helpers.odd_days.odd_day import OddDay
from helpers.scene_road import study_from

from rowcall.day_report import DayReport
from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import BaghouseDay, Finding, History
from rowcall.runs.judge import verdict_table
from rowcall_reports.figures.all_pictures import draw
from rowcall_reports.tables.findings import findings_frame

RULES = load_rules()
LIMITS = limits_in_force(RULES, {})


@dataclass(frozen=True, slots=True)
class Outcome:
    """How often each verdict came out, or where it failed (`kind`) and the traceback."""

    verdicts: Sequence[str] = ()
    kind: str = ""
    failure: str = ""


def judge_odd(odd: OddDay, rng: Random, *, pictured: bool) -> Outcome:
    """Study and judge a day, without a history and with one, and write its report.

    A RuntimeWarning counts as a failure: it says that a number came of nothing.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            found = _judged(odd, History(), pictured=pictured)
            days, findings = found
            verdicts = [finding.answer.verdict.value for finding in findings]
            if rng.random() < 0.5:
                past = _past(days, findings, rng)
                _judged(odd, past, pictured=pictured)
        except Exception as error:  # whatever it is, it is what this looks for
            last = traceback.extract_tb(error.__traceback__)
            own = [
                frame for frame in last if "rowcall" in frame.filename.split("site-packages")[-1]
            ]
            own = [frame for frame in own if "/tests/" not in frame.filename] or list(last)
            place = f"{own[-1].filename.rpartition('/')[2]}:{own[-1].lineno}"
            return Outcome((), f"{type(error).__name__} at {place}", traceback.format_exc())
    return Outcome(verdicts)


def _judged(odd: OddDay, history: History, *, pictured: bool) -> tuple[BaghouseDay, list[Finding]]:
    day = study_from(odd.read, odd.baghouse, odd.day, odd.site.plant.zone, history)
    findings = diagnose(RULES, LIMITS, [day])
    report = DayReport(
        site=odd.site,
        day=odd.day,
        baghouses=(day,),
        findings=tuple(findings),
        rules=RULES,
        limits=LIMITS,
    )
    all_pages(report, draw(report) if pictured else ())
    findings_frame(report)
    return day, findings


def _past(day: BaghouseDay, findings: Sequence[Finding], rng: Random) -> History:
    """Return days before with about the same facts, some of them missing or zero."""
    facts, verdicts = [], []
    table = day.facts
    for back in range(rng.choice((1, 7, 30, 60)), 0, -1):
        when = pl.lit(day.day - timedelta(days=back)).alias("day")
        factor = rng.choice((1.0, 1.0, 1.001, 0.99, 1.3, 1e-3))
        kept = table.sample(fraction=rng.choice((1.0, 1.0, 0.5)), seed=rng.randrange(2**31))
        facts.append(kept.select(when, *table.columns).with_columns(pl.col("value") * factor))
        verdicts.append(verdict_table(day.baghouse.id, findings).with_columns(when))
    return History(pl.concat(facts), pl.concat(verdicts))
