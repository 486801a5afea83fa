"""What the report of a range keeps of each of its days: little, however long the range is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import polars as pl

import rowcall
from rowcall.day_report import DayReport
from rowcall.model import FACT_COLUMNS, Case, Limits, Rule, Subject, Urgency, Verdict
from rowcall.site import Site
from rowcall.site.meaning import settings_of
from rowcall.units import find_unit
from rowcall_reports import wording

Said = tuple[Verdict, Urgency | None]
Verdicts = Mapping[tuple[str, Subject], Said]  # by rule and place
FACTS = {"day": pl.Date, "baghouse": pl.String, **FACT_COLUMNS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What the judgement of a day rests on; None where it is not known.

    Attributes:
        settings: every limit and key of the site file that decides a verdict, in words.
        files: names of the exports that brought its samples, by their SHA-256.
    """

    version: str | None = None
    settings: Mapping[str, str] | None = None
    files: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class JudgedDay:
    """The verdicts of a day and what they rest on."""

    verdicts: Verdicts
    basis: Basis


@dataclass(frozen=True, slots=True)
class OtherRun:
    """The judgements that a range is held against; `name` as in "against the nightly record"."""

    name: str
    days: Mapping[date, JudgedDay]


@dataclass(slots=True)
class RangeDays:
    """The days of a range as judged, gathered one by one.

    Attributes:
        settings: as `Basis` has them, the same on all its days.
        changed_settings: those that were tried, as given.
        facts: of baghouses and headers, a frame a day, columns `FACTS`.
        cases: as they stood on the last day on which they were listed, by id.
        found: the days on which each was found.
    """

    site: Site
    rules: Sequence[Rule]
    settings: Mapping[str, str]
    changed_settings: Mapping[str, str]
    days: dict[date, JudgedDay] = field(default_factory=dict)
    facts: list[pl.DataFrame] = field(default_factory=list)
    cases: dict[str, Case] = field(default_factory=dict)
    found: dict[str, list[date]] = field(default_factory=dict)

    def add(self, report: DayReport) -> None:
        """Keep what the range's report says of a day."""
        verdicts = {
            (one.rule, one.answer.subject): (one.answer.verdict, one.answer.urgency)
            for one in report.findings
        }
        files = {note.sha256: note.name for note in report.files}
        basis = Basis(version=rowcall.__version__, settings=self.settings, files=files)
        self.days[report.day] = JudgedDay(verdicts, basis)
        self.facts += [
            day.facts.filter(pl.col("row") == 0).select(
                pl.lit(report.day).alias("day"),
                pl.lit(day.baghouse.id).alias("baghouse"),
                *FACT_COLUMNS,
            )
            for day in report.baghouses
        ]
        for case in report.cases:
            self.cases[case.id] = case
            if case.found_today:
                self.found.setdefault(case.id, []).append(report.day)

    @property
    def all_facts(self) -> pl.DataFrame:
        """The facts of all days, columns `FACTS`."""
        return pl.concat([pl.DataFrame(schema=FACTS), *self.facts])


def settings_in_words(
    site: Site, rules: Sequence[Rule], limits: Mapping[str, Limits]
) -> dict[str, str]:
    """Return every limit (`rule.key`) and key of a baghouse (`id: key`) that decides a verdict."""
    words = {
        f"{rule.name}.{limit.key}": _amount(limits[rule.name][limit.key], limit.text)
        for rule in rules
        for limit in rule.thresholds
    }
    for house in site.baghouse:
        words |= {f"{house.id}: {key}": value for key, value in settings_of(house).items()}
    return words


def _amount(value: float, as_in: str) -> str:
    """Return an inside value in the unit of another quantity's text."""
    _, _, code = as_in.partition(" ")
    shown = wording.significant(find_unit(code.strip() or "1").from_inside(value), 6)
    return f"{shown} {code}".strip()
