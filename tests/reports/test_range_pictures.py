"""The pictures of a range, as wide as a phone: no text is cut off, no two dates overlap."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import pytest
from helpers import report_days
from helpers.report_facts import DAY
from matplotlib.figure import Figure

from rowcall.site.plant import UnitsTable
from rowcall_reports.figures import canvas
from rowcall_reports.range.case_line import draw_cases, in_order
from rowcall_reports.range.range_days import RangeDays
from rowcall_reports.range.trends import draw_trends, trend_table

pytestmark = pytest.mark.real_pictures


def ranged(days: list[date]) -> RangeDays:
    report = report_days.report()
    made = RangeDays(report.site, report.rules, {}, {})
    for day in days:
        made.add(replace(report, day=day))
    return made


@pytest.mark.parametrize(
    ("n_days", "last"), [(3, DAY), (10, DAY), (30, DAY), (365, DAY), (30, date(DAY.year, 1, 12))]
)
def test_all_text_stands_on_the_sheet_and_dates_stand_apart(
    n_days: int, last: date, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[Figure] = []
    to_png = canvas.to_png

    def keep(figure: Figure) -> bytes:
        drawn.append(figure)
        return to_png(figure)

    monkeypatch.setattr(canvas, "to_png", keep)
    span = last - timedelta(days=n_days - 1), last
    made = ranged([last - timedelta(days=n_days * back // 3) for back in (2, 1, 0)])
    cases = in_order(list(made.cases.values()), made.found)
    assert draw_cases(cases, made.found, span, "range") is not None
    table = trend_table(made.all_facts, "BH1")
    assert draw_trends(table, span, "range", "BH1", UnitsTable().scales) is not None
    assert len(drawn) == 2
    for figure in drawn:
        box = figure.get_tightbbox()
        assert box.x0 >= 0
        assert box.x1 <= canvas.PAGE_IN
        axes = figure.axes[0]  # the lowest of trends
        names = [label.get_window_extent() for label in axes.get_xticklabels()]
        assert len(names) >= 2
        assert all(one.x1 + 4 < after.x0 for one, after in pairwise(names))
