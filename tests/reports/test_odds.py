"""The trials that reports quote: complete, plausible, and quoted only where they apply."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from helpers import report_days
from helpers.report_facts import DAY, FACT_SCHEMA, SILENT

from rowcall.model import Answer, BaghouseDay, Finding, Inferred, Subject, Verdict
from rowcall.site import Baghouse, Role
from rowcall_reports.chapters import odds
from rowcall_reports.markdown import write_markdown

ROWS = {"row_closes_late": [(1, 1), (1, 2), (1, 3)]}


def coarse(step_s: float, called: float, **more: float) -> BaghouseDay:
    """The kiln baghouse with a header sampled every `step_s` and rows fired `called` times."""
    day = report_days.report().baghouses[0]
    health = tuple(
        replace(tag, step_s=step_s) if tag.role is Role.HEADER_PRESSURE else tag
        for tag in day.health
    )
    lines = [(1, row, "n_called", called) for row in (1, 2, 3)]
    lines += [(1, 0, name, value) for name, value in more.items()]
    facts = pl.DataFrame(lines, schema=FACT_SCHEMA, orient="row")
    return replace(day, health=health, facts=facts)


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
        assert all(0 <= n <= known.healthy for n in (*cell.untold.values(), cell.false))


def test_finer_sampling_and_more_pulses_tell_more() -> None:
    known = odds.read_odds()
    for rule in odds.FAULTS:
        best, worst = known.near(0.5, 700, 0.002), known.near(60.0, 20, 0.01)
        assert best.found[rule] > worst.found[rule]
        assert best.untold[rule] < worst.untold[rule]


def test_nearest_cell_is_sought_on_logarithmic_scales() -> None:
    cell = odds.read_odds().near(3.3, 110.0, 0.0044)
    assert (cell.step_s, cell.pulses, cell.noise) == (5.0, 200, 0.002)


def test_a_coarse_header_is_quoted_with_what_a_finer_one_would_tell() -> None:
    known = odds.read_odds()
    told = odds.quote(coarse(60.0, 45.0), ROWS)
    at, finer = known.near(60.0, 50, 0.002), known.near(1.0, 50, 0.002)
    assert (
        "With a point every 60 s, 50 pulses a row and day and noise of 0.2 % of span, a row that "
        f"closes 0.4 s late is found in {at.found['row_closes_late']} of {known.headers} (" in told
    )
    assert (
        f"; with a point every 1 s, in {finer.found['row_closes_late']} of {known.headers}" in told
    )
    assert known.about.split(";")[0] in told


def test_noise_is_the_days_own_where_it_is_known() -> None:
    day = coarse(60.0, 45.0)
    house = with_tag("header_pressure", "at intervals", unit="bar", range=(0, 10)).baghouse
    pulses = pl.DataFrame({"compartment": [1, 1], "noise_pa": [9000.0, 11000.0]})
    told = odds.quote(replace(day, baghouse=house, pulses=pulses), ROWS)
    assert "noise of 1 % of span" in told


@pytest.mark.parametrize(
    ("day", "rows"),
    [
        (coarse(60.0, 5.0), ROWS),  # too few pulses for the rule: that is why it cannot tell
        (coarse(60.0, 45.0, in_step=1.0), ROWS),
        (coarse(float("nan"), 45.0), ROWS),
        (replace(coarse(60.0, 45.0), inferred={1: Inferred(12, True, "by header")}), ROWS),
        (with_tag("step_counter", "at intervals"), ROWS),
        (coarse(60.0, 45.0), {"slow_header_recovery": [(1, 1)]}),
        (coarse(60.0, 45.0), {"row_closes_late": []}),
    ],
)
def test_nothing_is_quoted_where_sampling_is_not_the_reason(
    day: BaghouseDay, rows: dict[str, list[tuple[int, int]]]
) -> None:
    assert odds.quote(day, rows) == ""


def test_the_report_quotes_below_what_could_not_be_judged() -> None:
    markdown = write_markdown(report_days.report(), ())
    untold = markdown.split("### Could not be judged")[1].split("\n### ")[0]
    assert "a silent row is found in" in untold
    assert "a row that closes 0.4 s late is found in" in untold


def test_a_row_that_is_found_silent_is_not_said_to_be_untold_for_want_of_samples() -> None:
    report = report_days.report()
    late = Finding(
        DAY, "row_closes_late", Answer.cannot_tell(Subject("BH1", *SILENT), "it shows no drop")
    )
    silent = [f for f in report.findings if f.answer.verdict is Verdict.FOUND]
    markdown = write_markdown(replace(report, findings=(*silent, late)), ())
    assert "it shows no drop" in markdown
    assert "simulated cases" not in markdown


def test_developers_are_shown_the_numbers_that_are_quoted() -> None:
    tables = odds.as_tables(odds.read_odds())
    assert tables in (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
