"""The picture of stacked pulses: what is drawn, of which rows, and what the report says of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from helpers import report_days
from helpers.day_pages import page_of
from helpers.report_facts import CLOSE_S, CLOSES_LATE, DAY, LATE_S, SILENT

from rowcall.day_report import DayReport
from rowcall.model import Answer, Finding, Subject, Urgency, Verdict
from rowcall_reports.figures.all_pictures import draw
from rowcall_reports.figures.row_panels import MAX_PANELS, Panel, panels
from rowcall_reports.figures.stacks import draw_stacks
from rowcall_reports.prepared import PreparedDay, prepare


@pytest.fixture(scope="module")
def report() -> DayReport:
    return report_days.report()


def kiln(report: DayReport) -> PreparedDay:
    return prepare(report).baghouses[0]


def shown(report: DayReport) -> dict[tuple[int, int], Panel]:
    return {(one.compartment, one.row): one for one in panels(kiln(report))}


def with_stacks(report: DayReport, stacks: pl.DataFrame) -> DayReport:
    return replace(report, baghouses=(replace(report.baghouses[0], stacks=stacks),))


def test_faulty_rows_are_drawn_most_urgent_first(report: DayReport) -> None:
    assert list(shown(report)) == [SILENT, CLOSES_LATE]
    silent, late = shown(report).values()
    assert np.abs(silent.drop).max() < 1.0
    assert late.drop.max() > 1.4 * late.usual.max()
    assert late.close_s == CLOSE_S
    assert late.late_s == pytest.approx(LATE_S)
    assert np.isnan(silent.late_s)


def test_band_spans_the_healthy_peers_only(report: DayReport) -> None:
    for panel in shown(report).values():
        deep = panel.usual > 5.0
        assert np.all(panel.low[deep] > 0.85 * panel.usual[deep])
        assert np.all(panel.high[deep] < 1.15 * panel.usual[deep])


def test_thin_bins_are_merged_until_they_say_something(report: DayReport) -> None:
    full = shown(report)[CLOSES_LATE]
    thin = report.baghouses[0].stacks.with_columns(count=pl.lit(2.0), point_error=pl.lit(0.05))
    few = shown(with_stacks(report, thin))[CLOSES_LATE]
    assert few.since_s.size < full.since_s.size / 2
    assert few.error.max() < 0.07 * full.usual.max()
    mine = thin.filter(pl.col("compartment") == 2, pl.col("row") == 9)
    per_point = 100 * float(mine["mean"].mean())  # type: ignore[arg-type]
    weight = (1.0 / few.error) ** 2  # points of each mean, to a constant
    assert np.average(few.drop, weights=weight) == pytest.approx(per_point)


def test_no_more_than_six_panels(report: DayReport) -> None:
    many = [
        Finding(
            DAY,
            "row_weak",
            Answer(
                subject=Subject("BH1", 2, row),
                verdict=Verdict.FOUND,
                text="",
                urgency=Urgency.NEXT_OUTAGE,
            ),
        )
        for row in range(1, 9)
    ]
    places = list(shown(replace(report, findings=(*report.findings, *many))))
    assert len(places) == MAX_PANELS
    assert places[0] == SILENT


def test_a_row_without_a_stack_is_passed_over(report: DayReport) -> None:
    gone = report.baghouses[0].stacks.filter(pl.col("row") != SILENT[1])
    assert list(shown(with_stacks(report, gone))) == [CLOSES_LATE]
    assert draw_stacks(prepare(report).baghouses[1]) is None


def test_few_peers_make_no_band(report: DayReport) -> None:
    two = report.baghouses[0].stacks.filter(pl.col("row").is_in([4, 5, 9]))
    panel = shown(with_stacks(report, two))[SILENT]
    assert np.isnan(panel.low).all()
    assert draw_stacks(kiln(with_stacks(report, two))) is not None


@pytest.mark.usefixtures("unpainted")
def test_findings_refer_to_the_picture_only_where_it_is(report: DayReport) -> None:
    line = "its pulses against the peers': the picture of stacked pulses there"
    full = page_of(report, "BH1", draw(report))
    assert full.count(line) == 2
    assert full.index(line) < full.index("](rows-BH1.png)") < full.index("](stacks-BH1.png)")
    assert "full triangle: this valve closes" in full
    assert line not in page_of(report, "BH1")
