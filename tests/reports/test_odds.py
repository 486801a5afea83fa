"""The trials that reports quote: complete, plausible, and quoted only where they apply."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from helpers import report_days
from helpers.day_pages import page_of
from helpers.odds_tables import as_tables
from helpers.report_answers import rules
from helpers.report_facts import DAY, SILENT, Line, fact_table

from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import (
    Answer,
    BaghouseDay,
    Fact,
    FactBook,
    Finding,
    Inferred,
    Lack,
    Subject,
    Verdict,
)
from rowcall.site import Baghouse, Role
from rowcall_reports.chapters import odds

FAULTS = {rule.name: rule.trial_fault for rule in rules() if rule.trial_fault}
ROWS = {"row_closes_late": [(1, 1), (1, 2), (1, 3)]}


def quoted(day: BaghouseDay, rows: dict[str, list[tuple[int, int]]]) -> str:
    return odds.quote(day, FactBook(day.facts), rows, FAULTS)


def coarse(step_s: float, sent: float, *more: Line) -> BaghouseDay:
    """The kiln baghouse with a header sampled every `step_s` and rows pulsed `sent` times."""
    day = report_days.report().baghouses[0]
    health = tuple(
        replace(tag, step_s=step_s) if tag.role is Role.HEADER_PRESSURE else tag
        for tag in day.health
    )
    lines: list[Line] = [(1, row, Fact.N_SENT, sent) for row in (1, 2, 3)]
    return replace(day, health=health, facts=fact_table([*lines, *more]))


def with_tag(role: str, sample: str, unit: str = "1", **more: object) -> BaghouseDay:
    """The coarse day of a site file with one tag."""
    tag = {"role": role, "sample": sample, "compartment": 1, "tag": "T", "unit": unit, **more}
    house = Baghouse.model_validate(
        {
            "id": "BH1",
            "name": "Kiln baghouse",
            "compartments": 2,
            "rows_per_compartment": 12,
            "tag": [tag],
            "cleaning": {"mode": "on_time", "interval": "20 s"},
        }
    )
    return replace(coarse(60.0, 45.0), baghouse=house)


def test_trials_are_of_the_rules_that_name_their_fault() -> None:
    named = {rule.name for rule in load_rules() if rule.trial_fault}
    for cell in odds.read_odds().cells:
        assert set(cell.found) == set(cell.unjudged) == named


def test_every_cell_is_there_once() -> None:
    cells = odds.read_odds().cells
    steps, pulses, noises = (
        sorted({getattr(c, name) for c in cells}) for name in ("step_s", "pulses", "noise")
    )
    assert steps == [0.5, 1, 2, 5, 10, 30, 60]
    assert pulses == [20, 50, 200, 700]
    assert noises == [0.002, 0.01]
    met = [(c.step_s, c.pulses, c.noise) for c in cells]
    assert sorted(met) == sorted(itertools.product(steps, pulses, noises))


def test_counts_lie_within_their_numbers() -> None:
    known = odds.read_odds()
    assert known.headers >= 20
    for cell in known.cells:
        assert all(0 <= n <= known.headers for n in cell.found.values())
        assert all(0 <= n <= known.healthy for n in (*cell.unjudged.values(), cell.false))


def test_finer_sampling_and_more_pulses_find_more() -> None:
    known = odds.read_odds()
    for rule in (rule.name for rule in load_rules() if rule.trial_fault):
        best, worst = known.near(0.5, 700, 0.002), known.near(60.0, 20, 0.01)
        assert best.found[rule] > worst.found[rule]
        assert best.unjudged[rule] < worst.unjudged[rule]


def test_nearest_cell_is_sought_on_logarithmic_scales() -> None:
    cell = odds.read_odds().near(3.3, 110.0, 0.0044)
    assert (cell.step_s, cell.pulses, cell.noise) == (5.0, 200, 0.002)


def test_a_coarse_header_is_quoted_with_what_a_finer_one_would_find() -> None:
    known = odds.read_odds()
    text = quoted(coarse(60.0, 45.0), ROWS)
    at, finer = known.near(60.0, 50, 0.002), known.near(1.0, 50, 0.002)
    assert (
        "With header pressure sampled every 60 s, 50 pulses per row and day and noise of 0.2 % of "
        "span, a row that closes 0.4 s late is found in "
        f"{at.found['row_closes_late']} of {known.headers} (" in text
    )
    assert f"; sampled every 1 s, in {finer.found['row_closes_late']} of {known.headers}" in text
    assert known.about.split(";")[0] in text


def test_noise_is_the_days_own_where_it_is_known() -> None:
    day = coarse(60.0, 45.0)
    house = with_tag("header_pressure", "at intervals", unit="bar", range=(0, 10)).baghouse
    pulses = pl.DataFrame({"compartment": [1, 1], "noise_pa": [9000.0, 11000.0]})
    text = quoted(replace(day, baghouse=house, pulses=pulses), ROWS)
    assert "noise of 1 % of span" in text
    assert "noise assumed" not in text
    assert "noise assumed" in quoted(day, ROWS)


@pytest.mark.parametrize(
    ("day", "rows"),
    [
        (coarse(60.0, 5.0), ROWS),  # too few pulses for the rule: that is why it cannot tell
        (coarse(60.0, 45.0, (1, 0, Fact.IN_STEP, 1.0)), ROWS),
        (coarse(float("nan"), 45.0), ROWS),
        (replace(coarse(60.0, 45.0), inferred={1: Inferred(12, True, "by header")}), ROWS),
        (with_tag("step_counter", "at intervals"), ROWS),
        (with_tag("header_pressure", "thinned", unit="bar"), ROWS),
        (coarse(300.0, 45.0), ROWS),  # five times as coarse as any trial
        (coarse(60.0, 45.0), {"slow_header_recovery": [(1, 1)]}),
        (coarse(60.0, 45.0), {"row_closes_late": []}),
    ],
)
def test_nothing_is_quoted_where_sampling_is_not_the_reason(
    day: BaghouseDay, rows: dict[str, list[tuple[int, int]]]
) -> None:
    assert quoted(day, rows) == ""


def test_the_report_quotes_below_what_could_not_be_judged() -> None:
    markdown = page_of(report_days.report(), "BH1")
    unjudged = markdown.split("## Could not be judged")[1].split("\n## ")[0]
    assert "a silent row is found in" in unjudged
    assert "a row that closes 0.4 s late is found in" in unjudged


def test_a_row_found_silent_is_not_said_to_lack_samples() -> None:
    report = report_days.report()
    unknown = Answer.cannot_tell(Subject("BH1", *SILENT), "it shows no drop", Lack.NOTHING)
    late = Finding(DAY, "row_closes_late", unknown)
    silent = [f for f in report.findings if f.answer.verdict is Verdict.FOUND]
    markdown = page_of(replace(report, findings=(*silent, late)), "BH1")
    assert "it shows no drop" in markdown
    assert "simulated cases" not in markdown


def test_developers_are_shown_the_numbers_that_are_quoted() -> None:
    tables = as_tables(odds.read_odds())
    assert tables in (Path(__file__).parents[2] / "tests/benchmarks/RESULTS.md").read_text(
        encoding="utf-8"
    )
