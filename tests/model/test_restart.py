"""Facts of before a work are no history of those after it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest
from helpers.residual_dp import judged, quiet, with_series
from helpers.scenes import exports, kiln, study
from helpers.work_logs import log, only

from rowcall.model import (
    HISTORY_COLUMNS,
    BaghouseDay,
    Fact,
    History,
    Subject,
    Verdict,
    Work,
    WorkEntry,
    since_words,
    since_work,
)
from rowcall.model import restart as restarts

TODAY = date(2026, 3, 20)
PLACES = {
    Fact.RESIDUAL_DP_PA: (0, 0),
    Fact.PLATEAU_PA: (1, 0),
    Fact.INTERVAL_S: (1, 0),
    Fact.CLOCK_OFFSET_S: (1, 0),
    Fact.TAU_S: (1, 0),
    Fact.DROP_RATIO: (1, 3),
    Fact.N_SENT: (1, 4),
}


@pytest.fixture(scope="module")
def day() -> BaghouseDay:
    return study(exports(kiln(), hours=6)[0]).day


def left(day: BaghouseDay, *entries: WorkEntry) -> dict[Fact, int]:
    """How many of nine days of each fact a work log leaves."""
    lines = [
        (TODAY - timedelta(days=n), *place, fact.column, 1.0)
        for fact, place in PLACES.items()
        for n in range(1, 10)
    ]
    past = History(pl.DataFrame(lines, schema=HISTORY_COLUMNS, orient="row"))
    cut = since_work(past, log(*entries), TODAY, day.baghouse)
    assert cut.facts.height + cut.cut.height == len(lines)
    return {fact: len(cut.of(fact, *place)[0]) for fact, place in PLACES.items()}


WHOLE = dict.fromkeys(PLACES, 9)
AGO_4 = TODAY - timedelta(days=4)


@pytest.mark.parametrize(
    ("entry", "moved"),
    [
        (only(Work.BAGS_CHANGED, AGO_4, 1), {Fact.RESIDUAL_DP_PA}),
        (only(Work.BAGS_CHANGED, AGO_4, 1, 3), set()),  # one row of twelve
        (only(Work.DIAPHRAGMS_RENEWED, AGO_4, 1, 3), {Fact.DROP_RATIO}),
        (only(Work.SOLENOID_RENEWED, AGO_4, 1), {Fact.DROP_RATIO, Fact.N_SENT}),
        (only(Work.SOLENOID_RENEWED, AGO_4, 2), set()),
        (only(Work.AIR_MENDED, AGO_4, 1), {Fact.PLATEAU_PA, Fact.TAU_S}),
        (only(Work.AIR_MENDED, AGO_4, 2), set()),
        (
            only(Work.SET_POINT_CHANGED, AGO_4),
            {Fact.RESIDUAL_DP_PA, Fact.PLATEAU_PA, Fact.INTERVAL_S, Fact.TAU_S},
        ),
        (only(Work.INSPECTED, AGO_4), set()),
        (only(Work.BAGS_CHANGED, AGO_4, house="BH2"), set()),
    ],
    ids=lambda one: one.work.value if isinstance(one, WorkEntry) else "",
)
def test_each_work_restarts_what_it_moves(
    day: BaghouseDay, entry: WorkEntry, moved: set[Fact]
) -> None:
    """The day of the work mixes before and after: three days are left."""
    assert left(day, entry) == WHOLE | dict.fromkeys(moved, 3)


def test_bags_changed_row_by_row_count_together(day: BaghouseDay) -> None:
    second = only(Work.BAGS_CHANGED, AGO_4 + timedelta(days=1), 2, 5)
    assert left(day, only(Work.BAGS_CHANGED, AGO_4, 1, 3), second)[Fact.RESIDUAL_DP_PA] == 2
    later = only(Work.BAGS_CHANGED, AGO_4, 2, 5)
    apart = only(Work.BAGS_CHANGED, AGO_4 - timedelta(days=8), 1, 3)
    assert left(day, apart, later)[Fact.RESIDUAL_DP_PA] == 9


def test_facts_of_what_was_off_are_left_out_of_the_days_on_which_it_was(day: BaghouseDay) -> None:
    off, on = only(Work.OFF, AGO_4, 1, 3), only(Work.ON, AGO_4 + timedelta(days=2), 1, 3)
    assert left(day, off) == WHOLE | {Fact.DROP_RATIO: 5}
    assert left(day, off, on) == WHOLE | {Fact.DROP_RATIO: 6}
    assert left(day, only(Work.OFF, AGO_4, 1))[Fact.PLATEAU_PA] == 5
    assert left(day, only(Work.OFF, AGO_4, 1))[Fact.RESIDUAL_DP_PA] == 9


def test_new_bags_are_no_falling_trend_and_too_few_days_say_since_when(day: BaghouseDay) -> None:
    """Residual DP fell by a third with new bags, and rises since: not seen over both."""
    series = [*quiet(40, level=1500.0), *(900.0 + 12.0 * n for n in range(20))]
    with_past = with_series(day, series)
    assert judged(with_past).verdict is Verdict.CLEAR
    entry = only(Work.BAGS_CHANGED, day.day - timedelta(days=20))
    assert judged(since(with_past, entry)).verdict is Verdict.FOUND
    fresh = only(Work.BAGS_CHANGED, day.day - timedelta(days=3))
    answer = judged(since(with_past, fresh))
    assert answer.verdict is Verdict.CANNOT_TELL
    assert f"only 3 days are known since bags were changed on {fresh.date}" in answer.text


def test_of_work_before_the_first_day_with_facts_nothing_is_counted(day: BaghouseDay) -> None:
    with_past = with_series(day, quiet(8))
    subject = Subject(day.baghouse.id)
    for ago, words in ((3, True), (900, False)):
        entry = only(Work.BAGS_CHANGED, day.day - timedelta(days=ago))
        history = since(with_past, entry).history
        said = since_words(history, Fact.HEAT_DOSE, subject)
        assert said == (f" since bags were changed on {entry.date}" if words else "")


def since(day: BaghouseDay, entry: WorkEntry) -> BaghouseDay:
    return replace(day, history=since_work(day.history, log(entry), day.day, day.baghouse))


def test_a_log_of_thousands_of_lines_moves_facts_by_few_conditions(
    day: BaghouseDay, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Joined one by one, a thousand conditions took polars minutes."""
    asked: list[WorkEntry] = []
    moved = restarts._moved

    def counted(entry: WorkEntry) -> pl.Expr:
        asked.append(entry)
        return moved(entry)

    monkeypatch.setattr(restarts, "_moved", counted)
    old = (only(Work.SOLENOID_RENEWED, TODAY - timedelta(days=n), 1, 3) for n in range(10, 900))
    bags = (
        only(Work.BAGS_CHANGED, AGO_4, 1, 1 + n % 12, position=1 + n // 12, line=2 + n)
        for n in range(600)
    )
    rows = (only(Work.BAGS_CHANGED, AGO_4, 1, row) for row in range(1, 13))
    expected = WHOLE | {Fact.RESIDUAL_DP_PA: 3}
    assert left(day, *old, *bags, *rows) == expected
    assert len(asked) == 12  # a row each
