"""Rows fired a dozen times a day: told from the pulses of several days together."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from helpers.scene_answers import ask, found
from helpers.scene_road import study_from
from helpers.scenes import FIRST, Export, exports, fact, kiln, local, on_time
from helpers.work_logs import log, only

from rowcall.events.facts.pooled_days import days_wanted
from rowcall.model import (
    HISTORY_COLUMNS,
    BaghouseDay,
    Fact,
    FactBook,
    History,
    Subject,
    Verdict,
    Work,
    WorkLog,
    since_work,
)
from rowcall.runs.judge import with_day
from rowcall.runs.study import Kept, Read
from rowcall.store.samples import TagSamples
from rowcall_plant import Fault, RowDrawnOut, RowFaint, RowSilent
from rowcall_reports.chapters.row_numbers import write_numbers
from rowcall_reports.row_marks import UNKNOWN

SELDOM = on_time(6, interval_s=600.0)  # of two compartments in turn: twelve calls a row and day
FAULTS = (
    RowSilent(start=local(0), compartment=1, row=3),
    RowFaint(start=local(0), compartment=1, row=5, drop_share=0.4),
    RowDrawnOut(start=local(0), compartment=2, row=2, late_s=1.5),
)


def reader(days: Sequence[Export]) -> Read:
    """Read any span of these days, as from the store."""

    def read(start: datetime, end: datetime) -> Kept:
        first, last = (round(at.timestamp() * 1e6) for at in (start, end))
        samples = {}
        for tag in days[0].samples:
            parts = [day.samples[tag] for day in days]
            whole = TagSamples(
                *(np.concatenate([getattr(part, name) for part in parts]) for name in FIELDS)
            )
            inside = (whole.time_us >= first) & (whole.time_us < last)
            samples[tag] = TagSamples(*(getattr(whole, name)[inside] for name in FIELDS))
        return Kept(samples, {})

    return read


FIELDS = ("time_us", "value", "quality")
NO_WORK = WorkLog()


def days_with(faults: tuple[Fault, ...]) -> list[Export]:
    return exports(
        kiln(cleaning=SELDOM),
        faults,
        days=4,
        seed=4,
        step_s=2,
        drop=("inlet_temperature", "outlet_temperature"),
    )


@cache
def chained() -> tuple[BaghouseDay, BaghouseDay]:
    """The first and the last of days studied one after the other, with facts of those before."""
    days = days_with(FAULTS)
    read, history, out = reader(days), History(), list[BaghouseDay]()
    for one in days:
        studied = study_from(read, one.baghouse, one.day, ZoneInfo(one.zone), history)
        out.append(studied)
        history = with_day(history, studied, ())
    return out[0], out[-1]


def last_of(faults: tuple[Fault, ...], work: WorkLog = NO_WORK) -> BaghouseDay:
    """The last day studied, with nothing known of those before but how often rows were pulsed."""
    *before, last = days = days_with(faults)
    rows = [(compartment, row) for compartment in (1, 2) for row in range(1, 7)]
    sent = [calls(one.day, 12.0, row, compartment) for one in before for compartment, row in rows]
    past = since_work(History(pl.concat(sent)), work, last.day, last.baghouse)
    return study_from(reader(days), last.baghouse, last.day, ZoneInfo(last.zone), past)


def test_a_day_with_a_dozen_calls_tells_nothing_a_week_does() -> None:
    first, last = chained()
    assert {a.verdict for a in ask("row_silent", first).values()} == {Verdict.CANNOT_TELL}
    assert found(ask("row_silent", last)) == {(1, 3)}
    assert found(ask("row_weak", last)) == {(1, 5)}
    assert found(ask("row_closes_late", last)) == {(2, 2)}
    # The row fired after the hanging one is told too.
    assert ask("row_weak", last)[Subject("BH1", 2, 3)].verdict is Verdict.CLEAR


def test_it_says_from_how_many_days_and_pulses() -> None:
    _, last = chained()
    answer = ask("row_silent", last)[Subject("BH1", 1, 3)]
    days, pulses = (fact(last, name, 1, 3) for name in (Fact.DAYS_STACKED, Fact.N_STACKED))
    assert days is not None
    assert pulses is not None
    assert pulses >= 40 > pulses * (days - 1) / days
    assert f"Judged by its {pulses:.0f} pulses of {days:.0f} days together" in answer.text
    table = write_numbers(last, {(1, 3): UNKNOWN})
    assert f" {pulses:.0f} |" in table
    assert f"these are of {days:.0f} days together" in table


def test_calls_stay_those_of_the_day() -> None:
    _, last = chained()
    called = last.pulses.filter(pl.col("compartment") == 1).group_by("row").len()
    for row, n in called.iter_rows():
        assert fact(last, Fact.N_SENT, 1, row) == n


def test_healthy_days_are_clear_when_there_are_enough() -> None:
    last = last_of(())
    for rule in ("row_silent", "row_weak"):
        answers = ask(rule, last)
        assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}
    assert found(ask("row_closes_late", last)) == set()


def test_a_row_that_fell_silent_days_ago_is_silent_since_then() -> None:
    """Two days ago: not now and then, though half of its pulses were answered."""
    fault = RowSilent(start=local(2, 2), compartment=1, row=3)
    last = last_of((fault,))
    answer = ask("row_silent", last)[Subject("BH1", 1, 3)]
    assert answer.verdict is Verdict.FOUND
    assert answer.text.startswith("Silent since it changed")
    assert answer.start is not None
    assert abs(answer.start - fault.start) < timedelta(hours=6)


def calls(day: date, n: float, row: int = 1, compartment: int = 1) -> pl.DataFrame:
    lines = [(day, compartment, row, Fact.N_SENT.column, n)]
    return pl.DataFrame(lines, schema=HISTORY_COLUMNS, orient="row")


TODAY = date(2026, 3, 20)


@pytest.mark.parametrize(
    ("today", "before", "wanted"),
    [
        (25.0, [6.0] * 9, 1),  # speaks for itself
        (12.0, [12.0] * 9, 4),
        (6.0, [6.0] * 9, 7),
        (2.0, [2.0] * 30, 7),  # a week at most
        (12.0, [12.0], 2),  # no more is stored
        (12.0, [], 1),
        (0.0, [12.0] * 9, 1),  # not cleaned at all today
    ],
)
def test_as_many_days_as_it_takes(today: float, before: list[float], wanted: int) -> None:
    past = [calls(TODAY - timedelta(days=k), n) for k, n in enumerate(before, start=1)]
    history = pl.concat([History().facts, *past])
    assert days_wanted(TODAY, calls(TODAY, today).drop("day"), history) == wanted


def test_enough_pulses_a_day_leave_the_day_alone() -> None:
    day = exports(kiln(), seed=4)[0]
    studied = study_from(reader([day]), day.baghouse, day.day, ZoneInfo(day.zone), History())
    assert not [fact for fact, _, _ in FactBook(studied.facts) if fact is Fact.DAYS_STACKED]


def test_days_before_a_repair_of_a_row_are_not_pooled() -> None:
    """Its coil was renewed on the second day: of the two days since, it answers."""
    fault = RowSilent(start=local(0), compartment=1, row=3, end=local(1, 23))
    renewed = only(Work.SOLENOID_RENEWED, FIRST + timedelta(days=1), 1, 3)
    last = last_of((fault,), log(renewed))
    assert fact(last, Fact.DAYS_STACKED, 1, 3) == 2
    assert fact(last, Fact.DAYS_STACKED, 1, 4) == 4
    assert fact(last, Fact.DROP_RATIO, 1, 3) == pytest.approx(1.0, abs=0.1)
    without = last_of((fault,))
    assert fact(without, Fact.DAYS_STACKED, 1, 3) == 4
    assert fact(without, Fact.DROP_RATIO, 1, 3) != pytest.approx(1.0, abs=0.1)
